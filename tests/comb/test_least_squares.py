"""The least-squares comb fit: global optimum, standard errors, published and open data."""

import itertools

import numpy as np
import pytest
from published import (
    THIRTEEN,
    THIRTEEN_INTEGERS,
    bids_weeks,
    faithful,
    macdonell,
    survey_heights,
    wind_speeds,
)

import quantize as qz
from quantize.comb import assignments
from quantize.comb.least_squares import _settle
from quantize.recording import _within_and_shared


def criterion_of(x, k, free):
    """Residual variance of the least-squares fit in units of its own unit squared."""
    k = np.asarray(k, float)
    design = np.column_stack([k, np.ones_like(k)]) if free else k[:, None]
    solution, *_ = np.linalg.lstsq(design, x, rcond=None)
    residual = x - design @ solution
    return float(np.mean(residual**2) / solution[0] ** 2), float(solution[0])


def exhaustive(x, low, high, free):
    """Best criterion over every assignment round(x·f − c), all break points visited."""
    f_breaks = np.concatenate(
        [[1 / high, 1 / low]]
        + [(np.arange(0, np.ceil(abs(v) / low) + 1) + 0.5) / abs(v) for v in x if v != 0]
    )
    best = (np.inf, np.nan)
    if not free:
        edges = np.unique(f_breaks[(f_breaks >= 1 / high) & (f_breaks <= 1 / low)])
        trials = [(m, 0.0) for m in 0.5 * (edges[1:] + edges[:-1])]
    else:
        # Between crossings of two phases the cyclic order is fixed, so n cuts exhaust the phase.
        crossings = [
            np.arange(1, np.ceil(abs(a - b) / low) + 1) / abs(a - b)
            for a, b in itertools.combinations(x, 2)
        ]
        edges = np.concatenate([[1 / high, 1 / low], *crossings])
        edges = np.unique(edges[(edges >= 1 / high) & (edges <= 1 / low)])
        trials = []
        for f in 0.5 * (edges[1:] + edges[:-1]):
            t = np.sort((x * f) % 1)
            cuts = 0.5 * (t + np.append(t[1:], t[0] + 1))
            trials += [(f, (c + 0.5) % 1) for c in cuts]
    for f, c in trials:
        k = np.rint(x * f - c)
        if np.ptp(k) == 0 and (free or k[0] == 0):
            continue
        value, unit = criterion_of(x, k, free)
        if low <= unit <= high and value < best[0]:
            best = (value, unit)
    return best


@pytest.mark.parametrize("free", [False, True])
@pytest.mark.parametrize("case", range(12))
def test_fit_is_the_global_optimum(case, free):
    rng = np.random.default_rng([31, case])
    spread = [0.05, 0.15, 0.3][case % 3]
    x = rng.integers(-5, 6, size=8) + spread * rng.normal(size=8) + (0.3 if free else 0.0)
    found = qz.fit_comb(x, (0.3, 2.5), offset="free" if free else "zero")
    best, unit = exhaustive(x, 0.3, 2.5, free)
    ours, _ = criterion_of(x, found.integers, free)
    assert ours <= best * (1 + 1e-9)
    assert found.unit == pytest.approx(unit, rel=1e-9)


def test_running_sums_are_those_of_each_assignment(rng):
    x = rng.normal(size=6) * 4
    found = assignments.fixed_offset(x, np.ones(6), 0.5, 3.0)
    for f, unit, value in zip(found.frequency, found.unit, found.criterion, strict=True):
        expected, expected_unit = criterion_of(x, np.rint(x * f), free=False)
        assert value == pytest.approx(expected, rel=1e-6, abs=1e-9)
        assert unit == pytest.approx(expected_unit, rel=1e-9)


def test_thirteen_charges():
    # Least squares through zero 4.9089 ± 0.0046, mean of q/n 4.9166 (recomputed from Millikan's
    # published charges); line slope 4.8839 ± 0.0103, intercept +0.293 ± 0.112.
    found = qz.fit_comb(THIRTEEN, (2, 8))
    assert found.integers.tolist() == THIRTEEN_INTEGERS
    assert found.unit == pytest.approx(4.9089, abs=5e-5)
    assert found.unit_err == pytest.approx(0.0046, abs=5e-5)
    assert np.mean(THIRTEEN / found.integers) == pytest.approx(4.9166, abs=5e-5)
    assert found.integers_sure
    free = qz.fit_comb(THIRTEEN, (2, 8), offset="free")
    assert free.unit == pytest.approx(4.8839, abs=5e-5)
    assert free.unit_err == pytest.approx(0.0103, abs=5e-5)
    assert free.offset == pytest.approx(0.293, abs=5e-4)
    assert free.offset_err == pytest.approx(0.112, abs=5e-4)


