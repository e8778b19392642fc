"""How many small faults in the statistics and in the charge formulas the tests notice.

The tree is copied, mutmut plants every fault it knows and finds by one run of the tests of these
parts which of them reach which function, and of a random sample of the faults of each part the
tests that reach it run until one fails or they take too long: then it is noticed. ``--keep
FOLDER`` keeps the copy with what is finished; the same command once more tries with the tests as
they are by then what survived and has no reason in the table, and the first count stays. Needs
mutmut (``pip install mutmut``); a tiny run plants one fault and runs one file of tests.
"""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from scipy.stats import binomtest

from benchmarks.runner import KEEP, ROOT, WORKERS, Option, benchmark, head, number, row

Codes = dict[str, dict[str, int | None]]
"""What the tests of a fault ended with, by part and name; None where they did not run."""
PARTS = {
    "comb": ["quantize/comb/*"],
    "model": ["quantize/model/*"],
    "null": ["quantize/null/*"],
    "charge formulas": [
        f"quantize/charge/{name}.py"
        for name in (
            *("air", "coulombs", "drag", "fall", "noise", "propagation"),
            *("quantity", "reticle", "routes", "rows", "sphere"),
        )
    ],
}
"""Files in which faults are planted, by part of the package."""
TINY, TINY_TESTS = {"comb": ["quantize/comb/wrapped.py"]}, ("tests/comb/test_wrapped.py",)
SOME = "quantize.comb.wrapped.*_interval__mutmut_1"
"""A fault that few tests reach, with which mutmut learns which tests reach which function."""
TESTS = (
    *(f"tests/{name}" for name in ("comb", "model", "null", "counts", "charge")),
    *(f"tests/test_{name}.py" for name in ("analysis", "readings", "recording", "golden")),
)
"""The tests of these parts. The others could only notice more."""
FOLDERS = ("quantize", "tests", "benchmarks", "docs", "examples")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE")
EARLIER = (
    "The sample with seed 92 was drawn once, when the answers of the parts had been kept in "
    "`tests/kept`; the last 38 of its faults were tried with those answers and a few single tests, "
    "and count as not noticed where none of these failed. The sample before it (seed 91), of the "
    "tests without them, gave 0.775 at first and 0.838 without the harmless."
)
"""What samples gave before the one on the page."""
UNNOTICED = (0, 5, 33, None)
"""What mutmut notes where every test passed, where none calls the function, and before it ran."""


def copy_tree(folder: Path, parts: dict[str, list[str]], tests: Sequence[str]) -> None:
    """The files of the project, with what mutmut is to do with them in pyproject.toml."""
    for name in FOLDERS:
        ignored = shutil.ignore_patterns("__pycache__", "_build", "_figures")
        shutil.copytree(ROOT / name, folder / name, ignore=ignored)
    for name in FILES:
        shutil.copy(ROOT / name, folder / name)
    settings = {
        "source_paths": ["quantize"],
        "only_mutate": [pattern for patterns in parts.values() for pattern in patterns],
        "also_copy": [n for n in (*FOLDERS, *FILES) if n not in ("quantize", "pyproject.toml")],
        "pytest_add_cli_args_test_selection": list(tests),
        "pytest_add_cli_args": ["-p", "no:cacheprovider"],
        "timeout_constant": 10.0,
        "timeout_multiplier": 3.0,
    }
    with (folder / "pyproject.toml").open("a", encoding="utf-8") as stream:
        # Strings, lists and numbers of TOML are those of JSON.
        stream.write("\n[tool.mutmut]\n")
        stream.writelines(f"{name} = {json.dumps(value)}\n" for name, value in settings.items())


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


def planted(folder: Path, parts: dict[str, list[str]]) -> Codes:
    """Every fault of each part."""
    found: Codes = {part: {} for part in parts}
    for part, patterns in parts.items():
        for pattern in patterns:
            for file in sorted((folder / "mutants").glob(f"{pattern}.meta")):
                found[part] |= json.loads(file.read_text(encoding="utf-8"))["exit_code_by_key"]
    return found


