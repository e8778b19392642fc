"""The wrapped-normal density against mpmath's theta function; its sums and series against it."""

import math

import mpmath
import numpy as np
import pytest
from scipy.stats import norm

from quantize.comb.sums import WAVES, waves
from quantize.comb.wrapped import (
    WIDE,
    coefficients,
    cosine_sums,
    log_comb_over_continuum,
    log_density_sum,
    log_likelihood_from_cosines,
    log_rounded_phase,
    log_wrapped_normal,
    most_of_waves,
)


def theta(phi: float, spread: float) -> float:
    """Log density from Jacobi's third theta function (mpmath), whose nome is exp(−2π²s²)."""
    with mpmath.workdps(60):
        s = mpmath.mpf(spread)
        if spread < 0.1:
            # jtheta needs a nome away from one: the modular transform is the sum over images.
            images = [mpmath.exp(-((mpmath.mpf(phi) + k) ** 2) / (2 * s**2)) for k in range(-9, 10)]
            return float(mpmath.log(sum(images) / (s * mpmath.sqrt(2 * mpmath.pi))))
        nome = mpmath.exp(-2 * mpmath.pi**2 * s**2)
        return float(mpmath.log(mpmath.jtheta(3, mpmath.pi * mpmath.mpf(phi), nome)))


@pytest.mark.parametrize("spread", [0.001, 0.01, 0.05, 0.1, 0.25, 0.3999, 0.4, 0.7, 1.5, 3.0])
@pytest.mark.parametrize("phi", [0.0, 1e-9, 0.1, 0.25, 0.37, 0.4999, 0.5])
def test_density_is_the_theta_function(phi, spread):
    expected = theta(phi, spread)
    got = float(log_wrapped_normal(phi, spread))
    assert abs(got - expected) <= 1e-12 * max(1.0, abs(expected))


