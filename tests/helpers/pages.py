"""The pages of the documentation."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted(p for p in (ROOT / "docs").rglob("*.md") if "_build" not in p.parts),
]
FENCE = re.compile(
    r"^(?P<fence> *`{3,})(?P<language>\S*)[^\n]*\n(?P<code>.*?)^(?P=fence)\s*$",
    re.MULTILINE | re.DOTALL,
)
"""A block of code."""