def survivor(folder: Path, name: str) -> str:
    """The beginning of a row for a fault that no test notices: where, the line before and after."""
    lines = mutmut(folder, "show", name).splitlines()
    before, after = (
        " ".join(line[1:].strip() for line in lines if re.match(rf"\{sign}(?!\{sign})", line))
        for sign in "-+"
    )
    where = re.sub(r"\.xǁ|\.x_|__mutmut.*|ǁ", " ", name.removeprefix("quantize.")).strip()
    cells = [text.replace("|", "\\|").replace("`", "'") for text in (before, after)]
    return f"| {where} | `{cells[0]}` | `{cells[1]}` |"


def reasons(file: Path) -> dict[str, str]:
    """The last cell of each row of the table as it stands, by the cells before it."""
    text = file.read_text(encoding="utf-8") if file.exists() else ""
    return {row[1]: row[2] for row in re.finditer(r"^(\|.*\|) (\S.*) \|$", text, re.M)}


def page(seed: int, codes: Codes, first: Codes, rows: dict[str, str]) -> Iterator[str]:
    """The share noticed in each part at first and now, and the rows of those that survive."""
    yield (
        "Faults planted one at a time by mutmut, a random sample of each part (seed "
        f"{seed}); the tests of these parts that belong to the short suite have to notice them. "
        "The share noticed at first, with its 95 % interval (Clopper and Pearson), is that of the "
        "tests as they were when the faults were drawn. The one noticed now counts the tests "
        "written for the survivors, which flatters them: other faults of the same kind were not "
        "looked at. In the last column the survivors that change nothing that is promised "
        '("same") are left out of the first share. ' + EARLIER
    )
    shares = ("noticed at first", "interval", "noticed now", "at first, without the harmless")
    yield from ("", *head("part", "all faults", "tried", *shares))
    harmless = {name for name, line in rows.items() if "| same" in line}
    parts = [(part, codes[part], first[part]) for part in first]
    together = [
        {n: c for part in kind.values() for n, c in part.items()} for kind in (codes, first)
    ]
    for part, faults, drawn in [*parts, ("together", *together)]:
        seen = sum(code not in UNNOTICED for code in drawn.values())
        interval = binomtest(seen, len(drawn)).proportion_ci(0.95)
        now = sum(faults[name] not in UNNOTICED for name in drawn)
        without = seen / (len(drawn) - len(harmless & drawn.keys()))
        bounds = f"{interval.low:.2f} to {interval.high:.2f}"
        at_first, by_now = (f"{count / len(drawn):.3f}" for count in (seen, now))
        yield row(part, len(faults), len(drawn), at_first, bounds, by_now, f"{without:.3f}")
    yield from ("", "## What survives", "", *head("where", "line", "fault", "why"))
    yield from rows.values()


@benchmark(
    "Faults that the tests notice",
    number("--faults", 50, 1, "faults of each part"),
    Option("--seed", type=int, default=91, help="of the sample"),
    WORKERS,
    KEEP,
)
def main(options: Any) -> Iterator[str]:
    """Plant, run, and give the lines of the page."""
    parts, tests = (TINY, TINY_TESTS) if options.tiny else (PARTS, TESTS)
    run = ("run", "--max-children", str(options.workers))
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary) / "tree"
        if not folder.exists():
            copy_tree(folder, parts, tests)
            mutmut(folder, *run, SOME)
        kept = folder / f"first-{options.seed}-{options.faults}.json"
        again = kept.exists()
        if again:
            shutil.copytree(ROOT / "tests", folder / "tests", dirs_exist_ok=True)
        draw, codes = random.Random(options.seed), planted(folder, parts)
        drawn = {
            part: sorted(draw.sample(sorted(faults), min(options.faults, len(faults))))
            for part, faults in codes.items()
        }
        every = [(part, name) for part, names in drawn.items() for name in names]
        why = reasons(ROOT / "docs" / "tables" / "mutation.md")
        left = [
            name
            for part, name in every
            if codes[part][name] is None
            or (again and codes[part][name] in UNNOTICED and survivor(folder, name) not in why)
        ]
        if left:
            mutmut(folder, *run, *left)
            codes = planted(folder, parts)
        if not again:
            now = {part: {name: codes[part][name] for name in drawn[part]} for part in parts}
            kept.write_text(json.dumps(now), encoding="utf-8")
        first = json.loads(kept.read_text(encoding="utf-8"))
        found = {n: survivor(folder, n) for part, n in every if codes[part][n] in UNNOTICED}
    rows = {name: f"{line} {why.get(line, '')} |" for name, line in found.items()}
    yield from page(options.seed, codes, first, rows)


if __name__ == "__main__":
    main()