def test_units_of_open_data():
    assert 60 * qz.fit_comb(faithful(), (0.01, 0.1)).unit == pytest.approx(1, abs=1e-4)
    assert 7 * qz.fit_comb(bids_weeks(), (0.08, 0.6)).unit == pytest.approx(1, abs=1e-4)
    heights = qz.fit_comb(macdonell(), (0.05, 0.3), offset="free")
    assert 12 * heights.unit == pytest.approx(1, abs=1e-6)
    assert 12 * heights.offset == pytest.approx(9 / 16, abs=1e-4)


def test_half_inches_among_the_inches():
    # 7 of 68 heights are half inches: with half an inch in the range it is the better comb.
    heights = survey_heights("Imperial")
    assert qz.fit_comb(heights, (1.0, 6)).unit == pytest.approx(1.27, abs=1e-4)
    whole = qz.fit_comb(heights, (1.5, 6), loss="huber")
    assert whole.unit == pytest.approx(2.54, abs=2e-3)


@pytest.mark.parametrize("loss", ["linear", "huber", "cauchy"])
def test_one_wild_value(loss):
    # 1048.36 mph is 911 knots, so the wild value sits on the comb: no loss is misled by it.
    found = qz.fit_comb(wind_speeds(), (0.6, 4), loss=loss)
    assert found.unit == pytest.approx(1.15078, abs=1e-5)


def test_robust_loss_survives_a_misread_reading(rng):
    k = rng.integers(1, 10, size=30)
    x = k + 0.04 * rng.normal(size=30)
    x[3] += 0.45
    x[7] = 47.5
    plain = qz.fit_comb(x, (0.6, 3))
    robust = qz.fit_comb(x, (0.6, 3), loss="cauchy")
    assert abs(robust.unit - 1) < 0.004
    assert abs(robust.unit - 1) <= abs(plain.unit - 1)


def test_standard_error_reaches_the_bound():
    # Cramér–Rao with known integers: sigma²/Σn². 500 runs: the ratio has standard error 0.032.
    rng = np.random.default_rng(37)
    k = np.arange(1, 13)
    units, errors = [], []
    for _ in range(500):
        found = qz.fit_comb(k + 0.08 * rng.normal(size=12), (0.8, 1.3))
        units.append(found.unit)
        errors.append(found.unit_err)
    bound = 0.08 / np.sqrt(np.sum(k**2))
    assert 0.87 < np.std(units) / bound < 1.13
    assert 0.85 < np.mean(errors) / bound < 1.05


def test_doubtful_integers_are_flagged(rng):
    sharp = qz.fit_comb(rng.integers(1, 9, size=30) + 0.05 * rng.normal(size=30), (0.7, 3))
    blurred = qz.fit_comb(rng.integers(1, 9, size=30) + 0.3 * rng.normal(size=30), (0.7, 3))
    assert sharp.integers_sure
    assert not blurred.integers_sure
    assert "in doubt" in repr(blurred)


def test_exact_data_prefer_the_coarsest_comb():
    found = qz.fit_comb([2.0, 4.0, 6.0, 10.0, 14.0], (0.4, 5))
    assert found.unit == pytest.approx(2.0)
    assert found.integers.tolist() == [1, 2, 3, 5, 7]
    assert found.unit_err > 0


def test_whole_units_added_move_only_the_integers(rng):
    x = rng.integers(-3, 4, size=12) + 0.05 * rng.normal(size=12)
    one = qz.fit_comb(x, (0.8, 1.25), offset="free")
    moved = x + 7.0
    two = qz.fit_comb(moved, (0.8, 1.25), offset="free")
    assert two.unit == pytest.approx(one.unit, rel=1e-9)
    assert np.ptp(two.integers - one.integers) == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"loss": "absolute"}, "`loss` is 'absolute'; it must be one of 'linear', 'huber'"),
        ({"unit_range": (50, 90)}, "every reading is nearer to zero than half a unit"),
        ({"unit_range": (1e-9, 9)}, "trial units, more than"),
    ],
)
def test_bad_arguments(arguments, message):
    with pytest.raises(qz.InputError, match=message):
        qz.fit_comb([1.0, 2.1, 3.3], **arguments)


