"""How many small faults in the statistics and in the charge formulas the tests notice.

Faults planted one at a time by mutmut, a random sample of each part (seed {seed}); the tests of
these parts that belong to the short suite have to notice them: those that reach the faulty function
run until one fails or they take too long. The share noticed has its 95 % interval (Clopper and
Pearson). In the last column the survivors that change nothing that is promised ("same") are left
out. Tests that are written for survivors flatter the same sample; another seed draws others.
"""

# `--keep FOLDER` keeps the copy of the tree with what is finished, and goes on from there. The
# reason of a survivor is written into the table by hand, and stays when the table is made again.

from __future__ import annotations

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

from benchmarks.runner import (
    KEEP,
    ROOT,
    WORKERS,
    Lines,
    Option,
    Options,
    benchmark,
    figures,
    head,
    number,
    row,
)
from quantize.studies import binomial_interval

Codes = dict[str, int | None]
"""What the tests of a fault ended with, by its name; None where they did not run."""
FORMULAS = (
    *("air", "coulombs", "drag", "fall", "noise", "propagation"),
    *("quantity", "reticle", "routes", "rows", "sphere"),
)
PARTS = {
    "comb": ["quantize/comb/*"],
    "model": ["quantize/model/*"],
    "null": ["quantize/null/*"],
    "charge formulas": [f"quantize/charge/{name}.py" for name in FORMULAS],
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
UNNOTICED = (0, 5, 33, None)
"""What mutmut notes where every test passed, where none calls the function, and before it ran."""


def copy_tree(folder: Path, parts: dict[str, list[str]], tests: Sequence[str]) -> None:
    """The files of the project, with what mutmut is to do with them in pyproject.toml."""
    left_out = shutil.ignore_patterns(".*", "__pycache__", "_build", "_figures", "results")
    shutil.copytree(ROOT, folder, ignore=left_out)
    others = sorted({path.name for path in folder.iterdir()} - {"quantize", "pyproject.toml"})
    settings = {
        "source_paths": ["quantize"],
        "only_mutate": [pattern for patterns in parts.values() for pattern in patterns],
        "also_copy": others,
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
        [program, *words], cwd=folder, env=environment, capture_output=True, text=True
    )
    if done.returncode:
        raise SystemExit(f"mutmut {words[0]} ended with {done.returncode}:\n{done.stdout[-3000:]}")
    return done.stdout


def planted(folder: Path, patterns: Sequence[str]) -> Codes:
    """Every fault of a part."""
    files = [file for each in patterns for file in (folder / "mutants").glob(f"{each}.meta")]
    found: Codes = {}
    for file in sorted(files):
        found |= json.loads(file.read_text(encoding="utf-8"))["exit_code_by_key"]
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
    return row(where, *(f"`{cell}`" for cell in cells))


def reasons() -> dict[str, str]:
    """The last cell of each row of the table as it stands, by the cells before it."""
    file = ROOT / "docs" / "tables" / "mutation.md"
    text = file.read_text(encoding="utf-8") if file.exists() else ""
    return {row[1]: row[2] for row in re.finditer(r"^(\|.*\|) (\S.*) \|$", text, re.M)}


def tried(options: Options, folder: Path) -> tuple[dict[str, int], dict[str, Codes]]:
    """How many faults each part has, and what came of those that were drawn."""
    parts, tests = (TINY, TINY_TESTS) if options.tiny else (PARTS, TESTS)
    run = ("run", "--max-children", str(options.workers))
    if not folder.exists():
        copy_tree(folder, parts, tests)
        mutmut(folder, *run, SOME)
    draw, every = random.Random(options.seed), {k: planted(folder, v) for k, v in parts.items()}
    drawn = {
        part: sorted(draw.sample(sorted(faults), min(options.faults, len(faults))))
        for part, faults in every.items()
    }
    left = [name for part, names in drawn.items() for name in names if every[part][name] is None]
    if left:
        mutmut(folder, *run, *left)
    codes = {part: planted(folder, parts[part]) for part in parts}
    sizes = {part: len(faults) for part, faults in every.items()}
    return sizes, {part: {n: codes[part][n] for n in names} for part, names in drawn.items()}


@benchmark(
    "Faults that the tests notice",
    number("--faults", 50, 1, "faults of each part"),
    Option("--seed", type=int, default=91, help="of the sample"),
    WORKERS,
    KEEP,
    columns=("part", "all faults", "tried", "noticed", "interval", "without the harmless"),
)
def main(options: Options) -> Lines:
    """Plant, run, and give the lines of the page."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary) / "tree"
        sizes, drawn = tried(options, folder)
        together = {name: code for codes in drawn.values() for name, code in codes.items()}
        lost = {n: survivor(folder, n) for n, code in together.items() if code in UNNOTICED}
    why = reasons()
    rows = {name: f"{line} {why.get(line, '')} |" for name, line in lost.items()}
    harmless = {name for name, line in rows.items() if "| same" in line}
    for part, codes in [*drawn.items(), ("together", together)]:
        seen, n = len(codes.keys() - lost.keys()), len(codes)
        bounds = figures(binomial_interval(seen, n), between=" to ")
        without = seen / max(n - len(harmless & codes.keys()), 1)
        yield row(
            part, sizes.get(part, sum(sizes.values())), n, seen / n, bounds, without, digits=3
        )
    yield from ("", "## What survives", "", *head("where", "line", "fault", "why"), *rows.values())
