"""The accuracy table: five sigmas by five sizes by four estimators.

{replicates} simulated samples in each cell, the same for every estimator; whole numbers uniform on
1 … 8, normal errors, units from 0.3 to 3 tried, the unit 1, seed 6. An answer is right within 5 %.
Standard error of a share at most {error:.3f}.

In each cell: cosine score / phase-free power / least squares / mixture, sigma known.
"""

from __future__ import annotations

import time

import numpy as np

from benchmarks.runner import KEEP, WORKERS, Lines, Options, benchmark, head, number, row, told
from quantize import compare_estimators

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
    WORKERS,
    KEEP,
)
def main(options: Options) -> Lines:
    """The lines of the page: shares right, wrong answers, coverage, errors."""
    yield from told(__doc__, options, error=0.5 / np.sqrt(options.replicates))
    begin = time.perf_counter()
    found = compare_estimators(
        conditions={name: options.first(values, 2) for name, values in GRID.items()},
        replicates=options.replicates,
        rng=6,
        workers=options.workers,
        checkpoint=options.keep,
        progress=True,
    )
    seconds = time.perf_counter() - begin
    table = found.table.assign(fractions=found.table["half"] + found.table["third"])
    sizes = [n for n in GRID["n"] if n in set(table["n"])]
    for title, column in PARTS.items():
        yield from (f"## {title}", "", *head("sigma/unit", *(f"n = {n}" for n in sizes)))
        for spread, rows in table.groupby("sigma_over_unit"):
            cells = (rows[rows["n"] == n][column].dropna() for n in sizes)
            shown = (" / ".join(f"{value:.2f}" for value in cell) for cell in cells)
            yield row(f"{spread:.2f}", *shown)
        yield ""
    medians = found.timing.groupby("estimator", sort=False)["seconds"].median()
    times = ", ".join(f"{name} {1000 * value:.0f} ms" for name, value in medians.items())
    yield f"Median time of an estimate: {times}. This run: {seconds / 60:.1f} minutes."
