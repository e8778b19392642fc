"""Sums over the cuts of levels into groups, against integrals over the levels, enumerated."""

from functools import cache
from itertools import combinations, pairwise
from math import lgamma

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import dirichlet_multinomial

from quantize.null.envelopes import log_broad_lumps
from quantize.null.occupancy import CONCENTRATIONS, log_falling, log_norm, log_seats, seat
from quantize.null.partitions import (
    RESTAURANTS,
    log_any_number,
    log_own_widths,
    log_partition_sums,
)

VALUES = np.array([-1.3, -1.1, 0.2, 0.25, 1.9])
FACTOR = np.array([1.0, 0.5, 1.0, 2.0, 1.0])
ONE = np.ones(5, dtype=np.int64)
COUNT = np.array([1, 3, 1, 2, 1])
"""Levels for which each value stands, where neighbours were merged."""


def cuts(n):
    for pieces in range(1, n + 1):
        for inner in combinations(range(1, n), pieces - 1):
            ends = [0, *inner, n]
            yield list(pairwise(ends))


def group_likelihood(values, factor, sigma):
    """The level integrated over the line by quadrature (scipy)."""
    return _group_likelihood(tuple(values), tuple(factor), float(sigma))


@cache
def _group_likelihood(values, factor, sigma):
    x, deviation = np.array(values), sigma * np.sqrt(factor)

    def joint(level):
        return np.prod(np.exp(-0.5 * ((x - level) / deviation) ** 2) / deviation)

    middle = float(np.mean(x))
    area = quad(joint, middle - 12 * sigma, middle + 12 * sigma, epsabs=0, limit=400)[0]
    return area * (2 * np.pi) ** (-0.5 * x.size)


@pytest.mark.parametrize("count", [ONE, COUNT], ids=["one each", "merged"])
@pytest.mark.parametrize("sigma", [0.15, 0.6])
@pytest.mark.parametrize("one_scale", [True, False])
def test_sum_over_cuts_is_the_enumeration_with_levels_integrated_numerically(
    sigma, count, one_scale, monkeypatch
):
    if not one_scale:
        monkeypatch.setattr("quantize.null.partitions.ONE_SCALE", 0)
    n = VALUES.size
    seats = log_seats(int(count.sum()))
    table = log_partition_sums(VALUES, sigma**2 * FACTOR[None], count, seats, n)[0]
    for a, concentration in enumerate(CONCENTRATIONS):
        expected = np.zeros(n + 1)
        for pieces in cuts(n):
            product = 1.0
            for start, stop in pieces:
                product *= group_likelihood(VALUES[start:stop], FACTOR[start:stop], sigma)
                if np.isfinite(concentration):
                    size = int(count[start:stop].sum())
                    product *= np.exp(lgamma(concentration + size) - lgamma(concentration))
            expected[len(pieces)] += product
        assert_allclose(np.exp(table[a][1:]), expected[1:], rtol=1e-6)


@pytest.mark.parametrize("count", [ONE, COUNT], ids=["one each", "merged"])
def test_any_number_is_the_chinese_restaurant_sum_over_cuts(count):
    sigma, window, total = 0.3, 5.0, int(count.sum())
    expected = 0.0
    for theta in RESTAURANTS:
        for pieces in cuts(VALUES.size):
            product = np.exp(lgamma(theta) - lgamma(theta + total))
            for start, stop in pieces:
                likelihood = group_likelihood(VALUES[start:stop], FACTOR[start:stop], sigma)
                size = int(count[start:stop].sum())
                product *= theta * np.exp(lgamma(size)) * likelihood / window
            expected += product / len(RESTAURANTS)
    found = log_any_number(VALUES, sigma**2 * FACTOR[None], count, window)[0]
    assert_allclose(found, np.log(expected), rtol=1e-7)


def test_own_widths_with_one_width_is_any_number():
    found = log_own_widths(VALUES, ONE, np.zeros(5), np.array([0.4]), 5.0)
    assert_allclose(found, log_any_number(VALUES, np.full((1, 5), 0.16), ONE, 5.0)[0], rtol=1e-12)


