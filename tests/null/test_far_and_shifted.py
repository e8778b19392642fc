"""With a free offset nothing depends on where the readings lie."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import logsumexp

import quantize as qz
from quantize.comb.band import Band
from quantize.null.statistics import LargestScore
from quantize.null.teeth import comb_likelihood


def test_the_largest_power_of_far_readings() -> None:
    rng = np.random.default_rng(4)
    x = rng.integers(1, 9, size=30) + 0.1 * rng.normal(size=30)
    band = Band(low=0.5, high=2.5, chosen=False, reason="")
    statistic = LargestScore.of(qz.Readings(x), band, offset=0.0, free=True)
    # Beside the direct sum over a grid of frequencies twice as fine.
    f = np.linspace(1 / 2.5, 1 / 0.5, 4001)
    direct = (np.abs(np.exp(2j * np.pi * x * f[:, None]).sum(axis=1)) ** 2 / 30).max()
    near, far = statistic(x)[0], statistic(x + 2.0**40)[0]
    assert near == pytest.approx(direct, rel=0.03)
    # Readings near 2^40 keep 2^−12 of a unit; the rest is rounding of the readings themselves.
    moved = (x + 2.0**40) - 2.0**40
    assert far == pytest.approx(statistic(moved)[0], rel=1e-9)


@pytest.mark.parametrize("seed", [9, 10, 11])
def test_the_combs_evidence_against_a_plain_double_integral(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.sort(0.5 + rng.integers(0, 9, size=7) + 0.04 * rng.normal(size=7))
    found = comb_likelihood(x, np.ones(7), np.array([0.04]), 0.7, 2.0, free=True)
    unit = np.geomspace(0.7, 2.0, 4001)
    start = (np.arange(240) + 0.5) / 240
    total = []
    for u in unit:
        turns = x / u - start[:, None]
        off = u * (turns - np.rint(turns))
        # Uniform over one unit of offset; each reading on its nearest tooth.
        total.append(logsumexp(stats.norm.logpdf(off, 0, 0.04).sum(axis=1)) - np.log(240))
    expected = logsumexp(total) - np.log(unit.size)
    # Sets of numbers far from any least-squares comb are left out: a few hundredths.
    assert logsumexp(found.log_nearest[:, 0]) == pytest.approx(expected, abs=0.05)
