"""What a sentence says is what was computed, to the same digits as beside it."""

from __future__ import annotations

import dataclasses
import math
import re
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import quantize as qz
from quantize import charge
from quantize.analysis import Analysis
from quantize.charge.coulombs import budget_text
from quantize.charge.stated import raised
from quantize.null import verdict
from quantize.null.calibration import chance, odds
from quantize.null.power import SIMULATED, readings_needed
from quantize.show import facts, sentences
from quantize.show.analysis import analysis_view
from quantize.show.numbers import brackets
from quantize.show.report import report_html
from quantize.show.run import charges_view
from quantize.show.short import short_rows
from quantize.show.text import view_text

DATA = Path(qz.__file__).parent / "data"
QUICK: dict[str, Any] = {"n_resamples": 99, "rng": 1}


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def free() -> Analysis:
    """Whole numbers 10 to 16 counted from anywhere, in divisions."""
    rng = np.random.default_rng(2)
    values = (0.37 + rng.integers(10, 17, 20) + 0.06 * rng.normal(size=20)).round(3)
    return qz.analyze(qz.Readings(values, unit_name="div"), offset="free", **QUICK)


def test_chances_and_odds_of_the_reasons_are_those_of_the_table(published: Analysis) -> None:
    for p in (0.0021, 0.00217, 0.0149, 0.0322):
        said = verdict._odds_message(p, "sums", published.evidence)
        assert f"in more than {chance(p)}; nearest come sums of two units." in said
    for lead in (0.3, 1.36, 2.37, 6.3, 9.0, 20.0):
        compared = verdict._two_units_compared((1.0, 2.0), "sums", lead)
        against = odds(lead).removesuffix(" to 1")
        how = "as well as" if against == "about even" else f"{against} times less well than"
        assert f"explain the readings {how} whole-number steps" in compared
        assert verdict._thin_message(-lead).endswith(
            "the odds are about even."
            if lead < 0.4
            else f"the odds are {odds(lead)} against steps."
        )


@pytest.mark.parametrize("scale", [1e-19, 1e6])
def test_excluded_units_are_written_as_the_range_is(published: Analysis, scale: float) -> None:
    tried = dataclasses.replace(published.unit_range, low=0.5034 * scale, high=3.998 * scale)
    found = dataclasses.replace(
        published,
        verdict="no steps",
        no_unit_above=0.5034 * scale,
        unit_range=tried,
        readings=qz.Readings(published.readings.values * scale),
    )
    said = facts.excluded(found)
    assert said == facts.settings(found)[0][1].partition(",")[0]
    assert re.fullmatch(r"5\.034 × 10\S+ to 3\.998 × 10\S+", said)
    assert f"of any unit from {said}." in facts.headline(found)
    assert f"every unit from {said}, each" in dict(short_rows(found))["how sure"]


def test_where_no_odds_are_given_the_table_gives_none() -> None:
    two = qz.analyze([1.0, 2.01, 1.0, 2.0, 1.01, 2.0, 1.99], **QUICK)
    assert facts.compared(two).startswith("No odds are given: at no unit tried")
    rows = facts.nulls(two)
    assert rows
    assert {row["odds"] for row in rows} == {"chance only"}


def test_odds_of_more_than_a_million_have_the_form_of_the_others(fixed: Analysis) -> None:
    found = dataclasses.replace(fixed, log_bayes_factors={"heaped": 30.0, "sums": -30.0})
    said = {row["odds"] for row in facts.nulls(found)}
    assert {"over 1,000,000 to 1", "1 to over 1,000,000"} <= said
    assert max(map(len, view_text(analysis_view(found)).splitlines())) <= 80


def test_what_pins_the_unit_where_multiples_may_start_anywhere(
    free: Analysis, published: Analysis
) -> None:
    assert free.verdict == published.verdict == "steps"
    assert "readings farthest apart" in sentences.next_step(free)
    # 17 against the middle one, 10: the square of their ratio.
    assert "whole number 17 says about 2.9 times as much as one at 10" in sentences.next_step(
        published
    )
    alike = dataclasses.replace(published, integers=np.full(13, 3))
    assert sentences.next_step(alike) == (
        "The size of the unit is pinned best by readings far from zero, so repeat the largest."
    )