def test_own_widths_is_the_sum_over_cuts_with_a_width_for_each_group():
    """Every group has its own mean over the widths; merged levels lie about their item's value."""
    members = [[-1.3], [-1.15, -1.1, -1.05], [0.2], [0.2, 0.3], [1.9]]
    inner = np.array([np.sum(np.square(np.array(m) - np.mean(m))) for m in members])
    values = np.array([np.mean(m) for m in members])
    widths, window = np.array([0.1, 0.5]), 5.0
    expected = 0.0
    for theta in RESTAURANTS:
        for pieces in cuts(5):
            product = np.exp(lgamma(theta) - lgamma(theta + COUNT.sum()))
            for start, stop in pieces:
                levels = np.concatenate(members[start:stop])
                mean = np.mean([group_likelihood(levels, np.ones(levels.size), w) for w in widths])
                product *= theta * np.exp(lgamma(levels.size)) * mean / window
            expected += product / len(RESTAURANTS)
    found = log_own_widths(values, COUNT, inner, widths, window)
    assert_allclose(found, np.log(expected), rtol=1e-7)


@pytest.mark.parametrize("merged", [False, True])
def test_broad_lumps_are_a_mixture_over_their_number_and_width(merged):
    """One to six lumps, their places anywhere on the widened range, their shares flat."""
    members = [[-1.3], [-1.15, -1.1, -1.05], [0.2], [0.2, 0.3], [1.9]]
    if not merged:
        members = [[v] for v in VALUES]
    values = np.array([np.mean(m) for m in members])
    count = np.array([len(m) for m in members])
    inner = np.array([np.sum(np.square(np.array(m) - np.mean(m))) for m in members])
    n, span = int(count.sum()), float(np.ptp(values))
    window = span * (n + 1) / (n - 1)
    expected = 0.0
    for width in np.geomspace(span / 12, span / 2, 6):
        for lumps in range(1, 7):
            for pieces in cuts(5):
                # Lumps of the six that hold these groups, in any order.
                product = np.exp(log_falling(np.array([lumps]), 5)[0, len(pieces)])
                product *= np.exp(lgamma(lumps) - lgamma(lumps + n))
                for start, stop in pieces:
                    levels = np.concatenate(members[start:stop])
                    likelihood = group_likelihood(levels, np.ones(levels.size), width)
                    product *= np.exp(lgamma(1 + levels.size)) * likelihood / window
                expected += product / 36
    assert_allclose(log_broad_lumps(values, count, inner), np.log(expected), rtol=1e-7)


@pytest.mark.parametrize("counts", [(3, 0, 2, 1), (6, 0, 0, 0), (1, 2, 2, 1)])
def test_occupancy_is_scipys_dirichlet_multinomial(counts):
    """Divided by the number of orders: occupancies here belong to labelled readings."""
    n, levels = sum(counts), len(counts)
    orders = lgamma(n + 1) - sum(lgamma(m + 1) for m in counts)
    for a, concentration in enumerate(CONCENTRATIONS):
        found = log_norm(np.array([levels]), n)[a][0] + sum(log_seats(n)[a][m] for m in counts)
        if np.isfinite(concentration):
            alpha = np.full(levels, concentration)
            expected = dirichlet_multinomial.logpmf(counts, alpha, n) - orders
        else:
            expected = -n * np.log(levels)
        assert_allclose(found, expected, rtol=1e-10)


def test_seating_counts_teeth_levels_and_common_divisors():
    integers = np.array([[-2, -2, 0, 2, 4], [-3, -1, 1, 2, 2], [3, 3, 6, 9, 9]])
    found = seat(integers, ONE, free=False)
    assert found.teeth.tolist() == [7, 6, 7]
    assert found.occupied.tolist() == [2, 3, 3]
    assert found.coprime.tolist() == [False, True, False]
    free = seat(integers, ONE, free=True)
    assert free.occupied.tolist() == [4, 4, 3]
    assert free.coprime.tolist() == [False, True, False]


def test_seating_gives_the_dirichlet_multinomial_of_its_counts():
    found = seat(np.array([[1, 1, 1, 3, 4]]), ONE, free=False)
    expected = log_norm(np.array([4]), 5)[:, 0] + log_seats(5)[:, 3] + 2 * log_seats(5)[:, 1]
    assert_allclose(found.log_shares[:, 0], expected, rtol=1e-12)
    # Items that stand for several levels count as so many.
    merged = seat(np.array([[1, 3, 4]]), np.array([3, 1, 1]), free=False)
    assert_allclose(merged.log_shares, found.log_shares, rtol=1e-12)


def test_falling_factorial():
    table = np.exp(log_falling(np.array([3]), 5)[0])
    assert_allclose(table, [1, 3, 6, 6, 0, 0], atol=1e-12)
