"""How many small faults in the statistics and in the charge formulas the tests notice.

``python -m benchmarks.mutation`` copies the tree, lets mutmut plant every fault it knows and find
by one run of the tests of these parts which of them reach which function, draws a random sample of
the faults of each part (``--seed``), and runs for each the tests that reach it until one fails or
they take too long: then it is noticed. ``--in FOLDER`` keeps the copy, with what is finished.
``--write docs/tables`` keeps the table, with the changed line of every survivor.
Needs mutmut (``pip install mutmut``); ``--tiny`` plants one fault and runs one file of tests.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from scipy.stats import binomtest

from benchmarks.tables import keep

ROOT = Path(__file__).parents[1]
PARTS = {
    "comb": ["quantize/comb/*"],
    "null": ["quantize/null/*"],
    "charge formulas": [
        f"quantize/charge/{name}.py"
        for name in (
            *("air", "conversion", "coulombs", "drag", "fall", "noise", "plates", "propagation"),
            *("quantity", "reticle", "routes", "rows", "sphere"),
        )
    ],
}
"""Files in which faults are planted, by part of the package."""
TINY = {"comb": ["quantize/comb/wrapped.py"]}
TESTS = (
    *(f"tests/{name}" for name in ("comb", "model", "null", "counts", "charge")),
    *(f"tests/test_{name}.py" for name in ("analysis", "readings", "recording", "golden")),
)
"""The tests of these parts. The others could only notice more."""
FOLDERS = ("quantize", "tests", "benchmarks", "docs", "examples")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE")
NO_TEST = 33
"""What mutmut notes for a fault in a function that no test calls."""


def configuration(parts: dict[str, list[str]], tests: Sequence[str]) -> str:
    """The section of pyproject.toml that mutmut reads; its strings are those of JSON."""
    files = [pattern for patterns in parts.values() for pattern in patterns]
    others = [name for name in (*FOLDERS, *FILES) if name not in ("quantize", "pyproject.toml")]
    return "\n".join(
        [
            "\n[tool.mutmut]",
            'source_paths = ["quantize"]',
            f"only_mutate = {json.dumps(files)}",
            f"also_copy = {json.dumps(others)}",
            f"pytest_add_cli_args_test_selection = {json.dumps(list(tests))}",
            'pytest_add_cli_args = ["-p", "no:cacheprovider"]\n',
        ]
    )


def copy_tree(folder: Path, parts: dict[str, list[str]], tests: Sequence[str]) -> None:
    """The files of the project, with what mutmut is to do with them."""
    for name in FOLDERS:
        ignored = shutil.ignore_patterns("__pycache__", "_build", "_figures")
        shutil.copytree(ROOT / name, folder / name, ignore=ignored)
    for name in FILES:
        shutil.copy(ROOT / name, folder / name)
    with (folder / "pyproject.toml").open("a", encoding="utf-8") as stream:
        stream.write(configuration(parts, tests))


def mutmut(folder: Path, *words: str) -> str:
    """Run mutmut in the copy; what it prints."""
    program = Path(sys.executable).with_name("mutmut")
    if not program.exists():
        raise SystemExit("mutmut is missing: install it with `pip install mutmut`")
    environment = os.environ | {"OMP_NUM_THREADS": "1", "PYTHONPATH": ""}
    done = subprocess.run(
        [program, *words], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"mutmut {words[0]} ended with {done.returncode}:\n{done.stdout[-3000:]}")
    return done.stdout


def planted(folder: Path, patterns: Sequence[str]) -> dict[str, int | None]:
    """Every fault of a part, by name: what its tests ended with, None where they were not run."""
    found: dict[str, int | None] = {}
    for pattern in patterns:
        for file in sorted((folder / "mutants").glob(f"{pattern}.meta")):
            found |= json.loads(file.read_text(encoding="utf-8"))["exit_code_by_key"]
    return found


def noticed(code: int | None) -> bool:
    """Whether a test failed, or the tests took too long."""
    return code not in (0, NO_TEST, None)


def survivor(folder: Path, name: str) -> str:
    """A row for a fault that no test noticed: where, and the lines before and after."""
    lines = mutmut(folder, "show", name).splitlines()
    before, after = (
        " ".join(line[1:].strip() for line in lines if re.match(rf"\{sign}(?!\{sign})", line))
        for sign in "-+"
    )
    where = re.sub(r"\.x_?|__mutmut.*", " ", name).strip()
    cells = [text.replace("|", "\\|").replace("`", "'") for text in (before, after)]
    return f"| {where} | `{cells[0]}` | `{cells[1]}` |"


def page(folder: Path, chosen: dict[str, list[str]], parts: dict[str, list[str]]) -> list[str]:
    """The share noticed in each part, and what survived."""
    lines = [
        "Faults planted one at a time by mutmut, a random sample of each part; the tests of these "
        "parts that belong to the short suite have to notice them. The interval is the 95 % one "
        "of Clopper and Pearson. Faults that change nothing (in the words of a message, in how "
        "fast a search goes) are among those that survive.",
        "",
        "| part | all faults | tried | noticed | share | interval | reached by no test |",
        "|---|---|---|---|---|---|---|",
    ]
    survived: list[str] = []
    rows = {"together": [0, 0, 0, 0]}
    for part, names in chosen.items():
        codes = planted(folder, parts[part])
        seen = sum(noticed(codes[name]) for name in names)
        missed = sum(codes[name] == NO_TEST for name in names)
        rows = {part: [len(codes), len(names), seen, missed], **rows}
        rows["together"] = [a + b for a, b in zip(rows["together"], rows[part], strict=True)]
        survived += [name for name in names if not noticed(codes[name])]
    for part, (size, tried, seen, missed) in rows.items():
        interval = binomtest(seen, tried).proportion_ci(0.95)
        lines.append(
            f"| {part} | {size} | {tried} | {seen} | {seen / tried:.3f} | {interval.low:.2f} to "
            f"{interval.high:.2f} | {missed} |"
        )
    lines += ["", "## What survived", "", "| where | line | made |", "|---|---|---|"]
    return lines + [survivor(folder, name) for name in survived]


def main(arguments: list[str] | None = None) -> None:
    """Plant, run, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one fault, one file of tests")
    parser.add_argument("--faults", type=int, default=200, help="faults in all")
    parser.add_argument("--seed", type=int, default=91, help="of the sample")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--in", dest="folder", type=Path, help="where the copy is kept")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the page to this folder")
    options = parser.parse_args(arguments)
    parts = TINY if options.tiny else PARTS
    tests = ["tests/comb/test_wrapped.py"] if options.tiny else TESTS
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary) / "tree"
        if not folder.exists():
            copy_tree(folder, parts, tests)
        processes = ("--max-children", str(options.workers))
        mutmut(folder, "run", *processes, "quantize.comb.wrapped.*__mutmut_1")
        draw = random.Random(options.seed)
        chosen: dict[str, list[str]] = {}
        left = []
        for part, patterns in parts.items():
            codes = planted(folder, patterns)
            number = 1 if options.tiny else -(-options.faults // len(parts))
            chosen[part] = sorted(draw.sample(sorted(codes), min(number, len(codes))))
            left += [name for name in chosen[part] if codes[name] is None]
        if left:
            mutmut(folder, "run", *processes, *left)
        lines = page(folder, chosen, parts)
    print("\n".join(lines))
    keep(options.write, "mutation", "Faults that the tests notice", lines)


if __name__ == "__main__":
    main()