def test_text_report_and_worked_row_count_from_the_same_place(free: Analysis) -> None:
    start = facts.counted_from(free)
    assert start.endswith(" div")
    assert f"counted from {start}" in flat(str(free))
    assert f"counted from {start}." in flat(report_html(free).replace("&nbsp;", " "))
    assert sentences.worked_row(free)[1].startswith(f"Counted from {start}: ")
    assert facts.counted_from(dataclasses.replace(free, offset=0.0)) != ""


def test_what_was_assumed_stands_among_what_was_tried() -> None:
    rng = np.random.default_rng(9)
    values = (rng.integers(1, 9, 14) + 0.06 * rng.normal(size=14)).round(2)
    from scipy import stats

    model = qz.MixtureModel(offset=stats.norm(0.0, 0.1), outliers=0.05)
    found = qz.analyze(qz.Readings(values, unit_name="div"), model=model, **QUICK)
    tried = dict(facts.settings(found))
    assert tried["assumed besides"] == "outliers 0.05"
    assert tried["offset"].startswith("known beforehand: norm")
    known = qz.analyze(qz.Readings(values, unit_name="1e-3 div"), offset=0.02, **QUICK)
    assert dict(facts.settings(known))["offset"] == "fixed at 0.02 × 10⁻³ div"
    assert "assumed besides" not in dict(facts.settings(known))


def test_a_known_scatter_of_means_is_called_so() -> None:
    rng = np.random.default_rng(4)
    states = np.repeat(np.arange(40), 4)
    values = rng.uniform(1, 9, 40)[states] + 0.1 * rng.normal(size=160)
    found = qz.analyze(qz.Readings(values, state=states.astype(str)), (1.2, 8), **QUICK)
    assert found.no_unit_above is not None
    said = next(reason for reason in found.reasons if "known scatter" in reason)
    sigma = float(re.findall(r"with the known scatter of a mean, ([\d.]+), or", said)[0])
    # 0.1 over the square root of four.
    assert sigma == pytest.approx(0.05, rel=0.1)


def test_a_reading_far_off_is_told_once(fixed: Analysis) -> None:
    from quantize.null.guards import finding

    far = finding("far", "One lies far off.", warns=True)
    found = dataclasses.replace(
        fixed, verdict="cannot tell", reasons=(far.sentence,), findings=(far,)
    )
    rows = dict(short_rows(found))
    assert far.sentence in rows["how sure"]
    assert far.sentence not in rows["look at"]


@pytest.mark.parametrize(("unit", "said"), [(1004.4, "1,004"), (99.84, "99.8"), (4.909, "4.91")])
def test_recording_steps_are_counted(unit: float, said: str) -> None:
    from quantize.null.guards import not_the_resolution

    assert f"is {said} recording steps of 1," in not_the_resolution(1.0, unit, 1e-3).sentence


def test_one_unit_is_no_plural(fixed: Analysis) -> None:
    k = np.ones(13, dtype=int)
    unit = float(fixed.readings.values.mean())
    chances = fixed.integer_probabilities.assign(integer=1, probability=1.0)
    found = dataclasses.replace(fixed, integers=k, unit=unit, integer_probabilities=chances)
    assert "its multiple, 1 unit: by" in dict(short_rows(found))["look at"]
    assert math.isfinite(unit)


# ---- a run --------------------------------------------------------------------------------------


def invented(folder: Path, *, wrong_label: bool = False, falls: int | None = None) -> Any:
    """The invented run, with a row under a wrong state, or with its first few falls alone."""
    lines, kept = (DATA / "invented_run.csv").read_text(encoding="utf-8").splitlines(), []
    for line in lines:
        fall = line.split(",")[2:3] == ["0"]
        if fall and falls is not None and sum(",0,80" in one for one in kept) >= falls:
            continue
        kept.append(line)
    page = "\n".join(kept) + "\n"
    if wrong_label:
        page = page.replace("P1,3,227.4,8,18", "P1,4,227.4,8,18", 1)
    (folder / "run.csv").write_text(page, encoding="utf-8")
    return charge.read_run(folder / "run.csv", DATA / "invented_apparatus.toml")


