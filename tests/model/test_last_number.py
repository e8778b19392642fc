"""`integers=(first, None)`: the last whole number is unknown, and summed over."""

import dataclasses
import math

import numpy as np
import pytest
from plain_last_number import log_total, plain_over_last, prior_of_last

import quantize as qz
from quantize.model.mixture import fit_mixture
from quantize.model.terms import Cell, Parameters
from quantize.model.wrapped_likelihood import likelihood_of

X = np.array([1.1, 2.05, 3.9, 0.92, 6.1, 2.9])
SMALLEST = 0.4
SAMPLES = {
    "plain": (qz.Readings(X), {}),
    "states": (qz.Readings(X, state=list("aabbcc")), {}),
    "sigmas": (qz.Readings(X, sigma=np.linspace(0.5, 2, 6)), {}),
    "outliers": (qz.Readings(X), {"outliers": 0.07}),
    "outliers in states": (
        qz.Readings(np.repeat(X, 2), state=np.arange(12) // 2),
        {"outliers": 0.1},
    ),
    "growing": (qz.Readings(X), {"noise": "proportional", "growth": 0.05}),
    "rounding": (qz.Readings(X.round(1), resolution=0.1), {"rounding": True}),
    "off the scale": (qz.Readings(X, beyond=[0, 0, 0, 0, 1, 0]), {}),
}


def of(name, first, units, sigmas, offset=0.0):
    """The likelihood of a sample and the parameters, once as arrays and once as they are named."""
    readings, options = SAMPLES[name]
    growth, outliers = options.get("growth", 0.0), options.get("outliers", 0.0)
    kept = {key: options[key] for key in ("noise", "rounding", "outliers") if key in options}
    model = qz.MixtureModel(integers=(first, None), **kept)
    likelihood = likelihood_of(model, readings, SMALLEST)
    m = len(units)
    p = Parameters(
        unit=np.array(units),
        sigma=np.array(sigmas),
        offset=np.full(m, offset),
        growth=np.full(m, growth),
        outliers=np.full(m, outliers),
    )
    named = {"growth": growth, "outliers": outliers, "offset": offset}
    named |= {"step": 0.1 if options.get("rounding") else 0.0}
    return readings, likelihood, p, named


UNITS, SIGMAS = [1.0, 1.02, 0.5, 2.0, 0.41, 3.1], [0.1, 0.2, 0.1, 0.3, 0.15, 0.4]


@pytest.mark.parametrize("first", [0, 1, 2])
@pytest.mark.parametrize("name", SAMPLES)
def test_the_likelihood_is_a_sum_over_the_last_number(name, first):
    readings, likelihood, p, named = of(name, first, UNITS, SIGMAS)
    if name == "off the scale":
        # In a comb without an end a reading off the scale says nothing.
        readings = readings.select(readings.measured)
    expected = [
        log_total(plain_over_last(readings, first, SMALLEST, unit=u, sigma=s, **named))
        for u, s in zip(UNITS, SIGMAS, strict=True)
    ]
    np.testing.assert_allclose(likelihood.log_likelihood(p), expected, rtol=1e-9)


@pytest.mark.parametrize("name", SAMPLES)
def test_bounds_hold_throughout_a_cell(name):
    _, likelihood, p, _ = of(name, 1, UNITS, SIGMAS)
    m, n = p.unit.size, 40
    cell = Cell(
        log_unit=np.full(m, 0.01),
        offset=np.zeros(m),
        sigma_low=0.8 * p.sigma,
        growth_low=0.8 * p.growth,
    )
    most = likelihood.bound(p, cell, p.outliers[:1])[:, 0]
    rng = np.random.default_rng(1)
    inside = p.rows(np.repeat(np.arange(m), n))
    moved = dataclasses.replace(
        inside,
        unit=inside.unit * np.exp(rng.uniform(-0.01, 0.01, m * n)),
        sigma=inside.sigma * rng.uniform(0.8, 1, m * n),
        growth=inside.growth * rng.uniform(0.8, 1, m * n),
    )
    assert np.all(likelihood.log_likelihood(moved).reshape(m, n).max(axis=1) <= most + 1e-9)


@pytest.mark.parametrize("name", ["plain", "outliers", "states", "outliers in states"])
def test_probabilities_of_whole_numbers_are_averages_over_the_last_number(name):
    readings, likelihood, p, named = of(name, 1, [1.0, 0.5], [0.25, 0.2])
    teeth, probability = likelihood.teeth(p)
    for row in range(2):
        u, s = float(p.unit[row]), float(p.sigma[row])
        parts = plain_over_last(readings, 1, SMALLEST, unit=u, sigma=s, **named)
        expected = np.zeros((likelihood.states, max(parts) + 1))
        for b, (value, each, adds) in parts.items():
            expected[:, 1 : b + 1] += math.exp(value - log_total(parts)) * adds / each[:, None]
        expected /= expected.sum(axis=1, keepdims=True)
        for j in range(likelihood.states):
            at = np.minimum(teeth[row, j], max(parts))
            np.testing.assert_allclose(probability[row, j], expected[j, at], atol=1e-9)


def test_one_reading_at_a_time_is_averaged_over_the_last_number():
    readings, likelihood, p, named = of("plain", 1, [1.0], [0.2])
    parts = plain_over_last(readings, 1, SMALLEST, unit=1.0, sigma=0.2, **named)
    each = sum(math.exp(value - log_total(parts)) * one for value, one, _ in parts.values())
    np.testing.assert_allclose(likelihood.pointwise(p)[0], np.log(each), rtol=1e-9)


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_the_evidence_is_the_average_of_those_with_the_last_number_known(offset):
    unit_range = (SMALLEST, 2.6)
    readings = qz.Readings(X)
    found = fit_mixture(
        readings, unit_range, model=qz.MixtureModel(offset=offset, sigma=0.15, integers=(1, None))
    )
    parts = [
        math.log(weight)
        + fit_mixture(
            readings, unit_range, model=qz.MixtureModel(offset=offset, sigma=0.15, integers=(1, b))
        ).log_bayes_factor
        for b, weight in prior_of_last(readings, 1, SMALLEST).items()
        if b >= 4
    ]
    # With fewer than four numbers the readings are next to impossible.
    assert found.log_bayes_factor == pytest.approx(np.logaddexp.reduce(parts), abs=1e-4)


def test_simple_fractions_of_the_unit_lose_to_whole_numbers_that_run_from_one():
    rng = np.random.default_rng(5)
    x = rng.integers(1, 9, 20) + 0.2 * rng.normal(size=20)
    shares = {}
    for whole in ("any", (1, None), (1, 8)):
        found = fit_mixture(x, (0.3, 4.0), integers=whole)
        near = (found.alternatives["unit"] - 1).abs() < 0.1
        shares[str(whole)] = float(found.alternatives["share"][near].sum())
    assert shares["any"] < shares["(1, None)"] < shares["(1, 8)"]


def test_the_model_says_it():
    model = qz.MixtureModel(integers=(1, None))
    assert model.to_dict()["integers"] == [1, None]
    assert repr(model) == "<MixtureModel: integers (1, None)>"
