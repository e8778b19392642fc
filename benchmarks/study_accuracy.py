"""The accuracy table: five sigmas by five sizes by four estimators, 500 samples each.

``python -m benchmarks.study_accuracy`` simulates; ``--write docs/tables`` writes the page. Finished
pieces go to benchmarks/results/study_accuracy.jsonl as they come: stopped or killed and started
again, it goes on from there, and ``--afresh`` begins anew. ``--workers 2`` uses two processes.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks.tables import keep
from quantize import compare_estimators
from quantize.studies import Comparison

KEPT = Path(__file__).parent / "results" / "study_accuracy.jsonl"
ESTIMATORS = ("cosine score", "phase-free power", "least squares", "mixture, sigma known")
GRID = {"sigma": [0.10, 0.15, 0.20, 0.25, 0.30], "n": [10, 20, 30, 50, 100]}
SEED = 6


def page(found: Comparison, seconds: float) -> list[str]:
    """The tables: shares right, wrong answers, coverage, errors."""
    lines = [
        f"{found.replicates} simulated samples in each cell, the same for every estimator; whole "
        "numbers uniform on 1 … 8, normal errors, units from 0.3 to 3 tried, the unit 1. An answer "
        f"is right within {100 * found.tolerance:g} %. Standard error of a share at most "
        f"{0.5 / np.sqrt(found.replicates):.3f}.",
        "",
        "In each cell: " + " / ".join(ESTIMATORS) + ".",
    ]
    parts = (
        ("Share right", "right"),
        ("Answers u/2 or u/3", "fractions"),
        ("95 % intervals that hold the unit", "coverage"),
        ("Error of right answers over the Cramér–Rao bound", "over_bound"),
        ("Steps found at the 5 % level (of the two that have a p-value)", "power"),
    )
    table = found.table.assign(fractions=found.table["half"] + found.table["third"])
    for title, column in parts:
        sizes = [n for n in GRID["n"] if n in set(table["n"])]
        lines += ["", f"## {title}", "", "| sigma/unit | " + " | ".join(f"n = {n}" for n in sizes)]
        lines[-1] += " |"
        lines.append("|---" * (len(sizes) + 1) + "|")
        for spread, rows in table.groupby("sigma_over_unit"):
            cells = []
            for n in sizes:
                values = rows[rows["n"] == n][column].dropna()
                cells.append(" / ".join(f"{value:.2f}" for value in values))
            lines.append(f"| {spread:.2f} | " + " | ".join(cells) + " |")
    medians = found.timing.groupby("estimator", sort=False)["seconds"].median()
    times = ", ".join(f"{name} {1000 * value:.0f} ms" for name, value in medians.items())
    lines += ["", f"Median time of an estimate: {times}. This run: {seconds / 60:.1f} minutes."]
    return lines


def main(arguments: list[str] | None = None) -> None:
    """Simulate or go on, and print or write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="three samples a cell, four cells")
    parser.add_argument("--replicates", type=int, default=500, help="samples a cell")
    parser.add_argument("--workers", type=int, help="processes")
    parser.add_argument("--afresh", action="store_true", help="forget what was finished before")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the page to this folder")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / KEPT.name if options.tiny else KEPT
        kept.parent.mkdir(exist_ok=True)
        if options.afresh:
            kept.unlink(missing_ok=True)
        grid = {name: values[:2] for name, values in GRID.items()} if options.tiny else GRID
        begin = time.perf_counter()
        found = compare_estimators(
            ESTIMATORS,
            grid,
            replicates=3 if options.tiny else options.replicates,
            rng=SEED,
            workers=options.workers,
            checkpoint=kept,
            progress=True,
        )
    lines = page(found, time.perf_counter() - begin)
    print("\n".join(lines))
    keep(options.write, "study_accuracy", "Accuracy by sharpness and number of readings", lines)


if __name__ == "__main__":
    main()
