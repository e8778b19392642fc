"""The likelihood by wrapped-normal densities against the one that adds up teeth, and its bound."""

import dataclasses
import itertools

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import quantize as qz
from quantize.model.envelope import envelope_of
from quantize.model.likelihood import Cell, Likelihood, Parameters
from quantize.model.quadrature import NEGLIGIBLE
from quantize.model.wrapped_likelihood import (
    PartlyMeasured,
    RoundedLikelihood,
    WrappedLikelihood,
    likelihood_of,
)
from quantize.shared_shift import SharedShift

PLAIN = qz.MixtureModel()
NONE = np.zeros(1)
samples = st.fixed_dictionaries(
    {
        "n": st.integers(2, 12),
        "states": st.booleans(),
        "sigmas": st.booleans(),
        "lever": st.sampled_from([None, "equal", "unequal"]),
        "seed": st.integers(0, 2**32 - 1),
    }
)
moved_apart = samples.map(lambda sample: sample | {"states": True, "lever": "apart"})
partly = (samples | moved_apart).map(lambda sample: sample | {"others": True, "n": sample["n"] + 3})
rounded = st.tuples(samples, st.sampled_from([0.02, 0.3, 0.8, 1.7])).map(
    lambda both: both[0] | {"states": False, "step": both[1]}
)


