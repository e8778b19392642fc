"""The accuracy table: five sigmas by five sizes by four estimators, 500 samples each; seed 6.

A second run goes on from what is kept in benchmarks/results/study_accuracy.jsonl.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.runner import AFRESH, RESULTS, Option, benchmark, figures, head, number, row
from quantize import compare_estimators

KEPT = RESULTS / "study_accuracy.jsonl"
ESTIMATORS = ("cosine score", "phase-free power", "least squares", "mixture, sigma known")
GRID = {"sigma": [0.10, 0.15, 0.20, 0.25, 0.30], "n": [10, 20, 30, 50, 100]}
PARTS = {
    "Share right": "right",
    "Answers u/2 or u/3": "fractions",
    "95 % intervals that hold the unit": "coverage",
    "Error of right answers over the Cramér–Rao bound": "over_bound",
    "Steps found at the 5 % level (of the two that have a p-value)": "power",
}


@benchmark(
    "Accuracy by sharpness and number of readings",
    number("--replicates", 500, 3),
    Option("--workers", type=int, help="processes"),
    AFRESH,
)
def main(options: Any) -> Iterator[str]:
    """The lines of the page: shares right, wrong answers, coverage, errors."""
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / KEPT.name if options.tiny else KEPT
        kept.parent.mkdir(exist_ok=True)
        if options.afresh:
            kept.unlink(missing_ok=True)
        begin = time.perf_counter()
        found = compare_estimators(
            ESTIMATORS,
            {name: values[: 2 if options.tiny else None] for name, values in GRID.items()},
            replicates=options.replicates,
            rng=6,
            workers=options.workers,
            checkpoint=kept,
            progress=True,
        )
        seconds = time.perf_counter() - begin
    yield (
        f"{found.replicates} simulated samples in each cell, the same for every estimator; whole "
        "numbers uniform on 1 … 8, normal errors, units from 0.3 to 3 tried, the unit 1. An answer "
        f"is right within {100 * found.tolerance:g} %. Standard error of a share at most "
        f"{0.5 / np.sqrt(found.replicates):.3f}."
    )
    yield from ("", "In each cell: " + " / ".join(ESTIMATORS) + ".")
    table = found.table.assign(fractions=found.table["half"] + found.table["third"])
    sizes = [n for n in GRID["n"] if n in set(table["n"])]
    for title, column in PARTS.items():
        yield from ("", f"## {title}", "", *head("sigma/unit", *(f"n = {n}" for n in sizes)))
        for spread, rows in table.groupby("sigma_over_unit"):
            cells = (figures(rows[rows["n"] == n][column].dropna(), 2, " / ") for n in sizes)
            yield row(f"{spread:.2f}", *cells)
    medians = found.timing.groupby("estimator", sort=False)["seconds"].median()
    times = ", ".join(f"{name} {1000 * value:.0f} ms" for name, value in medians.items())
    yield from ("", f"Median time of an estimate: {times}. This run: {seconds / 60:.1f} minutes.")


if __name__ == "__main__":
    main()
