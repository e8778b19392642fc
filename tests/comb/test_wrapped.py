"""The wrapped-normal density against mpmath's theta function."""

import mpmath
import numpy as np
import pytest

from quantize.comb.wrapped import (
    log_density_sum,
    log_density_sum_plain,
    log_peak_density,
    log_wrapped_normal,
    phase,
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
    plain = log_density_sum_plain(phi, spread)
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


def test_peak_is_the_density_at_zero():
    spread = np.geomspace(0.001, 3, 200)
    np.testing.assert_allclose(log_peak_density(spread), log_wrapped_normal(0.0, spread), atol=1e-8)


def test_phase_is_signed_and_short():
    np.testing.assert_allclose(phase(np.array([9.0, 11.0, -4.0]), 10.0), [-0.1, 0.1, -0.4])
    np.testing.assert_allclose(phase(np.array([12.0]), 10.0, offset=2.0), [0.0])
