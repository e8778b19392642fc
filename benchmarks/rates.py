"""Rates held against a limit: which are above it, and what a number of samples can find."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import beta, binom

from quantize._support.validation import FloatArray

POWER = 0.9
"""Probability with which a rate is to be found."""


def excess(hits: ArrayLike, samples: ArrayLike, limit: float) -> FloatArray:
    """One-sided p of so many hits or more, where the rate is at most `limit`."""
    p: FloatArray = binom.sf(np.asarray(hits) - 1, samples, limit)
    return p


def holm(p: ArrayLike) -> FloatArray:
    """p-values adjusted for their number by the rule of Holm, in the order given."""
    given = np.asarray(p, float)
    order = np.argsort(given, kind="stable")
    steps = np.maximum.accumulate(given[order] * np.arange(given.size, 0, -1))
    adjusted = np.empty(given.size)
    adjusted[order] = np.minimum(steps, 1.0)
    return adjusted


def found_from(samples: int, limit: float, level: float) -> float:
    """The rate that `samples` find above `limit` with probability `POWER`; 1 where they cannot.

    A binomial count is at least k with probability I(rate; k, n − k + 1), the beta integral.
    """
    least = int(binom.isf(level, samples, limit)) + 1
    if least > samples:
        return 1.0
    return float(beta.ppf(POWER, least, samples - least + 1))


def samples_for(rate: float, limit: float, level: float, most: int = 30_000) -> int:
    """With so many samples or more `rate` is found above `limit` with probability `POWER`."""
    n = np.arange(1, most + 1)
    least = binom.isf(level, n, limit).astype(int) + 1
    missed = np.flatnonzero(binom.sf(least - 1, n, rate) < POWER)
    return int(n[missed[-1]]) + 1
