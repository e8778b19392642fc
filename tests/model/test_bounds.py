"""Nowhere in a box is the likelihood above the bound that lets the box be dropped."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from model_cases import CASES, case, likelihood_of

import quantize as qz
from quantize.model import outward
from quantize.model.likelihood import Cell, Parameters
from quantize.model.wrapped_likelihood import PartlyMeasured
from quantize.shared_shift import SharedShift

SHARES = np.array([1e-4, 0.1, 0.5])
boxes = st.fixed_dictionaries(
    {
        "log_unit": st.floats(np.log(0.3), np.log(3)),
        "half_unit": st.floats(1e-4, 0.08),
        "offset": st.floats(-0.5, 0.5),
        "half_offset": st.floats(0, 0.2),
        "log_sigma": st.floats(np.log(0.02), np.log(0.6)),
        "ratio": st.floats(0, 1.5),
        "log_growth": st.floats(np.log(0.003), np.log(0.3)),
        "seed": st.integers(0, 2**32 - 1),
    }
)


def inside(box, rng, m):
    """Places anywhere in the box, its corners among them."""
    t = rng.uniform(-1, 1, size=(4, m))
    t[:, : m // 2] = np.sign(t[:, : m // 2])
    down = 0.5 * (t[2:] - 1) * box["ratio"]
    return Parameters(
        unit=np.exp(box["log_unit"] + box["half_unit"] * t[0]),
        sigma=np.exp(box["log_sigma"] + down[0]),
        offset=box["offset"] + box["half_offset"] * t[1],
        growth=np.exp(box["log_growth"] + down[1]),
        outliers=np.zeros(m),
    )


def assert_bounded(likelihood, box, shares):
    """No likelihood in the box is above its bound."""
    one = np.ones(1)
    centre = Parameters(
        unit=np.exp(box["log_unit"]) * one,
        sigma=np.exp(box["log_sigma"]) * one,
        offset=box["offset"] * one,
        growth=np.exp(box["log_growth"]) * one,
        outliers=0 * one,
    )
    cell = Cell(
        log_unit=box["half_unit"] * one,
        offset=box["half_offset"] * one,
        sigma_low=np.exp(box["log_sigma"] - box["ratio"]) * one,
        growth_low=np.exp(box["log_growth"] - box["ratio"]) * one,
    )
    bound = likelihood.bound(centre, cell, shares)[0]
    values = likelihood.by_share(inside(box, np.random.default_rng(box["seed"]), 24), shares)
    assert np.all(values <= bound + 1e-9 + 1e-12 * np.abs(values))
    within = likelihood.bound_within_states(centre, cell, shares)
    if within is not None:
        assert np.all(values <= within[0] + 1e-9)
    return within


@pytest.mark.parametrize("name", CASES)
@settings(max_examples=25)
@given(box=boxes)
def test_bound_holds_anywhere_in_a_box(name, box):
    _, model, likelihood = case(name)
    shares = SHARES if model.outliers != 0 else np.zeros(1)
    assert_bounded(likelihood, box, shares)


@pytest.mark.parametrize("name", CASES)
def test_bound_of_a_tiny_box_is_the_likelihood(name):
    _, model, likelihood = case(name)
    shares = SHARES if model.outliers != 0 else np.zeros(1)
    one = np.ones(1)
    for unit in (0.97, 1.02, 1.9):
        p = Parameters(
            unit=unit * one,
            sigma=0.2 * one,
            offset=0.05 * one,
            growth=0.02 * one,
            outliers=0 * one,
        )
        cell = Cell(
            log_unit=1e-9 * one, offset=1e-9 * one, sigma_low=0.2 * one, growth_low=0.02 * one
        )
        # Open ends of a window count half, whatever the spread: the bound knows the least only.
        loose = len(likelihood.x) * 0.8 if not likelihood.envelope.closed else 1e-4
        # Readings off the scale, and those that saw a change, are bounded by the others alone.
        loose = np.inf if isinstance(likelihood, PartlyMeasured) else loose
        gap = likelihood.bound(p, cell, shares) - likelihood.by_share(p, shares)
        assert np.all((gap > -1e-9) & (gap < loose))


# ---- many readings whose noise grows ------------------------------------------------------------

RNG = np.random.default_rng(20)
PAGE = qz.Readings(
    RNG.integers(-3, 9, 40) * (1 + 0.03 * RNG.normal(size=40)) + 0.1 * RNG.normal(size=40)
)
MODELS = {
    "zero": qz.MixtureModel(noise="proportional"),
    "free, outliers": qz.MixtureModel(noise="proportional", offset="free", outliers=0.1),
}


def largest_in_units(size, unit, sigma, growth, cap):
    """Largest sum over teeth of the densities times the unit, wherever the teeth stand."""
    reach = size + 12 * np.hypot(sigma, growth * cap)
    k = np.arange(-np.ceil(reach / unit), np.ceil(reach / unit) + 1)
    mean = k * unit + unit * np.linspace(0, 1, 17)[:-1, None]
    variance = sigma**2 + np.square(growth * np.minimum(np.abs(mean), cap))
    density = np.exp(-0.5 * np.square(size - mean) / variance) / np.sqrt(2 * np.pi * variance)
    return float(np.max(unit * density.sum(axis=1)))


@settings(max_examples=300)
@example(log_growth=np.log(0.3), log_sigma=np.log(0.591), blur=0.5, farther=11.0)
@given(
    log_growth=st.floats(np.log(0.003), np.log(outward._MOST_GROWTH)),
    log_sigma=st.floats(-5.0, 2.0),
    blur=st.floats(0.5, 1.5),
    farther=st.floats(1.0, 40.0),
)
def test_a_blurred_reading_has_no_more_than_is_said(log_growth, log_sigma, blur, farther):
    growth, sigma = np.exp(log_growth), np.exp(log_sigma)
    least = np.hypot(sigma, growth / (1 + 3 * growth))
    most = 1 + outward._GROWN * growth**2
    most += 2 * np.exp(-2 * (np.pi * blur) ** 2)
    assert largest_in_units(1.0, least / blur, sigma, growth, 1.5 * farther) <= most


@pytest.mark.parametrize("name", MODELS)
@settings(max_examples=60)
@given(box=boxes, finer=st.floats(0.05, 1.0))
def test_the_bound_of_many_holds_anywhere_in_a_box(name, box, finer):
    likelihood = likelihood_of(MODELS[name], PAGE)
    assert likelihood.outward is not None
    shares = SHARES if name != "zero" else np.zeros(1)
    box = box | {"log_unit": box["log_unit"] + np.log(finer)}
    assert_bounded(likelihood, box, shares)


def test_where_all_readings_blur_no_tooth_is_looked_at():
    likelihood = likelihood_of(MODELS["zero"], PAGE)
    one = np.ones(1)
    p = Parameters(
        unit=0.1 * one, sigma=0.2 * one, offset=0 * one, growth=0.1 * one, outliers=0 * one
    )
    cell = Cell(log_unit=1e-3 * one, offset=0 * one, sigma_low=0.19 * one, growth_low=0.09 * one)
    assert likelihood.work(p, cell)[0] == outward._PARTS
    gap = likelihood.bound(p, cell, np.zeros(1))[0, 0] - likelihood.log_likelihood(p)[0]
    assert 0 < gap < 40 * 2.0 * 0.01
    few = likelihood_of(MODELS["zero"], PAGE.select(slice(0, 10)))
    assert few.outward is None
    assert likelihood_of(qz.MixtureModel(noise="counting"), PAGE).outward is None
    assert (
        likelihood_of(qz.MixtureModel(noise="proportional", window=(-5, 9)), PAGE).outward is None
    )


def test_the_search_finds_the_same_nodes(monkeypatch):
    found = qz.fit_mixture(PAGE, (0.3, 3), model=MODELS["zero"])
    monkeypatch.setattr(outward, "_FEWEST", 1000)
    plain = qz.fit_mixture(PAGE, (0.3, 3), model=MODELS["zero"])
    assert found.unit == pytest.approx(plain.unit, abs=1e-4 * plain.unit_err)
    assert found.log_bayes_factor == pytest.approx(plain.log_bayes_factor, abs=1e-5)


@pytest.mark.parametrize("integers", ["any", "positive", (2, None)])
@pytest.mark.parametrize("ends", [None, 1, 2])
@settings(max_examples=20)
@given(box=boxes)
def test_bound_of_states_that_a_shift_pulls_apart_holds_and_falls(integers, ends, box):
    rng = np.random.default_rng(box["seed"])
    state, lever = np.repeat(np.arange(4), 3), np.tile([1.0, 2.0, 0.5], 4)
    values = rng.integers(1, 7, 4)[state] + box["offset"] * lever + 0.1 * rng.normal(size=12)
    rounded = {} if ends is None else {"resolution": 0.2, "ends": np.full(12, ends)}
    readings = qz.Readings(
        values,
        state=state,
        relative_sigma=rng.uniform(0.7, 1.5, 12),
        shift=SharedShift(error=0.5, lever=lever),
        **rounded,
    )
    model = qz.MixtureModel(rounding=ends is not None, integers=integers)
    likelihood = likelihood_of(model, readings, 0.2)
    near = assert_bounded(likelihood, box, np.zeros(1))
    far = assert_bounded(likelihood, box | {"offset": box["offset"] + 60.0}, np.zeros(1))
    assert far[0] < near[0] - 100
