"""False "steps" on data without steps, and power on combs.

``python -m benchmarks.false_alarms`` draws fresh samples of every family of `benchmarks.families`
(the named ones, and those that took no part in the calibration), calls `analyze` on each at its
default band, and counts verdicts of "steps" at the levels 0.05 and 0.01. Counts go to
benchmarks/results/false_alarms.json as they come. ``--write docs/tables`` writes the table,
``--resume`` goes on where a run stopped, ``--tiny`` makes a sample a cell and keeps nothing,
``--table`` analyzes no more samples.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from scipy.stats import binom

from benchmarks import tables
from benchmarks.families import COMBS, HELD_OUT, NAMED, Family, comb
from quantize import InputError, analyze
from quantize._support.parallel import ordered_map

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "false_alarms.json"
SEED = 79
SIZES = (5, 8, 20, 60, 200)
ALPHAS = (0.05, 0.01)
PIECE = 25
"""Samples that one task analyzes."""


def p_value(values: np.ndarray, unit_range: tuple[float, float] | None = None) -> float:
    """The p-value of `analyze`, 1 where a guard objects or no comb can show."""
    try:
        found = analyze(values, unit_range, n_resamples=99, rng=0)
    except InputError:
        return 1.0
    return 1.0 if any(finding.blocks for finding in found.findings) else found.p_value


def fixed_cells() -> Iterator[tuple[str, Family, int]]:
    """Key, family and size of every cell of the fixed-size study."""
    for n in SIZES:
        for label, (integers, spread, size, _) in COMBS.items():
            if size == n or (n == 60 and size == 40):
                yield f"power/{label}/{size}", comb(integers, spread), size
        for group, collection in (("named", NAMED), ("held out", HELD_OUT)):
            for families in collection.values():
                for label, family in families.items():
                    yield f"{group}/{label}/{n}", family, n


def hits(task: tuple[int, int, int]) -> list[int]:
    """Samples first to last of one cell that are called "steps" at each alpha."""
    number, first, last = task
    _, family, n = list(fixed_cells())[number]
    p = [p_value(family(np.random.default_rng([SEED, number, i]), n)) for i in range(first, last)]
    return [int(np.sum(np.array(p) <= alpha)) for alpha in ALPHAS]


def run(results: dict[str, Any], keep: Path, samples: dict[int, int], workers: int = 1) -> None:
    """Fill the cells; what is there already is kept."""
    cells = results.setdefault("fixed", {})
    tasks, keys = [], []
    for number, (key, _, n) in enumerate(fixed_cells()):
        cell = cells.setdefault(key, {"samples": 0, "0.05": 0, "0.01": 0})
        for first in range(cell["samples"], samples[n], PIECE):
            tasks.append((number, first, min(first + PIECE, samples[n])))
            keys.append(key)
    for key, task, found in zip(keys, tasks, ordered_map(hits, tasks, workers), strict=True):
        cell = cells[key]
        cell["samples"] = task[2]
        for alpha, count in zip(ALPHAS, found, strict=True):
            cell[str(alpha)] += count
        save(results, keep)
        if task[2] == samples[next(n for k, _, n in fixed_cells() if k == key)]:
            print(key, cell, file=sys.stderr, flush=True)
    save(results, keep)


def save(results: dict[str, Any], keep: Path) -> None:
    """Write the counts with what reproduces them."""
    results["schema"] = "quantize.false_alarms/3"
    results["seed"] = SEED
    results["versions"] = {
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
    }
    keep.parent.mkdir(parents=True, exist_ok=True)
    keep.write_text(json.dumps(results, indent=1) + "\n")


def bound(samples: int, alpha: float, cells: int) -> int:
    """Most hits that a true rate of alpha gives, in all of `cells` at once, 95 times in 100."""
    return int(binom.ppf(1 - 0.05 / cells, samples, alpha))


def table(results: dict[str, Any]) -> list[str]:
    """The lines of the page."""
    cells = results["fixed"]
    nulls = {k: v for k, v in cells.items() if not k.startswith("power") and v["samples"]}
    lines = [
        "The counts are in `benchmarks/results/false_alarms.json`, the calibration is that of",
        "`python -m benchmarks.calibrate`. Each entry is the share of samples called steps at",
        "0.05 / 0.01, each at its default band; in brackets the samples.",
        "",
    ]
    for group, title in (
        ("named", "Families that the calibration knows"),
        ("held out", "Families that it has never seen"),
    ):
        labels = list(dict.fromkeys(k.split("/")[1] for k in nulls if k.startswith(group)))
        lines += [f"## {title}", "", "| family | " + " | ".join(f"n = {n}" for n in SIZES) + " |"]
        lines += ["|---|" + "---|" * len(SIZES)]
        for label in labels:
            row = [_entry(nulls.get(f"{group}/{label}/{n}"), len(nulls)) for n in SIZES]
            lines.append(f"| {label} | " + " | ".join(row) + " |")
        lines.append("")
    over = sum(
        v[str(a)] > bound(v["samples"], a, 2 * len(nulls)) for v in nulls.values() for a in ALPHAS
    )
    lines += [
        f"An asterisk marks a count above the simultaneous 95 % binomial bound over all "
        f"{2 * len(nulls)} entries: {over} of them.",
        "",
        "## Power at 5 %",
        "",
        "| comb | share found | samples | aimed at |",
        "|---|---|---|---|",
    ]
    for key, cell in cells.items():
        if key.startswith("power") and cell["samples"]:
            label = key.split("/", 1)[1].rsplit("/", 1)[0]
            share = cell["0.05"] / cell["samples"]
            lines.append(f"| {label} | {share:.2f} | {cell['samples']} | {COMBS[label][3]:.2f} |")
    return lines


def _entry(cell: dict[str, int] | None, cells: int) -> str:
    if cell is None:
        return "not run"
    shown = []
    for alpha in ALPHAS:
        hits = cell[str(alpha)]
        mark = "\\*" if hits > bound(cell["samples"], alpha, 2 * cells) else ""
        shown.append(f"{hits / cell['samples']:.3f}{mark}")
    return " / ".join(shown) + f" ({cell['samples']})"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tiny", action="store_true", help="a sample a cell, nothing kept")
    parser.add_argument("--resume", action="store_true", help="go on with the kept counts")
    parser.add_argument("--table", action="store_true", help="only the table of kept counts")
    parser.add_argument("--replicates", type=int, default=500, help="samples a cell")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--sizes", type=int, nargs="+", default=[*SIZES, 40], help="some sizes")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args()
    if options.tiny:
        with tempfile.TemporaryDirectory() as folder:
            results: dict[str, Any] = {}
            run(results, Path(folder) / "tiny.json", {5: 0, 8: 1, 20: 0, 40: 0, 60: 0, 200: 0})
            print("\n".join(table(results)))
        return
    results = {}
    if (options.resume or options.table) and RESULTS.exists():
        results = json.loads(RESULTS.read_text())
    if not options.table:
        many = options.replicates
        parts = {5: 1.0, 8: 1.0, 20: 1.0, 40: 1.0, 60: 0.5, 200: 0.1}
        wanted = {n: round(part * many) * (n in options.sizes) for n, part in parts.items()}
        run(results, RESULTS, wanted, options.workers)
    lines = table(results)
    print("\n".join(lines))
    tables.keep(options.write, "false_alarms", "False alarms and power", lines)


if __name__ == "__main__":
    main()
