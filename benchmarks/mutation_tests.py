"""Which tests reach a line, and how long they take."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

from benchmarks.mutants import Mutant

ROOT = Path(__file__).parents[1]
FIRST = 15.0
"""Seconds of tests before others are loaded at all."""
UNTIMED = 0.05
"""Seconds of a test that is too short to be listed with its time."""


@dataclasses.dataclass
class Reach:
    """The tests, their seconds, and for each file and line the numbers of those that run it."""

    tests: list[str]
    times: dict[str, float]
    lines: dict[str, dict[str, list[int]]]

    def seconds(self, test: str) -> float:
        """How long a test takes."""
        return self.times.get(test, UNTIMED)

    def of(self, mutant: Mutant) -> set[str]:
        """The tests that run the line, or any of its module if it is run on import."""
        here = self.lines.get(mutant.file, {})
        if mutant.on_import:
            numbers = {number for some in here.values() for number in some}
        else:
            span = range(mutant.statement, mutant.line + 1)
            numbers = {number for line in span for number in here.get(str(line), [])}
        return {self.tests[number] for number in numbers}


def tests_for(mutant: Mutant, reach: Reach, patience: float) -> tuple[list[str], list[str]]:
    """The tests that are most likely to notice, then others; `patience` seconds in all.

    Those of the file that mirrors the module come first, then those of its folder, then the others;
    the quick ones before the slow ones.
    """
    path = Path(mutant.file)
    folder = Path("tests", *path.parts[1:-1])
    if not reach.tests:
        return [str(folder)], []

    def order(test: str) -> tuple[bool, bool, float, str]:
        mirror = test.startswith(f"{folder}/test_{path.name}::")
        return not mirror, not test.startswith(f"{folder}/"), reach.seconds(test), test

    first = _newer(folder, reach)
    rest: list[str] = []
    used = 0.0
    for test in sorted(reach.of(mutant), key=order):
        used += reach.seconds(test)
        if used <= min(FIRST, patience):
            first.append(test)
        elif used <= patience:
            rest.append(test)
    return first, rest


def _newer(folder: Path, reach: Reach) -> list[str]:
    """Files of tests for this folder that are younger than the reach: run as a whole."""
    known = {test.split("::")[0] for test in reach.tests}
    files = [str(file.relative_to(ROOT)) for file in sorted((ROOT / folder).glob("test_*.py"))]
    return [file for file in files if file not in known]


def find_reach(root: Path, kept: Path) -> Reach:
    """Read what an earlier run of the suite found, or run it."""
    if not kept.exists():
        with tempfile.TemporaryDirectory() as folder:
            data, log = Path(folder) / "coverage", Path(folder) / "log"
            with log.open("w") as file:
                subprocess.run(
                    [sys.executable, "-m", "pytest", "-q", "-m", "not slow", "--cov=quantize"]
                    + [
                        "--cov-branch",
                        "--cov-context=test",
                        "--cov-report=",
                        "--durations=0",
                        "-vv",
                    ],
                    cwd=root,
                    env={**os.environ, "COVERAGE_FILE": str(data), "PYTHONPATH": str(root)},
                    stdout=file,
                    check=True,
                )
            gather(root, data, log, kept)
    return Reach(**json.loads(kept.read_text(encoding="utf-8")))


def gather(root: Path, data: Path, log: Path, kept: Path) -> None:
    """Write the reach from coverage's file and the times that pytest printed."""
    tests: dict[str, int] = {}
    lines: dict[str, dict[str, list[int]]] = {}
    with sqlite3.connect(data) as base:
        query = (
            "select distinct f.path, c.context, abs(a.tono) from arc a "
            "join file f on f.id = a.file_id join context c on c.id = a.context_id "
            "where c.context like '%|%'"
        )
        for path, context, line in base.execute(query):
            number = tests.setdefault(context.rsplit("|", 1)[0], len(tests))
            file = str(Path(path).relative_to(root))
            lines.setdefault(file, {}).setdefault(str(line), []).append(number)
    times: dict[str, float] = {}
    pattern = re.compile(r"^\s*([\d.]+)s (?:call|setup)\s+(\S.*)$", re.MULTILINE)
    for seconds, test in pattern.findall(log.read_text(encoding="utf-8")):
        times[test.strip()] = times.get(test.strip(), 0.0) + float(seconds)
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_text(json.dumps({"tests": list(tests), "times": times, "lines": lines}))