def test_density_is_periodic_and_even():
    phi = np.linspace(-0.5, 0.5, 11)
    for spread in (0.05, 0.3, 0.8):
        here = log_wrapped_normal(phi, spread)
        np.testing.assert_allclose(
            log_wrapped_normal(phi + 3, spread), here, rtol=1e-12, atol=1e-12
        )
        np.testing.assert_allclose(log_wrapped_normal(-phi, spread), here, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("spread", [0.02, 0.2, 0.6])
def test_density_integrates_to_one(spread):
    from scipy.integrate import quad

    total, error = quad(
        lambda p: float(np.exp(log_wrapped_normal(p, spread))), -0.5, 0.5, points=[0]
    )
    assert abs(total - 1) < 1e-8 + error


@pytest.mark.parametrize("n", [1, 5, 64, 65, 200])
def test_fast_sums_are_the_plain_sums(n):
    rng = np.random.default_rng(11)
    spread = np.geomspace(0.001, 3, 60)[:, None]
    phi = rng.uniform(-0.5, 0.5, (60, n))
    plain = log_wrapped_normal(phi, spread).sum(axis=1)
    fast = log_density_sum(phi, spread)
    np.testing.assert_allclose(fast, plain, rtol=1e-12, atol=1e-12 * n)


def test_sums_take_a_spread_for_each_reading():
    rng = np.random.default_rng(12)
    phi, spread = rng.uniform(-0.5, 0.5, (7, 4)), rng.uniform(0.01, 1, (7, 4))
    expected = [
        sum(theta(p, s) for p, s in zip(r, q, strict=True))
        for r, q in zip(phi, spread, strict=True)
    ]
    np.testing.assert_allclose(log_density_sum(phi, spread), expected, rtol=1e-11)


def test_comb_over_continuum_is_the_sum_of_normal_densities():
    x, unit, sigma, share = np.array([0.9, 2.2, 2.9]), 1.1, 0.2, 0.05
    normal = norm.pdf(x[:, None], unit * np.arange(-20, 21), sigma)
    density = unit * normal.sum(axis=1)
    found = log_comb_over_continuum(x / unit, np.array([sigma / unit]))
    assert found == pytest.approx(np.log(density).sum(), abs=1e-12)
    found = log_comb_over_continuum(x / unit, np.array([sigma / unit]), outliers=share)
    assert found == pytest.approx(np.log(share + (1 - share) * density).sum(), abs=1e-12)


@pytest.mark.parametrize("smallest", [0.2, 0.27, 0.4, 3.0])
def test_fewer_cosine_sums_serve_wider_spreads(smallest):
    rng = np.random.default_rng(5)
    mean, unit = rng.normal(size=12) * 4, rng.uniform(0.5, 2, 9)
    sums = cosine_sums(mean, unit, smallest)
    j = np.arange(1, sums.shape[1] + 1)
    plain = np.cos(2 * np.pi * j * (mean / unit[:, None])[:, :, None]).sum(axis=1)
    np.testing.assert_allclose(sums, plain, rtol=0, atol=1e-10)
    spread, row = rng.uniform(smallest, smallest + 0.5, 40), rng.integers(0, 9, 40)
    few = log_likelihood_from_cosines(sums, row, 12, spread)
    all_of_them = log_likelihood_from_cosines(cosine_sums(mean, unit, WIDE), row, 12, spread)
    np.testing.assert_array_equal(few, all_of_them)


def test_coefficients_are_those_of_the_series():
    spread = np.array([0.2, 0.3, 0.7, 1.5])
    constant, found = coefficients(spread, 6)
    a = 2 * np.pi**2 * spread[:, None] ** 2
    j, m = np.arange(1, 7), np.arange(1, 200)
    np.testing.assert_allclose(found, -((-1.0) ** j) / (j * np.sinh(a * j)), rtol=1e-12)
    product = np.log1p(-np.exp(-2 * a * m)).sum(axis=1)
    few = np.log1p(-np.exp(-2 * a * m[:6])).sum(axis=1)
    np.testing.assert_allclose(constant, few, rtol=0, atol=1e-14)
    np.testing.assert_allclose(constant[1:], product[1:], rtol=0, atol=1e-9)


@pytest.mark.parametrize("spread", [0.2, 0.26, 0.5, 1.5])
def test_the_series_is_the_log_density_at_every_offset(spread):
    rng = np.random.default_rng(8)
    mean, unit = rng.normal(size=9) * 3, np.array([0.7, 1.1, 1.9])
    s, row = np.full(3, spread), np.arange(3)
    for offset in np.arange(16) / 16 * 1.9:
        sums = cosine_sums(mean - offset, unit, spread)
        series = log_likelihood_from_cosines(sums, row, mean.size, s)
        plain = log_wrapped_normal((mean - offset) / unit[:, None], spread).sum(axis=1)
        np.testing.assert_allclose(series, plain, rtol=1e-11, atol=1e-11)


@pytest.mark.parametrize("least", [0.15, 0.17, WIDE, 0.3, 0.5])
def test_the_bound_by_waves_lies_above_the_density_wherever_a_phase_is(least):
    # Phases that do not move: what the first waves leave out is all that the bound has to add.
    phase, most = np.linspace(-0.5, 0.5, 97), 1.2 * least
    still = np.zeros((2, 1))
    for phi in phase:
        sums = waves(np.array([phi]), np.ones(1))
        bound = most_of_waves(sums, 1, still, still, np.array([least]), np.array([most]))[0]
        density = log_wrapped_normal(phi, np.geomspace(least, most, 7))
        assert bound > density.max() - 1e-12
    # And no further than what is left out of a series that falls by exp(-2 pi² spread²) a term.
    top = waves(np.zeros(1), np.ones(1))
    only = np.array([least])
    tight = most_of_waves(top, 1, still, still, only, only * (1 + 1e-12))[0]
    q = math.exp(-2 * math.pi**2 * least**2)
    above = tight - log_wrapped_normal(0.0, least)
    assert -1e-12 < above < 4 * q ** (WAVES + 1) / ((WAVES + 1) * (1 - q) * (1 - q**2)) + 1e-9


@pytest.mark.parametrize("phase", [0.0, 0.2, -0.45])
@pytest.mark.parametrize("half", [0.02, 0.3, 0.5, 0.8, 1.3])
@pytest.mark.parametrize("spread", [0.05, 0.2, 0.7])
def test_a_rounded_phase_has_the_mean_density_of_its_step(phase, half, spread):
    # Wrapped round, the step of a coarse scale covers the circle more than once. What is left of
    # whole cycles is 1e-9 at least, and the density 8 at most.
    low, high = (np.arange(-12, 13) + phase + side * half for side in (-1, 1))
    swap = low > 0  # where a difference of tails is the exact one
    low, high = np.where(swap, -high, low) / spread, np.where(swap, -low, high) / spread
    mass = norm.cdf(high) - norm.cdf(low)
    found = log_rounded_phase(np.array([phase]), np.array([half]), np.array([spread]))[0]
    assert found == pytest.approx(math.log(mass.sum() / (2 * half)), abs=2e-8)
