"""Evidence against a general nested sampler (dynesty; Speagle, MNRAS 493:3132, 2020).

Each comparison allows four standard errors as the sampler states them, and fails by chance once in
1e4.
"""

import numpy as np
import pytest
from dense_evidence import Problem

import quantize as qz
from quantize.model.sigma_prior import upper_quantile

LIVE = 250


def sampled(log_likelihood, transform, dimensions):
    dynesty = pytest.importorskip("dynesty")
    sampler = dynesty.NestedSampler(
        log_likelihood,
        transform,
        dimensions,
        nlive=LIVE,
        rstate=np.random.default_rng(5),
        bootstrap=0,
        sample="unif",
    )
    sampler.run_nested(print_progress=False, dlogz=0.05)
    return float(sampler.results.logz[-1]), float(sampler.results.logzerr[-1])


@pytest.mark.slow
def test_unit_and_sigma_unknown():
    rng = np.random.default_rng(1)
    x = rng.integers(-4, 5, size=15) + 0.12 * rng.normal(size=15)
    fit = qz.fit_mixture(x, (0.3, 2.5), sigma_range=(0.02, 1.0))
    problem = Problem(readings=qz.Readings(x), low=0.3, high=2.5, sigma_low=0.02, sigma_high=1.0)

    def transform(cube):
        unit = np.array([0.3 * (2.5 / 0.3) ** cube[0]])
        return np.array([unit[0], upper_quantile(cube[1:], unit, 0.02, 1.0)[0]])

    def log_likelihood(theta):
        return float(problem.log_likelihood(theta[:1], theta[1])[0])

    value, error = sampled(log_likelihood, transform, 2)
    assert fit.log_bayes_factor == pytest.approx(value, abs=4 * error)


@pytest.mark.slow
def test_share_of_outliers_unknown():
    rng = np.random.default_rng(2)
    x = rng.integers(-4, 5, size=15) + 0.1 * rng.normal(size=15)
    x[4] = 2.45
    model = qz.MixtureModel(sigma=0.1, outliers="free", window=(-5, 5))
    fit = qz.fit_mixture(x, (0.3, 2.5), model=model)

    def transform(cube):
        return np.array([0.3 * (2.5 / 0.3) ** cube[0], model.outliers.ppf(cube[1])])

    def log_likelihood(theta):
        # The textbook sum over the teeth in the window, reading by reading.
        unit, share = theta
        teeth = unit * np.arange(np.ceil(-5 / unit), np.floor(5 / unit) + 1)
        density = np.exp(-0.5 * np.square((x[:, None] - teeth) / 0.1)) / (0.1 * np.sqrt(2 * np.pi))
        return float(np.sum(np.log((1 - share) * density.mean(axis=1) + share / 10)))

    value, error = sampled(log_likelihood, transform, 2)
    assert fit.log_evidence == pytest.approx(value, abs=4 * error)


@pytest.mark.slow
def test_offset_free():
    rng = np.random.default_rng(3)
    x = 0.3 + rng.integers(-4, 5, size=15) + 0.1 * rng.normal(size=15)
    fit = qz.fit_mixture(x, (0.3, 2.5), offset="free", sigma_range=0.1)
    problem = Problem(readings=qz.Readings(x), low=0.3, high=2.5, sigma_low=0.1, sigma_high=0.1)

    def transform(cube):
        return np.array([0.3 * (2.5 / 0.3) ** cube[0], cube[1]])

    def log_likelihood(theta):
        return float(problem.log_likelihood(theta[:1], 0.1, theta[1])[0])

    value, error = sampled(log_likelihood, transform, 2)
    assert fit.log_bayes_factor == pytest.approx(value, abs=4 * error)
