"""The sum over cuts, against direct integration over the levels and an enumeration."""

from itertools import combinations, pairwise
from math import lgamma

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import dirichlet_multinomial, norm

from quantize.null.cuts import RESTAURANTS, log_any_number, log_own_widths, log_partition_sums
from quantize.null.envelopes import log_falling
from quantize.null.occupancy import CONCENTRATIONS, log_norm, log_seats, seat

VALUES = np.array([-1.3, -1.1, 0.2, 0.25, 1.9])
FACTOR = np.array([1.0, 0.5, 1.0, 2.0, 1.0])


def cuts(n):
    for pieces in range(1, n + 1):
        for inner in combinations(range(1, n), pieces - 1):
            ends = [0, *inner, n]
            yield list(pairwise(ends))


def group_likelihood(values, factor, sigma):
    """The level integrated over the line by quadrature (scipy)."""

    def joint(level):
        return np.prod(norm.pdf(values, level, sigma * np.sqrt(factor)))

    middle = float(np.mean(values))
    return quad(joint, middle - 12 * sigma, middle + 12 * sigma, epsabs=0, limit=400)[0]


@pytest.mark.parametrize("sigma", [0.15, 0.6])
def test_sum_over_cuts_is_the_enumeration_with_levels_integrated_numerically(sigma):
    n = VALUES.size
    table = log_partition_sums(VALUES, FACTOR, np.array([sigma]), log_seats(n), n)[0]
    for a, concentration in enumerate(CONCENTRATIONS):
        expected = np.zeros(n + 1)
        for pieces in cuts(n):
            product = 1.0
            for start, stop in pieces:
                product *= group_likelihood(VALUES[start:stop], FACTOR[start:stop], sigma)
                if np.isfinite(concentration):
                    size = stop - start
                    product *= np.exp(lgamma(concentration + size) - lgamma(concentration))
            expected[len(pieces)] += product
        assert_allclose(np.exp(table[a][1:]), expected[1:], rtol=1e-6)


def test_any_number_is_the_chinese_restaurant_sum_over_cuts():
    sigma, window, n = 0.3, 5.0, VALUES.size
    expected = 0.0
    for theta in RESTAURANTS:
        for pieces in cuts(n):
            product = np.exp(lgamma(theta) - lgamma(theta + n))
            for start, stop in pieces:
                likelihood = group_likelihood(VALUES[start:stop], FACTOR[start:stop], sigma)
                product *= theta * np.exp(lgamma(stop - start)) * likelihood / window
            expected += product / len(RESTAURANTS)
    found = log_any_number(VALUES, FACTOR, np.array([sigma]), window)[0]
    assert_allclose(found, np.log(expected), rtol=1e-7)


def test_own_widths_with_one_width_is_any_number():
    ones = np.ones(VALUES.size)
    width = np.array([0.4])
    assert_allclose(
        log_own_widths(VALUES, width, 5.0), log_any_number(VALUES, ones, width, 5.0)[0], rtol=1e-12
    )


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
    found = seat(integers, free=False)
    assert found.teeth.tolist() == [7, 6, 7]
    assert found.occupied.tolist() == [2, 3, 3]
    assert found.coprime.tolist() == [False, True, False]
    free = seat(integers, free=True)
    assert free.occupied.tolist() == [4, 4, 3]
    assert free.coprime.tolist() == [False, True, False]


def test_seating_gives_the_dirichlet_multinomial_of_its_counts():
    found = seat(np.array([[1, 1, 1, 3, 4]]), free=False)
    expected = log_norm(np.array([4]), 5)[:, 0] + log_seats(5)[:, 3] + 2 * log_seats(5)[:, 1]
    assert_allclose(found.log_shares[:, 0], expected, rtol=1e-12)


def test_falling_factorial():
    table = np.exp(log_falling(np.array([3]), 5)[0])
    assert_allclose(table, [1, 3, 6, 6, 0, 0], atol=1e-12)
