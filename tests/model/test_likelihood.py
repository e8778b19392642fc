"""The fast likelihood against plain loops for every option; the continuum against integrals."""

import itertools

import numpy as np
import pytest
from model_cases import CASES, case
from plain_likelihood import plain_likelihood
from scipy import stats
from scipy.integrate import quad

import quantize as qz
from quantize.model.envelope import envelope_of
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.noise import POWERS, log_normal, log_rounded, log_rounded_twice
from quantize.model.wrapped_likelihood import likelihood_of


def parameters(model, rng, m=12, *, shifted=False):
    """Random values of the parameters that a model has."""
    scaled = model.sigma is not None and not isinstance(model.sigma, float)
    moving = shifted or model.offset != "zero"
    offset = rng.uniform(-0.4, 0.4, size=m) if moving else np.zeros(m)
    growth = np.zeros(m)
    if model.noise != "constant":
        growth = np.exp(rng.uniform(np.log(0.003), np.log(0.05), size=m))
    outliers = np.zeros(m)
    if model.outliers != 0:
        outliers = rng.choice([1e-6, 0.03, 0.3, 0.9], size=m)
    return Parameters(
        unit=np.exp(rng.uniform(np.log(0.3), np.log(3), size=m)),
        sigma=np.exp(rng.uniform(np.log(0.5), np.log(2), size=m))
        * (1.0 if scaled else rng.choice([0.02, 0.1, 0.3], size=m)),
        offset=offset,
        growth=growth,
        outliers=outliers,
    )


def one_by_one(readings, model, likelihood, p):
    return np.array(
        [
            plain_likelihood(
                readings,
                likelihood.envelope,
                unit=p.unit[i],
                sigma=p.sigma[i],
                offset=p.offset[i],
                growth=p.growth[i],
                outliers=p.outliers[i],
                power=POWERS[model.noise],
                rounding=model.rounding,
            )
            for i in range(p.unit.size)
        ]
    )


@pytest.mark.parametrize("name", CASES)
def test_fast_likelihood_is_the_plain_one(name, seed):
    readings, model, likelihood = case(name)
    p = parameters(model, np.random.default_rng(seed), shifted=likelihood.shifted)
    plain = one_by_one(readings, model, likelihood, p)
    fast = likelihood.log_likelihood(p)
    # The plain loops lose what is below 1e-300, and differences of distribution functions 1e-16.
    seen = plain > -200
    assert seen.sum() >= 3
    np.testing.assert_allclose(fast[seen], plain[seen], rtol=1e-8, atol=1e-8)
    assert np.all(fast[~seen] < -150)


@pytest.mark.parametrize("name", CASES)
def test_states_add_up_to_the_sample(name, seed):
    _, model, likelihood = case(name)
    p = parameters(model, np.random.default_rng(seed), shifted=likelihood.shifted)
    total = likelihood.log_likelihood(p)
    np.testing.assert_allclose(likelihood.pointwise(p).sum(axis=1), total, rtol=1e-12)
    teeth, probability = likelihood.teeth(p.rows(np.flatnonzero(np.isfinite(total))))
    assert teeth.shape == probability.shape
    np.testing.assert_allclose(probability.sum(axis=2), 1)


@pytest.mark.parametrize("name", ["outliers", "outliers with states", "everything"])
def test_likelihood_at_several_shares_is_the_one_at_each(name, seed):
    _, model, likelihood = case(name)
    p = parameters(model, np.random.default_rng(seed))
    shares = np.array([0.001, 0.1, 0.6])
    together = likelihood.by_share(p, shares)
    for w, column in zip(shares, together.T, strict=True):
        each = Parameters(
            unit=p.unit,
            sigma=p.sigma,
            offset=p.offset,
            growth=p.growth,
            outliers=np.full(p.unit.size, w),
        )
        np.testing.assert_allclose(column, likelihood.log_likelihood(each), rtol=1e-12)


def continuum(likelihood, sigma, growth=0.0, outliers=0.0):
    one = np.ones(1)
    return float(
        likelihood.log_continuum(
            Parameters(
                unit=one,
                sigma=sigma * one,
                offset=0 * one,
                growth=growth * one,
                outliers=outliers * one,
            )
        )[0]
    )


@pytest.mark.parametrize("apart", [0.0, 3.0, 40.0, 400.0])
@pytest.mark.parametrize("ends", [None, 1, 2])
def test_repeats_however_far_apart_have_a_continuum_about_their_mean(apart, ends):
    x, sigma = np.array([10.3, 10.3 + apart, 11.1]), np.array([0.9, 1.4, 2.0])
    rounded = {} if ends is None else {"resolution": 1.0, "ends": np.full(3, ends)}
    readings = qz.Readings(x, sigma=sigma, state=np.zeros(3, dtype=int), **rounded)
    model = qz.MixtureModel(sigma=1.0, rounding=ends is not None)
    likelihood = Likelihood(
        readings, envelope_of(model, readings), power=0, rounding=model.rounding
    )
    density = (log_normal, log_rounded, log_rounded_twice)[ends or 0]
    step = () if ends is None else (np.ones(3),)

    def log_product(size: float) -> float:
        return float(np.sum(density(x - size, sigma, *step)))

    # The mode by search, and the integral about it.
    grid = np.linspace(x.min(), x.max() + 1e-9, 20_001)
    mode = grid[np.argmax([log_product(size) for size in grid])]
    top = log_product(mode)
    area = quad(lambda t: np.exp(log_product(t) - top), mode - 12, mode + 12, epsabs=1e-12)[0]
    expected = top + np.log(area) - np.log(likelihood.envelope.span)
    assert continuum(likelihood, 1.0) == pytest.approx(expected, abs=1e-7)


