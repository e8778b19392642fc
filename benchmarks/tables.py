"""Where the measured tables go: one Markdown page for each benchmark that asks for it.

``python -m benchmarks.tables`` says of each how many changes the code that it measures has seen
since the table was written, by the history of the repository. What a benchmark runs as text in a
process of its own is not seen.
"""

from __future__ import annotations

import ast
import functools
import shlex
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

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


@functools.cache
def sources(file: Path) -> frozenset[Path]:
    """The files of the project that a file imports, itself among them, and theirs."""
    found: set[Path] = set()
    left = [file]
    while left:
        at = left.pop()
        if at in found:
            continue
        found.add(at)
        for node in ast.walk(ast.parse(at.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
            for name in names:
                place = ROOT.joinpath(*name.split("."))
                places = (place.with_suffix(".py"), place / "__init__.py")
                left += [path for path in places if path.is_file()]
    return frozenset(found)


def _git(*words: str) -> list[str]:
    done = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=True)
    return done.stdout.splitlines()


def age(table: Path) -> tuple[str, int]:
    """When a table was last written, and how many changes its sources have seen since."""
    [made] = _git("log", "-1", "--format=%H %cs", "--", str(table)) or [""]
    commit, _, day = made.partition(" ")
    bench = ROOT / "benchmarks" / f"{table.stem}.py"
    if not commit or not bench.is_file():
        return day, 0
    files = [str(file) for file in sorted(sources(bench))]
    return day, len(_git("log", "--format=%H", f"{commit}..HEAD", "--", *files))


def main() -> None:
    """Print the tables, those with most changes since first."""
    ages = {table.stem: age(table) for table in sorted((ROOT / "docs" / "tables").glob("*.md"))}
    print("| table | written | changes of its code since |\n|---|---|---|")
    for name, (day, changes) in sorted(ages.items(), key=lambda item: -item[1][1]):
        print(f"| {name} | {day} | {changes} |")


if __name__ == "__main__":
    main()