def readings_of(sample):
    """A comb of unit 1 with what may come with it; a shift may move a state's readings apart.

    Recorded readings have steps of two sizes.
    """
    rng, n = np.random.default_rng(sample["seed"]), sample["n"]
    state = rng.integers(0, max(n // 2, 2), size=n) if sample["states"] else np.arange(n)
    state[:2] = 0, 1
    k, lever = rng.integers(-4, 5, size=n)[state], rng.uniform(-2, 2, size=n)[state]
    k[state == 0], k[state == 1] = -5, 6
    shift = None
    if sample["lever"] is not None:
        each = {"equal": np.full(n, 0.7), "apart": rng.uniform(-2, 2, size=n)}
        lever = each.get(sample["lever"], lever)
        shift = SharedShift(error=0.1, lever=lever)
    values, step = k + 0.15 * rng.normal(size=n), None
    if "step" in sample:
        step = np.resize([sample["step"], 0.5 * sample["step"]], n)
        values = step * np.rint(values / step)
    kinds = {}
    if sample.get("others"):
        # One within which the charge changed, and one off the scale, of states of their own or not.
        kinds["changed"] = np.arange(n) % 4 == 2
        kinds["beyond"] = np.where(np.arange(n) % 4 == 3, rng.choice([-1, 1], size=n), 0)
        values = values + kinds["changed"] * rng.uniform(-1, 1, size=n)
    return qz.Readings(
        values,
        **kinds,
        sigma=rng.uniform(0.05, 0.4, size=n) if sample["sigmas"] else None,
        state=state if sample["states"] else None,
        resolution=step,
        shift=shift,
    )


def both(sample):
    readings = readings_of(sample)
    model = qz.MixtureModel(rounding="step" in sample)
    general = Likelihood(readings, envelope_of(model, readings), rounding=model.rounding)
    return likelihood_of(model, readings), general


def parameters(rng, m, scaled, *, one_offset=False):
    """Spreads from a hundredth of a unit to three.

    With one offset every unit comes with many sigmas, which the cosine series is for.
    """
    unit = np.exp(rng.uniform(np.log(0.3), np.log(3), size=m))
    if one_offset:
        unit = np.resize(unit[:3], m)
    spread = np.exp(rng.uniform(np.log(0.01), np.log(3), size=m))
    offset = np.full(m, 0.2) if one_offset else rng.uniform(-0.5, 0.5, size=m)
    zero = np.zeros(m)
    sigma = unit * spread / (0.2 if scaled else 1.0)
    return Parameters(unit=unit, sigma=sigma, offset=offset, growth=zero, outliers=zero)


def agrees(fast, plain):
    np.testing.assert_allclose(fast, plain, rtol=1e-9, atol=1e-9)


def compare(sample, one_offset):
    wrapped, general = both(sample)
    kind = RoundedLikelihood if "step" in sample else WrappedLikelihood
    assert type(wrapped) is (PartlyMeasured if "others" in sample else kind)
    rng = np.random.default_rng(sample["seed"])
    p = parameters(rng, 36, sample["sigmas"], one_offset=one_offset)
    # Half way between two teeth, where either is less likely than the smallest normal double
    # (ln -708), one of both may be left out.
    p = p.rows(np.flatnonzero(general.pointwise(p).min(axis=1) > -690))
    agrees(wrapped.log_likelihood(p), general.log_likelihood(p))
    agrees(wrapped.by_share(p, NONE), general.by_share(p, NONE))
    agrees(wrapped.pointwise(p), general.pointwise(p))
    assert wrapped.shift_shows == general.shift_shows
    agrees(wrapped.log_continuum(p), general.log_continuum(p))
    one = p.rows(slice(0, 1))
    agrees(wrapped.log_likelihood(one), general.log_likelihood(one))


@settings(max_examples=80)
@given(sample=samples | rounded | partly, one_offset=st.booleans())
@example(
    sample={
        "n": 5,
        "states": False,
        "sigmas": True,
        "lever": "unequal",
        "step": 0.02,
        "seed": 57209590,
    },
    one_offset=True,
)
def test_both_likelihoods_are_the_same(sample, one_offset):
    compare(sample, one_offset)


@settings(max_examples=40)
@given(sample=moved_apart, one_offset=st.booleans())
def test_both_are_the_same_where_a_shift_moves_the_readings_of_a_state_apart(sample, one_offset):
    compare(sample, one_offset)


@settings(max_examples=20)
@given(sample=samples | rounded)
def test_whole_numbers_are_drawn_alike(sample):
    wrapped, general = both(sample)
    p = parameters(np.random.default_rng(1), 10, sample["sigmas"])
    (teeth, fast), (same_teeth, plain) = wrapped.teeth(p), general.teeth(p)
    np.testing.assert_array_equal(teeth, same_teeth)
    # A phase of a thousand cycles has lost three digits of sixteen, and is divided by the spread.
    np.testing.assert_allclose(fast, plain, rtol=1e-8, atol=1e-10)
    share = np.linspace(0.5, 1.5, 10) / 10
    (whole, fast), (same, plain) = (one.integer_shares(p, share) for one in (wrapped, general))
    np.testing.assert_allclose(fast.sum(axis=1), 1.0)
    for k in np.union1d(whole, same):
        here, there = fast[:, whole == k].sum(axis=1), plain[:, same == k].sum(axis=1)
        np.testing.assert_allclose(here, there, rtol=1e-8, atol=1e-10)
    drawn = [one.draw_integers(p, np.random.default_rng(2)) for one in (wrapped, general)]
    np.testing.assert_array_equal(*drawn)


@pytest.mark.parametrize(
    "options",
    [
        {"outliers": 1e-9},
        {"noise": "counting"},
        {"window": (-9, 9)},
        {"integers": "positive"},
        {"envelope": "normal"},
        {"envelope": "levels"},
    ],
)
def test_anything_more_in_the_model_is_added_up(options):
    readings = qz.Readings([1.04, 2.93, 5.2], resolution=0.01)
    assert type(likelihood_of(qz.MixtureModel(**options), readings)) is Likelihood


@pytest.mark.parametrize(
    "columns",
    [
        {"beyond": [0, 0, 1]},
        {"changed": [0, 1, 0]},
    ],
)
def test_readings_of_other_kinds_are_added_up(columns):
    readings = qz.Readings([1.04, 2.93, 3.2], **columns)
    assert type(likelihood_of(PLAIN, readings)) is PartlyMeasured
    # Of one reading that was measured there are no phases to compare.
    alone = qz.Readings([1.04, 2.93], **{name: column[1:] for name, column in columns.items()})
    assert type(likelihood_of(PLAIN, alone)) is Likelihood


boxes = st.fixed_dictionaries(
    {
        "log_unit": st.floats(np.log(0.3), np.log(3)),
        "half_unit": st.floats(1e-6, 0.3),
        "offset": st.floats(-0.5, 0.5),
        "half_offset": st.floats(0, 0.8),
        "log_sigma": st.floats(np.log(0.01), np.log(2)),
        "ratio": st.floats(0, 4),
    }
)


@settings(max_examples=150)
@given(sample=samples | rounded | partly, box=boxes, n=st.sampled_from([4, 25, 120]))
@example(
    # So wide that teeth beyond the second count.
    sample={"n": 2, "states": False, "sigmas": False, "lever": None, "seed": 0, "step": 0.02},
    box={
        "log_unit": 0.0,
        "half_unit": 0.015625,
        "offset": 0.0,
        "half_offset": 0.0,
        "log_sigma": 0.5,
        "ratio": 0.0,
    },
    n=3,
)
def test_the_likelihood_is_nowhere_in_a_cell_above_its_bound(sample, box, n):
    look_inside(sample, box, n)


@settings(max_examples=100)
@given(sample=moved_apart, box=boxes, n=st.sampled_from([3, 25, 120]))
def test_nor_where_a_shift_moves_the_readings_of_a_state_apart(sample, box, n):
    look_inside(sample, box, n)


def look_inside(sample, box, n):
    wrapped, _ = both(sample | {"n": n})
    one, m = np.ones(1), 40
    t = np.random.default_rng(sample["seed"]).uniform(-1, 1, size=(3, m))
    t[:, : m // 2] = np.sign(t[:, : m // 2])
    zero = np.zeros(m)
    inside = Parameters(
        unit=np.exp(box["log_unit"] + box["half_unit"] * t[0]),
        sigma=np.exp(box["log_sigma"] + 0.5 * (t[1] - 1) * box["ratio"]),
        offset=box["offset"] + box["half_offset"] * t[2],
        growth=zero,
        outliers=zero,
    )
    centre = Parameters(
        unit=np.exp(box["log_unit"]) * one,
        sigma=np.exp(box["log_sigma"]) * one,
        offset=box["offset"] * one,
        growth=NONE,
        outliers=NONE,
    )
    cell = Cell(
        log_unit=box["half_unit"] * one,
        offset=box["half_offset"] * one,
        sigma_low=np.exp(box["log_sigma"] - box["ratio"]) * one,
        growth_low=NONE,
    )
    bound = wrapped.bound(centre, cell, NONE)[0, 0]
    values = wrapped.log_likelihood(inside)
    assert np.all(values <= bound + 1e-9 + 1e-12 * np.abs(values))


@pytest.mark.parametrize("offset", [0.0, 0.4])
@pytest.mark.parametrize("spread", [0.17, 0.22, 0.3, 0.45, 0.8])
def test_sums_of_cosines_bound_many_blurred_readings(spread, offset):
    rng = np.random.default_rng([12, int(100 * spread)])
    n, k = 400, 60
    x = rng.integers(-4, 5, n) + spread * rng.normal(size=n)
    wrapped = likelihood_of(PLAIN, qz.Readings(x))
    unit, zero = np.exp(rng.uniform(np.log(0.3), np.log(2), k)), np.zeros(k)
    sigma = unit * spread * np.exp(rng.uniform(0, 0.5, k))
    # Up to a posterior standard deviation of the unit either way, and to a fifth of sigma.
    half = rng.uniform(0, 1, k) * sigma / np.linalg.norm(x)
    ratio = rng.choice([0.0, 0.2], k)
    # The offset by as much, or by a large part of the unit, which is taken as it is.
    shift = offset * rng.choice([0.0, 1.0, 2.0], k)
    shift = np.where(shift > offset, shift * unit, shift * sigma / np.sqrt(n))
    p = Parameters(unit=unit, sigma=sigma, offset=offset * unit, growth=zero, outliers=zero)
    cell = Cell(log_unit=half, offset=shift, sigma_low=sigma * np.exp(-ratio), growth_low=zero)
    bound, best = wrapped.bound(p, cell, NONE)[:, 0], np.full(k, -np.inf)
    assert wrapped.in_waves(p, cell)[1].sum() > 0.7 * k
    for a, b, c in itertools.product((-1, -0.4, 0.3, 1), (-1, 0, 1), (0, 0.6, 1)):
        q = dataclasses.replace(
            p,
            unit=unit * np.exp(a * half),
            offset=p.offset + b * shift,
            sigma=sigma * np.exp(-c * ratio),
        )
        best = np.maximum(best, wrapped.log_likelihood(q))
    assert np.all(best <= bound + 1e-8)
    # The bound of readings each nearer its tooth misses by about √n/(4·spread) a deviation.
    narrow = ratio == 0
    assert np.median((bound - best)[narrow]) < 0.25 * np.sqrt(n) / (4 * spread)


@pytest.mark.parametrize("n", [4, 25])
def test_no_cell_that_is_dropped_comes_near_the_best(n):
    # A row of cells over the whole range, each with every sigma: places inside, and the bound.
    rng = np.random.default_rng([10, n])
    wrapped = likelihood_of(
        PLAIN, qz.Readings(rng.integers(-4, 5, size=n) + 0.15 * rng.normal(size=n))
    )
    sigmas, cells = np.geomspace(0.02, 0.25, 30), 2000
    step = np.log(2.5 / 0.4) / cells
    log_u = np.log(0.4) + (np.arange(cells) + 0.5) * step

    def row(log_unit, sigma):
        zero = np.zeros(log_unit.size)
        return Parameters(
            unit=np.exp(log_unit),
            sigma=np.full(log_unit.size, sigma),
            offset=zero,
            growth=zero,
            outliers=zero,
        )

    cell = Cell(
        log_unit=np.full(cells, step / 2),
        offset=np.zeros(cells),
        sigma_low=np.full(cells, sigmas[0]),
        growth_low=np.zeros(cells),
    )
    bound = wrapped.bound(row(log_u, sigmas[-1]), cell, NONE)[:, 0]
    places = (log_u[:, None] + step * ((np.arange(9) + 0.5) / 9 - 0.5)).ravel()
    best = np.max([wrapped.log_likelihood(row(places, s)) for s in sigmas], axis=0)
    best = best.reshape(cells, 9).max(axis=1)
    assert np.all(best <= bound + 1e-9)
    # It is of use: somewhere it is within reach of the likelihood.
    assert np.min(bound - best) < NEGLIGIBLE


@settings(max_examples=20)
@given(sample=samples)
def test_the_bound_of_a_tiny_cell_is_the_likelihood(sample):
    wrapped, _ = both(sample)
    p = parameters(np.random.default_rng(3), 20, sample["sigmas"])
    tiny = np.full(p.unit.size, 1e-9)
    cell = Cell(log_unit=tiny, offset=tiny, sigma_low=p.sigma, growth_low=p.growth)
    gap = wrapped.bound(p, cell, NONE)[:, 0] - wrapped.log_likelihood(p)
    # Of the ends of the window the bound knows the least only. Half way between two teeth it takes
    # both to be as near as the nearest, and a third.
    span = wrapped.span / p.unit
    loose = wrapped.states * np.log((span + 1.2) / np.maximum(span - 0.5, 1))
    assert np.all(gap > -1e-8)
    assert np.all(gap < loose + wrapped.states * np.log(3))
