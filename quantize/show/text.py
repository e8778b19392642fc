"""Results in plain text, for terminals of 80 columns."""

from __future__ import annotations

from typing import Any


def summary_text(result: Any) -> str:
    """The headline of a result and its table of rival units."""
    lines = [f"{type(result).__name__}: {result._headline()}"]
    table = getattr(result, "alternatives", None)
    if table is not None and len(table):
        lines += ["", table.head(8).to_string(index=False, float_format=lambda v: f"{v:.5g}")]
    return "\n".join(lines)
