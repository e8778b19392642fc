"""Where the measured tables go: one Markdown page for each benchmark that asks for it."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

_WHERE = ("--write", "--workers", "--keep")
_WHEN = ("--table", "--resume", "--afresh", "--store", "--again")
"""Options that do not change what is measured: with a value, and without one."""


def command(name: str) -> str:
    """The command of this run of the benchmark `name`, without what does not change its numbers."""
    words = [word for word in sys.argv[1:] if word not in _WHEN]
    for option in _WHERE:
        while option in words:
            at = words.index(option)
            del words[at : at + 2]
    return shlex.join(["python", "-m", f"benchmarks.{name}", *words])


def keep(folder: Path | None, name: str, title: str, lines: Sequence[str]) -> None:
    """Write `lines` under `title` to ``folder/name.md``; without a folder nothing is written."""
    if folder is None:
        return
    folder.mkdir(parents=True, exist_ok=True)
    text = f"# {title}\n\nMade by `{command(name)}`.\n\n" + "\n".join(lines) + "\n"
    (folder / f"{name}.md").write_text(text, encoding="utf-8")