def test_far_from_zero_the_assignments_are_too_many_before_the_units():
    with pytest.raises(qz.InputError, match="assignments of whole numbers, more than"):
        qz.fit_comb([100.0, 101.1, 102.3], (1e-5, 9))


def test_weights_of_the_robust_losses_are_those_of_their_definitions(rng):
    # Huber's 1.345 and Cauchy's 2.385, for 95 % of the efficiency of least squares; the scale is
    # the median absolute deviation over that of a normal law.
    x = np.arange(1.0, 13) + rng.normal(0, 0.03, 12)
    x[[2, 7]] += 0.2, -0.1
    for loss, tuning in (("huber", 1.345), ("cauchy", 2.385)):
        fit = _settle(x, np.ones(12), 1.0, 0.0, grain=0.0, free=False, loss=loss)
        size = np.abs(fit.residual) / (1.4826 * np.median(np.abs(fit.residual)) * tuning)
        expected = 1 / np.maximum(size, 1) if loss == "huber" else 1 / (1 + size**2)
        assert fit.robust_weight == pytest.approx(expected, rel=1e-3)
        assert fit.robust_weight.min() < 0.7 < fit.robust_weight.max()


def test_readings_that_all_lie_on_zero_have_no_unit():
    x = np.array([1.0, -2.0, 3.0])
    assert _settle(x, np.ones(3), 0.1, 0.0, grain=0.0, free=False, loss="linear") is None


@pytest.mark.parametrize("offset", ["zero", "free"])
@pytest.mark.parametrize("scale", [1.0, -1000.0])
def test_more_readings_do_not_average_away_the_rounding_that_a_level_shares(offset, scale):
    """Plain least squares of the means of levels says how far rounding can move the unit."""
    k = np.repeat(np.arange(1, 8), 40)
    exact = (5.13 * k + (1.7 if offset == "free" else 0.0)) * np.sign(scale)
    x, step = np.round(exact) * abs(scale), abs(scale)
    span = (3 * step, 8 * step)
    one = step / np.sqrt(12)
    lever = np.arange(1, 8) - (4.0 if offset == "free" else 0.0)
    expected = one / np.sqrt(np.sum(lever**2))
    edges = (np.arange(-60, 61) - 0.5) * step
    binned = qz.counts.Histogram(edges, np.histogram(x, edges)[0])
    for found in (
        qz.fit_comb(x, span, resolution=step, offset=offset),
        qz.periodogram(x, span, resolution=step, offset=offset),
        qz.periodogram(binned, span, offset=offset),
    ):
        assert found.unit_err == pytest.approx(expected, rel=2e-2)


def test_the_interval_holds_the_unit_of_rounded_levels_as_often_as_it_says(rng):
    held = {"comb": 0, "periodogram": 0}
    for _ in range(200):
        unit = rng.uniform(4, 6)
        exact = unit * (rng.integers(1, 8, 100) + 0.02 * rng.standard_normal(100))
        x = np.round(exact)
        comb = qz.fit_comb(x, (3, 8), resolution=1.0)
        peak = qz.periodogram(x, (3, 8), resolution=1.0)
        held["comb"] += abs(comb.unit - unit) < 1.96 * comb.unit_err
        held["periodogram"] += abs(peak.unit - unit) < 1.96 * peak.unit_err
    assert min(held.values()) >= 176  # 190 expected; beyond four standard errors


@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.3])
def test_the_rounding_error_that_a_level_shares_is_that_of_simulated_levels(rng, sigma):
    place = rng.uniform(-0.5, 0.5, 4000)
    readings = np.round(place[:, None] + sigma * rng.standard_normal((4000, 400)))
    within = float(readings.var(axis=1, ddof=1).mean())
    shared = float(np.mean((readings.mean(axis=1) - place) ** 2)) - within / 400
    assert np.interp(within, *_within_and_shared()) == pytest.approx(shared, rel=0.1, abs=1e-3)
