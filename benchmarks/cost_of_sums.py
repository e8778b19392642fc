"""What it costs to guard against sums of two units: power against the false "steps" allowed there.

The weights of the kinds of null are searched several times with the samples that
`benchmarks.calibrate` drew and kept: every family without steps keeps 5 %, but sums of two units
with larger coefficients are allowed more, from 5 % to all.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from benchmarks import calibrate
from benchmarks.families import LARGER
from benchmarks.runner import benchmark, figures, head
from quantize.null.calibration import mode

SUMS = tuple(LARGER["beyond"])
ALLOWED = (0.05, 0.10, 0.15, 1.0)
"""Of each of these that may be called steps; one says that nothing guards against them."""
PLAIN = mode(sigma_known=False, free=False)


@benchmark("What guarding against sums of two units costs")
def main(options: Any) -> Iterator[str]:
    """The lines of the page; a tiny run draws a few samples of its own."""
    search = calibrate.FEW if options.tiny else {}
    drawn = calibrate.few(PLAIN) if options.tiny else calibrate.draw(0, calibrate.KEPT, 1)
    yield (
        "Families and combs of the calibration, offset zero, sigma unknown, scores before the"
        " guards; every family but the sums with larger coefficients keeps 5 %."
    )
    for n, training in calibrate.TRAINING.items():
        of_size = {key: kept for key, kept in drawn.items() if key[0] == PLAIN and key[3] == n}
        nulls = {k[2]: calibrate.ratios(v) for k, v in of_size.items() if k[1] != "comb" and v}
        combs = {k[2]: calibrate.ratios(v) for k, v in of_size.items() if k[1] == "comb" and v}
        if not combs or not nulls.keys() >= set(SUMS):
            continue
        names = [f"{whole.__name__.strip('_')}, {spread:g}" for whole, spread in training]
        shown = (names[int(label)] for label in combs)
        yield from ("", f"## {n} readings", "", *head("allowed", *SUMS, *shown))
        for allowed in ALLOWED:
            levels = [allowed if label in SUMS else calibrate.LEVEL for label in nulls]
            weights = calibrate.search_weights(
                list(nulls.values()), list(combs.values()), calibrate.SEED + n, levels, **search
            )
            rows = (*(nulls[label] for label in SUMS), *combs.values())
            called = (float(np.mean(calibrate.scores(each, weights) > 0)) for each in rows)
            yield f"| {allowed:.2f} | {figures(called)} |"
