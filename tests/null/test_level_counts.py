"""Levels that are occupied and their greatest common divisor, against counts by hand."""

import math

import numpy as np

import quantize as qz
from quantize.null.guards import _level_counts


def samples(n, sigma, count=3):
    rng = np.random.default_rng([n, round(100 * sigma)])
    for _ in range(count):
        yield rng.integers(-4, 5, size=n) + sigma * rng.normal(size=n)


def test_levels_and_divisors_are_counted_as_by_hand():
    for x in samples(12, 0.25):
        found = qz.fit_mixture(np.round(2 * x, 2), (0.5, 3))
        counts, divisors = _level_counts(found)
        assert counts.shape == divisors.shape == (500,)
        sharp = qz.fit_mixture(np.rint(x) + 0.001 * x, (0.8, 1.3))
        whole = {abs(int(k)) for k in sharp.integers} - {0}
        counts, divisors = _level_counts(sharp)
        assert set(counts) == {len(whole)}
        assert set(divisors) == {math.gcd(*whole)}
