"""The unit of many blurred readings: how far off it is, in its own errors, and how often they hold.

{samples} samples a cell, whole numbers from −4 to 4, unit 1, normal errors (seed 5), units from 0.9
to 1.2 tried, by `fit_mixture`, which takes readings one by one, and by `fit_counts`, which takes
them in bins. The mean error of the unit is in its stated standard errors, ± {error:.2f}; then the
share of 95 % sets that hold it, and the error with the bias left in.
"""

from __future__ import annotations

import numpy as np

import quantize as qz
from benchmarks.combs import comb, whole_uniform
from benchmarks.runner import WORKERS, Lines, Options, benchmark, holds, number, row, told
from quantize._support.parallel import ordered_map

CELLS = tuple((n, spread) for n in (100, 400, 1000, 2000) for spread in (0.1, 0.2, 0.25))
UNIT_RANGE = (0.9, 1.2)


def one(task: tuple[int, float, int]) -> tuple[float, ...]:
    """Errors of the unit in standard errors, and whether the 95 % hold it, of both estimators.

    The third is the error of the first with the bias that is taken off (`quantize.model.bias`).
    """
    n, spread, seed = task
    values = comb(whole_uniform, spread)(np.random.default_rng([5, seed]), n)
    fit, binned = qz.fit_mixture(values, UNIT_RANGE), qz.counts.fit_counts(values, UNIT_RANGE)
    nodes = fit.posterior._nodes
    before = float(nodes.share @ np.exp(nodes.log_unit) / nodes.share.sum())
    off, off_binned = ((f.unit - 1) / f.unit_err for f in (fit, binned))
    return off, holds(fit, 1), (before - 1) / fit.unit_err, off_binned, holds(binned, 1)


@benchmark("Many blurred readings", number("--samples", 60, 1), WORKERS)
def main(options: Options) -> Lines:
    samples, one_by_one = options.samples, ("mean error, one by one", "they hold", "bias left in")
    names = ("readings", "sigma/unit", *one_by_one, "mean error, in bins", "hold, in bins")
    yield from told(__doc__, options, *names, error=1 / np.sqrt(samples))
    for n, spread in options.first(CELLS, 2):
        tasks = [(n, spread, seed) for seed in range(samples)]
        means = np.mean(list(ordered_map(one, tasks, options.workers)), axis=0)
        signs = zip(means, ("+", "", "+", "+", ""), strict=True)
        yield row(n, f"{spread:g}", *(f"{mean:{sign}.2f}" for mean, sign in signs))
