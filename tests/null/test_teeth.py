"""The comb's likelihood and the envelopes, against direct integration with scipy."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import beta, norm

from quantize.null.envelopes import log_beta, log_normal, log_sum_exp, log_uniform
from quantize.null.teeth import comb_likelihood

LOW, HIGH = 0.7, 1.6


def page(spread, n=7):
    rng = np.random.default_rng(8)
    return np.sort(rng.integers(-4, 5, size=n) + rng.normal(0, spread, size=n))


def density(values, unit, sigma, offset=0.0):
    teeth = np.arange(-12, 13)[:, None] * unit + offset
    return np.prod(norm.pdf(values, teeth, sigma).sum(axis=0))


@pytest.mark.parametrize("sigma", [0.05, 0.10, 0.2])
def test_sum_over_units_is_the_integral_over_log_unit(sigma):
    """Narrow spreads go by closed form, wide ones by the grid: both are one integral."""
    values = page(sigma)
    one = np.ones(values.size)
    found = comb_likelihood(values, one, np.array([sigma]), LOW, HIGH, free=False)
    points = np.linspace(LOW, HIGH, 60)

    def joint(unit):
        return density(values, unit, sigma) / unit / np.log(HIGH / LOW)

    expected = sum(quad(joint, a, b, epsabs=0)[0] for a, b in itertools.pairwise(points))
    # The closed form takes the integers as known, and the grid cell is one posterior sd wide.
    assert_allclose(log_sum_exp(found.log_likelihood[:, 0]), np.log(expected), atol=0.06)
    assert np.all(found.log_nearest <= found.log_likelihood + 1e-9)


@pytest.mark.parametrize("sigma", [0.06, 0.2])
def test_free_offset_is_the_integral_over_unit_and_offset(sigma):
    values = page(sigma) + 0.37
    found = comb_likelihood(values, np.ones(values.size), np.array([sigma]), 0.9, 1.1, free=True)
    unit = np.linspace(0.9, 1.1, 301)
    phase = (np.arange(100) + 0.5) / 100
    teeth = np.arange(-8, 9)[:, None, None]
    grid = []
    for u in unit:
        each = norm.pdf(values, (teeth + phase[:, None]) * u, sigma).sum(axis=0)
        grid.append(each.prod(axis=1).mean() / u)
    expected = np.trapezoid(grid, unit) / np.log(1.1 / 0.9)
    assert_allclose(log_sum_exp(found.log_likelihood[:, 0]), np.log(expected), atol=0.08)


def test_unequal_precisions_agree_with_the_integral():
    values = page(0.2)
    factor = np.linspace(0.6, 1.4, values.size)
    sigma = 0.2
    found = comb_likelihood(values, factor, np.array([sigma]), LOW, HIGH, free=False)
    unit = np.linspace(LOW, HIGH, 4001)
    grid = [density(values, u, sigma * np.sqrt(factor)) / u for u in unit]
    expected = np.trapezoid(grid, unit) / np.log(HIGH / LOW)
    assert_allclose(log_sum_exp(found.log_likelihood[:, 0]), np.log(expected), atol=0.06)


def test_normal_envelope_is_the_double_integral():
    values, window = np.sort(np.random.default_rng(3).normal(1, 2, size=9)), 9.0

    mean = np.linspace(-9, 11, 1001)
    log_width = np.linspace(np.log(window / 30), np.log(window), 401)
    products = norm.pdf(values, mean[:, None, None], np.exp(log_width)[:, None]).prod(axis=2)
    inner = np.trapezoid(products, mean, axis=0)
    expected = np.trapezoid(inner, log_width) / window / np.log(30)
    # Fourteen widths in place of the integral, and a mean that may leave the window.
    assert_allclose(log_normal(values, window), np.log(expected), atol=0.12)


def test_beta_envelope_is_the_mean_of_scipys_densities():
    values = np.sort(np.random.default_rng(4).uniform(2, 5, size=12))
    span, middle = np.ptp(values), 0.5 * (values[0] + values[-1])
    shapes = (0.5, 1, 2, 4)
    products = [
        np.prod(beta.pdf(values, p, q, loc=middle - window / 2, scale=window))
        for window in (span * 13 / 11, span * (1 + 0.2 / 11))
        for p in shapes
        for q in shapes
    ]
    assert_allclose(log_beta(values), np.log(np.mean(products)), rtol=1e-9)
    assert_allclose(log_uniform(values), -12 * np.log(span * 13 / 11), rtol=1e-12)
