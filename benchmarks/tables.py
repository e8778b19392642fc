"""Where the measured tables go: one Markdown page for each benchmark that asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


def keep(folder: Path | None, name: str, title: str, lines: Sequence[str]) -> None:
    """Write `lines` under `title` to ``folder/name.md``; without a folder nothing is written."""
    if folder is None:
        return
    folder.mkdir(parents=True, exist_ok=True)
    text = f"# {title}\n\n" + "\n".join(lines) + "\n"
    (folder / f"{name}.md").write_text(text, encoding="utf-8")
