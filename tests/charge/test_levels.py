"""The fall in the course of a run: a straight line where it changes, and what that saves."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from plain_bench import Bench, simulate
from scipy import stats

import quantize as qz
from quantize.charge import Run
from quantize.charge.levels import CHANGE, CHANGING, along, levels_of, steadied, trend_of
from quantize.model import mixture
from quantize.model.averaged import averaged

DRYING = Bench(evaporated=0.08)


def test_the_line_is_that_of_a_regression_on_the_rows() -> None:
    # One reading of each state, so that the falls alone tell their scatter.
    alone = dataclasses.replace(DRYING, states=tuple((n, 1) for n, _ in DRYING.states))
    page, apparatus, _ = simulate(alone, 1)
    run = Run(page, apparatus)
    falls = run.falls
    line = stats.linregress(falls["row"], -falls["divisions"])
    found = trend_of(run)
    assert found is not None
    length = float(np.ptp(run.table["row"]))
    assert found.change.value == pytest.approx(line.slope * length)
    assert found.change.standard_uncertainty == pytest.approx(line.stderr * length)
    assert found.change.degrees_of_freedom == len(falls) - 2
    assert found.p_value == pytest.approx(line.pvalue)
    assert found.mean.value == pytest.approx(-falls["divisions"].mean())


def test_falls_that_lie_on_a_line_by_chance_are_not_better_than_the_other_rows() -> None:
    page, apparatus, _ = simulate(DRYING, 1)
    run = Run(page, apparatus)
    falls = [i for i, volts in enumerate(page["V"]) if volts == 0]
    for i in falls:
        page["divisions"][i] = -60.0 + round(0.2 * i)
    found, lined = trend_of(run), trend_of(Run(page, apparatus))
    assert found is not None
    assert lined is not None
    scatter = run.scatter()[0] / math.sqrt(len(falls))
    assert lined.mean.standard_uncertainty == pytest.approx(scatter)


def test_levels_follow_the_line() -> None:
    page, apparatus, _ = simulate(DRYING, 1)
    run = Run(page, apparatus)
    steady, trend = levels_of(run), trend_of(run)
    assert trend is not None
    moved = along(steady, trend)
    times = run.informative["row"] - run.falls["row"].mean()
    slope = trend.change.value / np.ptp(run.table["row"])
    # One voltage: what is added at each row is the fall of that row less the mean one.
    assert moved.values - steady.values == pytest.approx((slope * times).to_numpy())
    assert moved.readings(run).values == pytest.approx(moved.values)
    assert "straight line in time" in moved.remark
    assert along(moved, trend) is moved


@pytest.mark.slow
def test_a_drying_sphere_gives_its_unit_all_the_same() -> None:
    # The weight goes down by 8 %: with a steady fall the whole numbers of most runs are wrong.
    wrong = 0
    for seed in (0, 2):
        page, apparatus, truth = simulate(DRYING, seed)
        run = Run(page, apparatus)
        found = run.fit((0.5 * truth["unit"], 2 * truth["unit"]))
        assert found.integers.tolist() == truth["units"]
        assert found.unit == pytest.approx(truth["unit"], abs=4 * found.unit_err)
        levels = levels_of(run)
        steady = qz.fit_mixture(
            levels.readings(run), found.mixture.unit_range, sigma_range=run.sigma_range()
        )
        wrong += steady.integers.tolist() != truth["units"]
    assert wrong >= 1


@pytest.mark.slow
def test_a_steady_fall_stays_steady_and_one_that_changes_does_not() -> None:
    # At most 5 % of steady ones are taken along a line: of 60, more than 8 come 3 times in 1,000
    # by a binomial tail. The odds of 8 % of change are all but certain.
    lines = 0
    for seed in range(60):
        page, apparatus, _ = simulate(Bench(), seed)
        run = Run(page, apparatus)
        lines += steadied(run, levels_of(run)).drift is not None
    assert lines <= 8
    for seed in range(10):
        page, apparatus, _ = simulate(DRYING, seed)
        run = Run(page, apparatus)
        moved = steadied(run, levels_of(run))
        assert moved.drift is not None
        assert "The fall is taken as a straight line in time, which changes by -" in moved.remark


def test_the_odds_of_a_change_against_plain_integrals() -> None:
    """Densities of the falls by brute force: the mean flat, the change normal, sigma 1/sigma."""
    alone = dataclasses.replace(DRYING, states=tuple((n, 1) for n, _ in DRYING.states))
    page, apparatus, _ = simulate(alone, 3)
    page["divisions"] = [d + 0.37 * (-1) ** i for i, d in enumerate(page["divisions"])]
    run = Run(page, apparatus)
    found = trend_of(run)
    assert found is not None
    falls = run.falls
    x = -falls["divisions"].to_numpy(float)
    place = found.place[falls.index].to_numpy(float)
    spread = math.sqrt(float(np.sum((x - x.mean()) ** 2)) / (x.size - 1))
    sigma = np.geomspace(0.02 * spread, 3 * spread, 400)
    change = np.linspace(-0.3, 0.3, 2001) * x.mean()
    prior = stats.norm.pdf(change, 0, CHANGE * x.mean())
    rest = x - x.mean() - np.outer(change, place)
    squares = np.sum(rest**2, axis=1)
    steady = float(np.sum((x - x.mean()) ** 2))
    freedom = x.size - 1
    line = [np.trapezoid(prior * np.exp(-0.5 * squares / s**2), change) for s in sigma]
    ratio = np.sum(sigma**-freedom * line) / np.sum(
        sigma**-freedom * np.exp(-0.5 * steady / sigma**2)
    )
    assert found.odds == pytest.approx(ratio * CHANGING / (1 - CHANGING), rel=0.05)


def test_too_few_falls_have_no_line() -> None:
    page, apparatus, _ = simulate(Bench(falls=2), 1)
    run = Run(page, apparatus)
    assert trend_of(run) is None
    assert steadied(run, levels_of(run)).drift is None
    at_once = {"V": [200.0, 0.0, 0.0, 0.0], "div": [1, -60, -61, -60], "t": [10.0] * 4}
    at_once["clock"] = ["10:00", "11:00", "11:00", "11:00"]
    assert trend_of(Run(at_once)) is None


def test_a_clock_with_dates_counts_the_days() -> None:
    clock = ["2026-11-30 23:59:30", "2026-12-01 00:00:30", "2026-12-03T00:00:30"]
    page = {"V": [200, 0, 200], "div": [9, -60, 8], "clock": clock}
    run = Run(page)
    seconds, how = run.time_of(run.table)
    assert (np.diff(seconds).tolist(), how) == ([60, 172_800], "by the clock")
    none = Run(page | {"clock": ["2026-13-30 23:59:30", *clock[1:]]})
    assert none.time_of(none.table)[1] == "in the order of the rows"


def test_a_page_that_goes_on_after_midnight_is_one_run() -> None:
    page, apparatus, _ = simulate(DRYING, 1)
    minutes = [40 + i for i in range(len(next(iter(page.values()))))]
    assert 60 < minutes[-1] < 120
    first, second = (
        trend_of(
            Run(page | {"clock": [f"{hours[m // 60]}:{m % 60:02d}" for m in minutes]}, apparatus)
        )
        for hours in (("10", "11"), ("23", "00"))
    )
    assert first is not None
    assert second is not None
    assert second.change.value == pytest.approx(first.change.value)


def test_a_long_pause_within_a_day_stays_one() -> None:
    page = {"V": [0, 200, 0, 0], "div": [-20, 9, -21, -20], "t": [10] * 4}
    run = Run(page | {"clock": ["08:00", "08:10", "21:40", "00:10"]})
    hours, _ = run.time_of(run.table)
    assert (hours / 3600).tolist() == pytest.approx([8, 8 + 1 / 6, 21 + 2 / 3, 24 + 1 / 6])


def held(*states: int, more: str = "") -> Run:
    """No fall, and the zero where state 0 is read; invented steps of 7 divisions."""
    div = [f"{7 * n + 0.5:.1f}" for n in states] + ([more] if more else [])
    state = [str(n) for n in states] + (["off"] if more else [])
    page = {"state": state, "V": [200.0] * len(div), "div": div, "t": [10.0] * len(div)}
    return Run(page, {"run": {"held_state": "0"}})


def test_a_reading_off_the_scale_stays_above_where_a_held_level_is_taken_off() -> None:
    run = held(0, 2, 0, 3, -1, 4, 1, 5, 2, more=">48.5")
    readings = levels_of(run).readings(run)
    assert readings.beyond is not None
    assert readings.beyond[-1] == 1
    assert readings.values[-1] == pytest.approx(48)
    assert run.fit((4, 12)).integers[-1] >= 6


def test_a_held_state_that_nothing_was_repeated_for_is_no_exact_zero() -> None:
    once = held(0, 2, 3, -1, 4, 1, 5)
    assert levels_of(once).offset == "free"
    again = held(0, 0, 2, 3, -1, 4, 1, 5)
    shift = levels_of(again).shift
    # Both at 0.5, so that rounding to halves at one end is all that is seen of the scatter.
    assert shift is not None
    assert shift.standard_uncertainty == pytest.approx(0.5 / math.sqrt(12 * 2))


@pytest.mark.slow
def test_a_question_that_the_change_of_the_fall_opens_again_is_fitted_once(monkeypatch) -> None:
    rng = np.random.default_rng([1414, 20002, 1])
    levels = rng.choice(rng.uniform(2.0, 9.0, 4), 8)
    page, apparatus, _ = simulate(Bench(states=tuple((float(x), 4) for x in levels)), 21416)
    floors = []

    def counted(found, *floor):
        if found.readings.shift.also is not None:
            floors.append(floor)
        return averaged(found, *floor)

    monkeypatch.setattr(mixture, "averaged", counted)
    found = Run(page, apparatus).analyze(n_resamples=99, rng=1)
    assert "With the fall taken for steady" in " ".join(found.reasons)
    # A first look that leaves more combs out, and the fit.
    (look, *_), (fit, *_) = floors
    assert look > fit
    # Nothing is at hand here, and nothing is left out.
    alone = qz.fit_mixture(found.readings, sigma_range=found.settings["sigma_range"])
    assert len(floors) == 3
    assert alone.log_bayes_factor == pytest.approx(found.mixture.log_bayes_factor, abs=1e-6)
    assert found.unit == pytest.approx(alone.unit, rel=1e-9)
    assert found.unit_err == pytest.approx(alone.unit_err, rel=1e-9)
