"""Results in notebooks."""

from __future__ import annotations

from html import escape
from typing import Any


def notebook_html(result: Any) -> str:
    """The headline of a result and its table of rival units, as HTML."""
    parts = [
        f"<p><strong>{escape(type(result).__name__)}</strong> {escape(result._headline())}</p>"
    ]
    table = getattr(result, "alternatives", None)
    if table is not None and len(table):
        parts.append(table.head(8).to_html(index=False, float_format=lambda v: f"{v:.5g}"))
    return "\n".join(parts)
