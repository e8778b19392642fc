"""How many changes the code that a table measures has seen since the table was written.

By the history of the repository; what a benchmark runs as text in a process of its own is not seen.
"""

from __future__ import annotations

import functools
import subprocess
from modulefinder import ModuleFinder
from pathlib import Path

from benchmarks.runner import ROOT, Lines, Options, benchmark, row


@functools.cache
def sources(file: Path) -> list[str]:
    """The files of the project that a file imports, itself among them, and theirs."""
    finder = ModuleFinder(path=[str(ROOT)])
    finder.run_script(str(file))
    return sorted(module.__file__ for module in finder.modules.values() if module.__file__)


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
    return day, len(_git("log", "--format=%H", f"{commit}..HEAD", "--", *sources(bench)))


@benchmark(None, columns=("table", "written", "changes of its code since"))
def main(options: Options) -> Lines:
    """The tables, those with most changes since first."""
    ages = {table.stem: age(table) for table in sorted((ROOT / "docs" / "tables").glob("*.md"))}
    for name, (day, changes) in sorted(ages.items(), key=lambda item: -item[1][1]):
        yield row(name, day, changes)
