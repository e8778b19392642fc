"""Levels that are occupied and their greatest common divisor, against counts by hand."""

import math

import numpy as np
import pytest

import quantize as qz
from quantize.null.occupancy import seat


def samples(n, sigma, count=3):
    rng = np.random.default_rng([n, round(100 * sigma)])
    for _ in range(count):
        yield rng.integers(-4, 5, size=n) + sigma * rng.normal(size=n)


@pytest.mark.parametrize("unit_range", [(0.5, 3), (1.6, 2.6), (3.2, 5.2)])
def test_levels_and_divisors_are_counted_as_by_hand(unit_range):
    for x in samples(12, 0.25):
        found = qz.fit_mixture(np.round(2 * x, 2), unit_range)
        drawn = np.sort(found.posterior.integers_in_best_mode(500, 0), axis=1)
        seating = seat(drawn, np.ones(12, dtype=np.int64), free=False)
        whole = [{abs(int(k)) for k in row} - {0} for row in drawn]
        assert seating.occupied.tolist() == [len(levels) for levels in whole]
        assert seating.coprime.tolist() == [math.gcd(*levels) == 1 for levels in whole]