@pytest.mark.slow
def test_the_balance_charge_is_the_quotient_of_the_numbers_beside_it(tmp_path: Path) -> None:
    found = invented(tmp_path, falls=3).analyze((6, 16), **QUICK)
    said = found.balance_sentence
    fall, unit, units = (
        [float(x) for x in pair] for pair in re.findall(r"([\d.]+) ± ([\d.]+)(?:\)| units)", said)
    )
    assert units[0] == pytest.approx(found.fit.balance.units, abs=5e-4)
    # Three falls are known no better than the readings know them: as read, the quotient is 0.7
    # of its error away.
    assert abs(fall[0] / unit[0] - units[0]) < 0.25 * units[1]
    assert abs(found.fit.fall_added.value / unit[0] - units[0]) > 0.5 * units[1]
    assert "0.010 units, nearest to 6 whole units" in said
    assert facts.counted_from(found).endswith("divisions, as the readings correct the fall")


def test_a_report_says_what_was_put_right_and_the_coulombs_once(
    tmp_path: Path, unrendered: None
) -> None:
    found = invented(tmp_path, wrong_label=True).analyze((6, 16), **QUICK)
    page = report_html(found).replace("&nbsp;", " ")
    answer = re.findall(r"<dt>(.*?)</dt>", page[: page.index("<h2>Why")])
    assert answer == ["Put right", "How sure", "Look at", "Next"]
    assert "Row 16 (line 19 of run.csv) fits state 3" in page[: page.index("<h2>Why")]
    # A number without a unit of measurement has none behind it.
    assert "viscosity formula" in page
    assert not re.search(r"\(\d+\) 1<", page)
    k, charge_of_one, product = map(
        float,
        re.findall(r"units: (\d+) × ([\d.]+) × 10⁻¹⁹ C = ([\d.]+) × 10⁻¹⁹ C\.", page)[0],
    )
    assert product == pytest.approx(k * charge_of_one, abs=0.00501)
    said = flat(str(found.checks))
    assert "the most scattered of 9 sets of repeats is that of state" in said


def test_a_run_of_one_charge_state_is_refused_in_its_own_words(tmp_path: Path) -> None:
    page = "state,V,div,t\n" + "1,200,10,10\n1,200,11,10\n1,200,9,10\n1,0,-60,10\n"
    (tmp_path / "run.csv").write_text(page, encoding="utf-8")
    with pytest.raises(qz.InputError, match=r"^the state is '1' for every reading"):
        charge.read_run(tmp_path / "run.csv", {}).analyze(**QUICK)


def test_budgets_name_the_unit_of_every_input(tmp_path: Path) -> None:
    run = invented(tmp_path)
    found = charge.unit_in_coulombs(10.17, run.apparatus, unit_err=0.03, run=run)
    rows = {line.split()[0]: line.split() for line in budget_text(found.budget).splitlines()[1:]}
    for name, unit in (("plates.voltage", "V"), ("sphere.weight", "N"), ("fall", "div")):
        assert rows[name][3] == unit
    assert rows["viscosity"][4] in ("inf", "0.0014")
    assert all(len(line) <= 80 for line in budget_text(found.budget).splitlines())


def test_a_conversion_doubts_a_wrong_label_and_keeps_its_errors(tmp_path: Path) -> None:
    right, wrong = invented(tmp_path).charges(), invented(tmp_path, wrong_label=True).charges()
    # The row that stands under a wrong state made the random part ten times as large.
    assert wrong["standard_uncertainty"].max() == pytest.approx(
        right["standard_uncertainty"].max(), rel=0.1
    )
    assert right.attrs["doubted"] == []
    assert "Row 16 (line 19 of run.csv) fits state 3" in wrong.attrs["doubted"][0]
    said = view_text(charges_view(invented(tmp_path, wrong_label=True), wrong))
    assert "Row 16 (line 19 of run.csv) fits state 3" in flat(said)


