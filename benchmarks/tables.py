"""How many changes the code that a table measures has seen since the table was written.

By the history of the repository; what a benchmark runs as text in a process of its own is not seen.
"""

from __future__ import annotations

import ast
import functools
import subprocess
from pathlib import Path

from benchmarks.runner import ROOT


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
        names: list[str] = []
        for node in ast.walk(ast.parse(at.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names += [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names += [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
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
