"""The bias of the unit that blurred readings have: what is left of the information, what is off."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.model.bias import UnitBias, information_left
from quantize.model.posterior import Posterior
from quantize.model.terms import Parameters


@pytest.mark.parametrize("spread", [0.12, 0.25, 0.4])
def test_information_left_is_that_of_a_wrapped_normal_density(spread: float) -> None:
    # Fisher's information on a location: the integral of w'²/w over a cycle (a textbook formula).
    whole = np.arange(-6, 7)

    def density(x: float) -> float:
        return float(stats.norm.pdf(x + whole, scale=spread).sum())

    def term(x: float) -> float:
        step = 1e-6
        slope = (density(x + step) - density(x - step)) / (2 * step)
        return slope**2 / density(x)

    information = integrate.quad(term, -0.5, 0.5, epsabs=1e-9)[0]
    assert information_left(np.array([spread]))[0] == pytest.approx(
        spread**2 * information, abs=2e-5
    )


def test_the_mean_pull_of_a_tooth_is_what_is_left() -> None:
    # The derivative of the log density of a phase by log u, averaged over readings of one tooth.
    rng = np.random.default_rng(8)
    spread, step = 0.25, 1e-4
    for tooth in (0, 1, 6):
        x = tooth + spread * rng.normal(size=400_000)
        value = []
        for unit in (np.exp(-step), np.exp(step)):
            away = x[:, None] / unit - np.rint(x / unit)[:, None] + np.arange(-4, 5)
            scale = spread / unit
            value.append(np.log(np.exp(-0.5 * (away / scale) ** 2).sum(axis=1) / scale))
        slope = (value[1] - value[0]) / (2 * step)
        error = slope.std() / np.sqrt(x.size)
        assert abs(slope.mean() - information_left(np.array([spread]))[0]) < 4 * error


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_the_unit_is_that_of_a_comb_whose_ends_are_known(offset: str) -> None:
    # Where the whole numbers are said, the likelihood has no bias to take off.
    rng = np.random.default_rng(11)
    readings = rng.integers(1, 6, 150) + 0.2 * rng.normal(size=150)
    plain = qz.fit_mixture(readings, (0.85, 1.2), offset=offset)
    if offset == "zero":
        declared = qz.fit_mixture(readings, (0.85, 1.2), integers=(1, 5))
        assert abs(plain.unit - declared.unit) < 0.25 * declared.unit_err
    found = plain.posterior
    raw = np.sum(found._nodes.share * np.exp(found._nodes.log_unit))
    assert 0.3 * plain.unit_err < raw - plain.unit < 1.5 * plain.unit_err


def test_sharp_readings_have_no_bias_to_speak_of() -> None:
    rng = np.random.default_rng(3)
    readings = rng.integers(-4, 5, 60) + 0.05 * rng.normal(size=60)
    found = qz.fit_mixture(readings, (0.6, 1.8))
    raw = np.sum(found.posterior._nodes.share * np.exp(found.posterior._nodes.log_unit))
    assert abs(raw - found.unit) < 0.05 * found.unit_err


@pytest.mark.parametrize(
    "model",
    [
        qz.MixtureModel(integers=(-4, 4)),
        qz.MixtureModel(window=(-4.5, 4.5)),
        qz.MixtureModel(envelope="levels", window=(-4.5, 4.5)),
        qz.MixtureModel(envelope=stats.norm(0, 3)),
        qz.MixtureModel(noise="proportional"),
    ],
    ids=["integers", "window", "levels", "density", "growing noise"],
)
def test_a_comb_that_has_ends_has_none_and_growing_noise_keeps_it(model: qz.MixtureModel) -> None:
    rng = np.random.default_rng(4)
    readings = rng.integers(-4, 5, 30) + 0.25 * rng.normal(size=30)
    unit_range = UnitRange(low=0.6, high=1.8, chosen=False, reason="")
    found = Posterior.of(model, qz.Readings(readings), unit_range)
    p = Parameters.plain(np.array([1.0]), np.array([0.25]))
    assert UnitBias(found.likelihood, found.prior)(p).tolist() == [0.0]


def test_nothing_leaves_the_range_of_units() -> None:
    rng = np.random.default_rng(5)
    readings = rng.integers(-2, 3, 40) + 0.3 * rng.normal(size=40)
    found = qz.fit_mixture(readings, (0.95, 1.05))
    low, high = found.interval(0.99).min(), found.interval(0.99).max()
    assert 0.95 - 1e-9 <= low < high <= 1.05 + 1e-9
    assert found.draws(500, rng=1)["unit"].between(0.95, 1.05).all()