X = np.array([1.04, 2.93, 5.2, 3.1])


@pytest.mark.parametrize(
    "options",
    [
        {"window": (0.5, 6)},
        {"envelope": stats.norm(3, 2)},
        {"envelope": stats.expon(scale=3), "integers": "positive"},
        {"window": (0.5, 6), "outliers": 0.2},
        {"envelope": stats.norm(3, 2), "noise": "proportional"},
        {"window": (0.0, 8), "noise": "counting", "outliers": 0.1},
    ],
)
@pytest.mark.parametrize("sigma", [0.02, 0.2])
def test_continuum_is_an_integral_over_the_envelope(options, sigma):
    model = qz.MixtureModel(**options)
    readings = qz.Readings(X, state=["a", "b", "c", "b"])
    likelihood = likelihood_of(model, readings)
    envelope = likelihood.envelope
    growth = 0.1 if model.noise != "constant" else 0.0
    w, power = float(model.outliers), POWERS[model.noise]
    low, high = envelope.reach()
    g = envelope.density.pdf if envelope.density is not None else lambda m: 1 / (high - low)
    total = 0.0
    for mine in ([1.04], [2.93, 3.1], [5.2]):

        def together(m, mine=mine):
            sd = np.sqrt(sigma**2 + growth**2 * abs(m) ** power)
            each = [(1 - w) * stats.norm.pdf(x, m, sd) + w / envelope.span for x in mine]
            return np.prod(each) - np.prod([w / envelope.span for _ in mine])

        widths = [np.sqrt(sigma**2 + growth**2 * x**power) for x in mine]
        around = [x + t * s for x, s in zip(mine, widths, strict=True) for t in (-8, -2, 0, 2, 8)]
        edges = np.clip([low, *around, high], low, high)
        edges = np.unique(edges)
        value = sum(
            quad(lambda m: g(m) * together(m), a, b, epsabs=1e-12)[0]
            for a, b in itertools.pairwise(edges)
        )
        total += np.log(value + np.prod([w / envelope.span for _ in mine]))
    assert continuum(likelihood, sigma, growth, w) == pytest.approx(total, abs=2e-6)


def test_continuum_of_rounded_readings_is_flat_inside_the_window():
    readings = qz.Readings([2.0, 3.0, 5.0], resolution=1.0)
    likelihood = likelihood_of(qz.MixtureModel(window=(-20, 20), rounding=True), readings)
    # Every reading stands for an interval of its own, well inside: density 1/40 each.
    assert continuum(likelihood, 0.05) == pytest.approx(-3 * np.log(40), abs=1e-6)


@pytest.mark.parametrize("name", ["plain", "states", "changed", "rounded twice"])
def test_a_fine_comb_is_the_continuum(name):
    _, _, likelihood = case(name)
    p = Parameters(
        unit=np.array([0.02]),
        sigma=np.array([0.2]),
        offset=np.zeros(1),
        growth=np.zeros(1),
        outliers=np.zeros(1),
    )
    # The teeth in the span are counted whole, which at 300 of them shows in the fifth digit.
    assert likelihood.log_likelihood(p)[0] == pytest.approx(continuum(likelihood, 0.2), abs=1e-4)


@pytest.mark.parametrize("noise", ["proportional", "counting"])
def test_large_growth_is_the_same_for_the_comb_and_for_what_has_no_steps(noise):
    # Errors in proportion to means without end would reach every reading from anywhere: the comb
    # was likelier than its own continuum by a factor of e for these, and by more beside others.
    rng = np.random.default_rng(1)
    readings = qz.Readings(rng.integers(-4, 5, size=50) + 0.1 * rng.normal(size=50))
    likelihood = likelihood_of(qz.MixtureModel(noise=noise), readings)
    p = Parameters(
        unit=np.array([0.02, 0.3, 0.3]),
        sigma=np.array([0.1, 0.1, 2.0]),
        offset=np.zeros(3),
        growth=np.full(3, 0.3),
        outliers=np.zeros(3),
    )
    together = likelihood.log_likelihood(p)
    assert together[0] == pytest.approx(continuum(likelihood, 0.1, 0.3), abs=1e-3)
    for i in range(3):
        assert likelihood.log_likelihood(p.rows(slice(i, i + 1)))[0] == pytest.approx(
            together[i], abs=1e-7
        )


def test_far_readings_do_not_overflow():
    model = qz.MixtureModel(noise="proportional")
    readings = qz.Readings([1e-3, 1.0, 1e6])
    likelihood = Likelihood(readings, envelope_of(model, readings), power=2)
    p = Parameters(
        unit=np.array([1.0]),
        sigma=np.array([1e-4]),
        offset=np.zeros(1),
        growth=np.array([1e-6]),
        outliers=np.zeros(1),
    )
    assert np.isfinite(likelihood.log_likelihood(p)[0])