def test_whose_inputs_agree_least_is_named() -> None:
    bench = charge.SimulatedBench(states=((6, 2), (4, 2), (7, 2)), falls=3)
    drawn = [bench.simulate(rng=seed) for seed in (1, 2)]
    rows = pd.concat([page.assign(particle=f"P{i}") for i, (page, _, _) in enumerate(drawn)])
    apparatus = drawn[0][1]
    apparatus["sphere"]["weight_of"] = "the batch"
    run = charge.Run(rows, apparatus)
    table = run.charges()
    assert table.attrs["agreement_of"] in run.particles
    said = flat(view_text(charges_view(run, table)))
    assert f"Do all inputs agree? Least those of {table.attrs['agreement_of']}. Fitted" in said


def test_a_report_of_balance_voltages_has_their_coulombs(tmp_path: Path, unrendered: None) -> None:
    rng = np.random.default_rng(3)
    volts = [5.15e-14 * 4.24e-3 / (1.602e-19 * k) for k in (3, 4, 5, 6, 7, 9, 11, 2, 8)]
    page = {
        "state": np.repeat(np.arange(9), 3).astype(str),
        "U": (np.repeat(volts, 3) + rng.normal(size=27)).round(1),
    }
    bench = {
        "plates": {"separation": "4.24 +/- 0.015 mm"},
        "sphere": {"weight": "5.15(8)e-14 N", "weight_of": "this sphere"},
    }
    found = charge.BalanceVoltages(page, bench).analyze(**QUICK)
    assert found.coulombs is not None
    report = flat(re.sub("<[^>]+>", " ", report_html(found).replace("&nbsp;", " ")))
    stated = brackets(found.coulombs.value, found.coulombs.standard_uncertainty, "C")
    assert f"unit = {stated} by the route 'ratio, weight given'" in unescape(report)
    assert "the standard deviation of one setting is" in report
    assert f"1/kV, that is {stated} (standard uncertainty" in report
    # A factor on the sigmas given is left to the readings, and is not said to be known.
    low, high = found.settings["sigma_range"]
    scatter = dict(facts.settings(found))["scatter"]
    assert scatter.endswith(f"to a factor that is not known, {low:.3g} to {high:.3g}")


# ---- counts -------------------------------------------------------------------------------------


def test_the_numbers_of_counts_are_those_of_their_reasons() -> None:
    rng = np.random.default_rng(1)
    values = rng.poisson(3, 20_000) + 0.12 * rng.normal(size=20_000)
    counts, edges = np.histogram(values, bins=np.arange(-1, 14, 0.02))
    found = qz.analyze(qz.counts.Histogram(edges, counts), (0.3, 3))
    assert found.verdict == "steps"
    said = flat(str(found))
    bound = raised(f"{found.p_value:.2g}")
    assert f"with a chance of at most {bound}, by" in said
    assert f"chance at most {bound} without" in said
    # Not all of them belong to the levels.
    assert 0 < found.background < 1e-3
    assert "> 99.9 % of the readings belong to the levels" in said
    assert "off every level < 0.1 % of the readings" in said
    assert "20,000 in the bins" in said
    assert "counted from" not in said
    assert "the best unit" in said
    assert "half of it" in said


def test_the_bars_of_readings_are_the_scatter_that_is_said() -> None:
    rng = np.random.default_rng(9)
    values = (rng.integers(1, 9, 14) + 0.12 * rng.normal(size=14)).round(2)
    readings = qz.Readings(values, sigma=0.06)
    found = qz.analyze(readings, sigma_range=(0.5, 4), **QUICK)
    assert found.sigma > 1.3 * 0.06
    [bars] = found.plot(view="readings").containers
    ends = np.array(bars.lines[2][0].get_segments())[:, :, 1]
    np.testing.assert_allclose(np.ptp(ends, axis=1) / 2, found.sigma, rtol=1e-6)


# ---- how many readings --------------------------------------------------------------------------


