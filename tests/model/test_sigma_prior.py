"""The prior of sigma: a density that adds up to one, and draws that follow it."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import integrate, stats

from quantize.model import distributions
from quantize.model import sigma_prior as prior

CASES = [(1.0, 0.01, 0.8), (0.3, 0.01, 2.0), (0.3, 0.2, 0.25), (40.0, 0.01, 20.0), (0.1, 0.2, 0.5)]


@pytest.mark.parametrize(("unit", "low", "high"), CASES)
def test_density_of_log_sigma_adds_up_to_one(unit, low, high):
    # Against scipy's adaptive quadrature.
    total, _ = integrate.quad(
        lambda t: float(np.exp(prior.log_density(np.exp(t), unit, low, high))),
        np.log(low),
        np.log(high),
        limit=200,
        epsabs=1e-11,
    )
    assert total == pytest.approx(1, abs=1e-8)


@pytest.mark.parametrize(("unit", "low", "high"), CASES)
def test_draws_follow_the_density(unit, low, high):
    # Kolmogorov–Smirnov; five tests at 1e-5 each.
    rng = np.random.default_rng(3)
    drawn = prior.draw_sigma(np.full(20_000, unit), low, high, rng)
    grid = np.linspace(np.log(low), np.log(high), 20_001)
    density = np.exp(prior.log_density(np.exp(grid), unit, low, high))
    below = integrate.cumulative_trapezoid(density, grid, initial=0)
    result = stats.kstest(np.log(drawn), lambda t: np.interp(t, grid, below / below[-1]))
    assert result.pvalue > 1e-5


def test_nothing_outside_the_support_and_flat_where_steps_are_plain():
    density = prior.log_density(np.array([0.009, 0.02, 0.05, 0.9]), 1.0, 0.01, 0.8)
    assert density[0] == density[3] == -np.inf
    assert density[1] == pytest.approx(density[2], abs=1e-6)


def test_the_log_uniform_prior_is_that_of_scipy():
    ours, theirs = distributions.LogUniform(0.003, 0.3), stats.loguniform(0.003, 0.3)
    q, x = np.linspace(0, 1, 11), np.array([-1.0, 0.0, 0.001, 0.003, 0.02, 0.3, 0.31])
    np.testing.assert_allclose(ours.ppf(q), theirs.ppf(q), rtol=1e-14)
    np.testing.assert_allclose(ours.logpdf(x), theirs.logpdf(x), rtol=1e-13)
    drawn = [law.rvs(size=5, random_state=np.random.default_rng(3)) for law in (ours, theirs)]
    np.testing.assert_allclose(*drawn, rtol=1e-14)


def test_growing_noise_needs_no_distribution_of_scipy():
    code = (
        "import sys; import quantize as qz; model = qz.MixtureModel(noise='proportional')\n"
        "qz.analyze([2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1], (1.2, 7), model=model, rng=1)\n"
        "assert 'scipy.stats' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