def test_readings_that_show_steps_are_those_of_the_plan() -> None:
    for repeats in (1, 2, 4):
        planned = qz.plan(sigma=0.1, repeats=repeats).table["readings"].iloc[0]
        assert readings_needed(0.1, repeats) == planned
    # Three of each as many states as two, eight as many as four.
    assert readings_needed(0.1, 3) == 3 * readings_needed(0.1, 2) // 2
    assert readings_needed(0.1, 8) == 2 * readings_needed(0.1, 4)
    assert readings_needed(0.9, 4) is None


def test_a_plan_in_coulombs_counts_readings_as_its_table_does() -> None:
    bench = DATA / "invented_apparatus.toml"
    found = charge.plan_target(bench, "1%", falls=8, states=8, repeats=4)
    needed = found.setup["readings_for_steps"]
    assert needed == readings_needed(found.setup["sigma_over_unit"], 4)
    said = flat(str(found))
    assert (
        f"{needed:.0f} readings, 4 of each state, show steps in four runs of five; these are 32."
        f" {SIMULATED}"
    ) in said
    assert found.shows_steps == (needed <= 32)


def test_advice_counts_states_by_how_often_they_were_read() -> None:
    rng = np.random.default_rng(5)
    states = np.repeat(np.arange(6), 4)
    values = np.array([1, 2, 4, 5, 7, 8])[states] + 0.2 * rng.normal(size=24)
    found = qz.analyze(qz.Readings(values, state=states.astype(str)), (0.4, 3), **QUICK)
    needed = readings_needed(found.sigma / found.unit, 4, without=24)
    assert needed is not None
    more = needed // 4 - 6
    assert more > readings_needed(found.sigma / found.unit, 4) // 4 - 6
    assert f"about {more} more charge states of this quality" in " ".join(
        verdict._advice(found.mixture, found.evidence, 0.05)
    )


def test_labels_out_of_arrays_are_named_as_they_are() -> None:
    values, states = [1.0, 1.1, 4.0, 2.0], np.array(["a", "a", "a", "b"])
    with pytest.raises(qz.InputError, match=r"^`state` 'a' holds readings from 1 to 4"):
        qz.fit_mixture(qz.Readings(values, state=states, sigma=0.1), (0.5, 2))
    with pytest.raises(qz.InputError, match=r"^the state is 'a' for every reading"):
        qz.analyze(qz.Readings(values, state=np.array(["a"] * 4)))


def test_the_factor_of_a_run_says_against_what_it_is(tmp_path: Path) -> None:
    run = invented(tmp_path)
    assert "log Bayes factor over values of any size" in repr(run.fit())
    drawn = charge.unit_in_coulombs(10.17, run.apparatus, unit_err=0.03, run=run).monte_carlo
    assert re.search(r"interval \S+ to \S+ C, 20,000 trials$", str(drawn))


def test_a_chance_that_no_resample_shows_is_a_bound(published: Analysis) -> None:
    assert published.smooth.null_distribution.max() < published.smooth.statistic
    rows = {row["meaning"]: row["chance"] for row in facts.nulls(published)}
    assert rows["the readings, each moved by chance"] == "< 1 sample in 500"
    [note] = published.plot(view="null").texts
    assert note.get_text().endswith("as good without steps:\n< 1 sample in 500")
    reached = dataclasses.replace(
        published,
        smooth=dataclasses.replace(published.smooth, statistic=0.0, p_value=0.36),
    )
    rows = {row["meaning"]: row["chance"] for row in facts.nulls(reached)}
    assert rows["the readings, each moved by chance"] == "36 samples in 100"


def test_figures_are_promised_only_where_they_stand(published: Analysis) -> None:
    axes = published.plot(view="integers")
    assert not axes.texts
    assert "figures" not in axes.get_xlabel()


def test_a_plan_says_what_more_is() -> None:
    assert '"more" are more than were simulated.' in flat(str(qz.plan(sigma=[0.1, 0.45])))
    assert "than were simulated" not in flat(str(qz.plan(sigma=0.1)))
