"""Rows with a wrong label, sign or ten divisions: found, named, and put right."""

import numpy as np
import pandas as pd
import pytest
from plain_bench import Bench, simulate
from scipy.stats import norm

from quantize import analyze, charge
from quantize._support.errors import QuantizeWarning
from quantize.charge import Run, faults, run_analysis
from quantize.charge.faults import _FACTORS, ODDS, _Page, believed, faults_of
from quantize.charge.levels import along, levels_of, trend_of
from quantize.model.mixture import posterior_of

# At balance seven and a half units would stand level; no sign or ten divisions turns one state
# into another, so that only one way of mending a row is right.
ODD = Bench(held=6.3, diameter=2.3e-6)


def spoilt(seed, change, bench=ODD, row=2):
    rows, apparatus, truth = simulate(bench, seed)
    change(rows, row)
    return Run(rows, apparatus), truth


def wrong_sign(rows, i):
    rows["divisions"][i] *= -1


def wrong_label(rows, i):
    rows["state"][i] = "5"


def ten_more(rows, i):
    rows["divisions"][i] += 10


def apart(rows, i):
    rows["divisions"][i] += 5


def test_the_evidence_of_a_group_is_that_of_a_regression():
    """At each factor on sigma, by least squares of readings on a mean, or of falls on a line."""
    page = _Page.of(Run(*simulate(Bench(), 1)[:2]))
    each = page.sums(np.arange(page.x.size), page.x)
    for group in range(page.falls + 1):
        own = page.members(group)
        sigma, time = page.sigma[own], page.time[own]
        design = np.vander(time, 2 if group == page.falls else 1, increasing=True)
        weighted, y = design / sigma[:, None], page.x[own] / sigma
        rest = y - weighted @ np.linalg.lstsq(weighted, y, rcond=None)[0]
        told = page.log_evidence(each[:, own].sum(axis=1)[:, None], np.array([group]))[0]
        # Flat priors over the span of x at the reading in the middle of time.
        k, span = design.shape[1], np.ptp(page.x)
        spread = np.linalg.slogdet(np.vander(time - time.mean(), k).T / sigma**2
                                   @ np.vander(time - time.mean(), k))[1]  # fmt: skip
        for factor, value in zip(_FACTORS, told, strict=True):
            plain = norm.logpdf(rest, scale=factor).sum() - np.log(sigma).sum()
            plain += 0.5 * k * np.log(2 * np.pi * factor**2) - 0.5 * spread - k * np.log(span)
            assert value == pytest.approx(plain, abs=1e-8)


def test_clean_pages_are_believed():
    """A clean page is called wrong with a chance well below 1/20; of 20, more than 3 would be odd
    by a binomial tail of 0.016."""
    named = 0
    for seed in range(20):
        rows, apparatus, _ = simulate(Bench(), seed)
        named += bool(faults_of(Run(rows, apparatus)))
    assert named <= 3


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (wrong_sign, "eversing the sign of row 3 puts it back among the others of state 1"),
        (wrong_label, "ow 3 fits state 1 and not the others of state 5"),
        (ten_more, "en divisions less put row 3 back among the others of state 1"),
        (apart, "ow 7 lies apart from the others of state 2"),
    ],
)
def test_each_fault_is_named_and_put_right(change, words):
    row = 6 if change is apart else 2
    run, _ = spoilt(1, change, row=row)
    (fault,) = faults_of(run)
    assert fault.row == row + 1
    assert fault.log_odds > np.log(ODDS)
    assert words in fault.sentence
    clean = simulate(ODD, 1)[0]
    mended, _ = believed(run)
    if change is apart:
        assert mended.table["changed"].tolist() == [i == row for i in range(len(mended))]
    else:
        assert mended.table["divisions"].tolist() == pytest.approx(clean["divisions"])
        assert mended.table["state"].tolist() == clean["state"]
    # The page itself stays as it was written.
    assert run.table["divisions"].tolist() != clean["divisions"] or change is wrong_label


def test_a_fall_that_rises_is_turned_round():
    rows, apparatus, _ = simulate(ODD, 2)
    i = rows["V"].index(0.0)
    rows["divisions"][i] *= -1
    (fault,) = faults_of(Run(rows, apparatus))
    assert fault.row == i + 1
    assert "among the other falls" in fault.sentence


def test_a_drying_sphere_has_no_wrong_falls():
    rows, apparatus, _ = simulate(Bench(evaporated=0.08), 3)
    run = Run(rows, apparatus)
    falls = set(run.falls["row"])
    assert not [fault for fault in faults_of(run) if fault.row in falls]


def test_two_faults_are_found_one_after_the_other():
    rows, apparatus, _ = simulate(ODD, 4)
    rows["divisions"][1] *= -1
    rows["divisions"][12] += 10
    assert {fault.row for fault in faults_of(Run(rows, apparatus))} == {2, 13}


def test_answer_and_checks_say_so():
    run, truth = spoilt(1, wrong_sign)
    fit = run.fit((0.6 * truth["unit"], 1.7 * truth["unit"]))
    assert fit.unit == pytest.approx(truth["unit"], abs=4 * fit.unit_err)
    assert fit.remarks[0].startswith(
        "Not taken as written but put right before the analysis: row 3,"
    )
    assert "row 3" in fit.remarks[1]
    assert fit.remarks[0] in str(fit)
    found = run.analyze((0.6 * truth["unit"], 1.7 * truth["unit"]), n_resamples=99, rng=1)
    assert set(fit.remarks) <= set(found.reasons)
    for checks in (run.checks(), found.checks):
        check = checks.of("labels, signs and tens")
        assert check.level == "doubt"
        assert fit.remarks[1] in check.sentence
    clean = Run(*simulate(ODD, 1)[:2]).checks().of("labels, signs and tens")
    assert clean.level == "good"


def test_a_page_is_taken_as_written_when_asked():
    run, truth = spoilt(1, wrong_sign)
    fit = run.fit((0.6 * truth["unit"], 1.7 * truth["unit"]), mend=False)
    assert fit.remarks == ()
    assert fit.readings.values.tolist() == run.readings().values.tolist()


def test_evidence_of_a_group_against_a_plain_integral():
    """The level integrated out by hand, over a range of the length of all readings."""
    rows, apparatus, _ = simulate(ODD, 5)
    page = _Page.of(Run(rows, apparatus))
    places = page.members(0)
    x, sigma = page.x[places], page.sigma[places]
    level = np.linspace(x.mean() - 40, x.mean() + 40, 400_001)
    density = np.prod(
        [np.exp(-0.5 * ((v - level) / s) ** 2) / (s * np.sqrt(2 * np.pi)) for v, s in
         zip(x, sigma, strict=True)], axis=0,
    )  # fmt: skip
    by_hand = np.log(np.trapezoid(density, level) / np.ptp(page.x))
    together = page.sums(places, x).sum(axis=1)[:, None]
    at_one = np.interp(0.0, np.log(_FACTORS), page.log_evidence(together, np.zeros(1))[0])
    # Interpolated between two factors that are 9 % apart.
    assert at_one == pytest.approx(by_hand, abs=0.02)


def test_without_labels_or_repeats_nothing_is_said():
    page = {"V": [200] * 6, "div": [-20, -10, 0, 10, 21, 30], "t": [10] * 6}
    assert faults_of(Run(page)) == ()
    page |= {"V": [200] * 5 + [0], "div": [-20, -10, 0, 10, 21, -60]}
    check = Run(page).checks().of("labels, signs and tens")
    assert check.level == "unknown"


def test_the_joint_unit_of_particles_puts_rows_right_too() -> None:
    # A reversed sign and ten divisions more in one of two particles.
    few = charge.SimulatedBench(
        falls=4, states=((6, 4), (4, 4), (7, 4), (9, 4), (3, 4)), weight_of="the batch"
    )
    pages = []
    for i, seed in enumerate((20, 21)):
        page, tables, _ = few.simulate(rng=seed)
        pages.append(page.assign(particle=f"p{i}"))
    far = pages[1].index[(pages[1]["V"] != 0) & (pages[1]["divisions"].abs() > 8)]
    pages[1].loc[far[3], "divisions"] *= -1
    pages[1].loc[far[8], "divisions"] += 10
    wrong = [len(pages[0]) + far[3] + 1, len(pages[0]) + far[8] + 1]
    run = charge.Run(pd.concat(pages, ignore_index=True), tables)
    with pytest.warns(QuantizeWarning, match="particle p1 is not taken as written") as told:
        joint = run.joint_unit_in_coulombs()
    assert all(f"row {row}" in str(told[0].message) for row in wrong)
    value, error = joint.particles.set_index("particle").loc[
        "p1", ["value", "standard_uncertainty"]
    ]
    assert abs(value - 1.602176634e-19) < 4 * error < 0.2e-19


def test_labels_out_of_the_question_are_passed_over_rightly(monkeypatch):
    """Every label weighed gives the same ways of mending as those that pass the bound."""
    rng, labels = np.random.default_rng(1), 0
    for seed in range(6):
        rows, apparatus, _ = simulate(Bench(), seed)
        i, j = np.flatnonzero(rows["V"])[rng.choice(30, 2, replace=False)]
        rows["state"][i] = rows["state"][j]
        page = _Page.of(Run(rows, apparatus))
        found = page.likeliest()
        with monkeypatch.context() as patch:
            patch.setattr(faults, "_SLACK", np.inf)
            every = page.likeliest()
        assert [odds for odds, _ in found] == [odds for odds, _ in every]
        for (_, way), (_, other) in zip(found, every, strict=True):
            assert (way.place, way.kind, way.group) == (other.place, other.kind, other.group)
        labels += any(way.kind == "label" for _, way in found)
    assert labels > 2


@pytest.mark.slow
def test_a_row_taken_as_changed_is_no_evidence_of_steps(monkeypatch):
    """Without steps, units are excluded as they are with the row left out, and asked for once."""
    sizes = np.random.default_rng(1).uniform(2, 9, 8)
    rows, apparatus, _ = simulate(Bench(states=tuple((float(n), 4) for n in sizes)), 1)
    rows["divisions"][6] += 14
    asked = []
    plain = run_analysis.analyze
    monkeypatch.setattr(run_analysis, "analyze", lambda *a, **k: asked.append(1) or plain(*a, **k))
    found = Run(rows, apparatus).analyze(n_resamples=99, rng=1)
    assert "row 7 lies apart" in found.fit.remarks[1].lower()
    assert asked == [1]
    rows["keep"] = ["no" if i == 6 else "yes" for i in range(len(rows["V"]))]
    without = Run(rows, apparatus).analyze(n_resamples=99, rng=1)
    assert (found.verdict, without.verdict) == ("cannot tell", "cannot tell")
    assert found.no_unit_above == pytest.approx(without.no_unit_above, rel=0.02, abs=0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 4])
def test_combs_left_out_do_not_decide_whether_steps_explain(seed):
    """With no comb left out that could count, the answer is the same; with and without steps."""
    line, found = _with_a_line(seed)
    units = found.unit_range
    whole = posterior_of(found.mixture.model, line, units).log_bayes_factor
    assert run_analysis._steps_explain(found, line, units) == (whole > 0)


def _with_a_line(seed):
    sizes = (6, 4, 7, 3, 5, 9, 2, 8) if seed % 4 else np.random.default_rng(seed).uniform(2, 9, 8)
    run = Run(*simulate(Bench(states=tuple((float(n), 4) for n in sizes)), seed)[:2])
    levels = levels_of(run)
    steady = levels.readings(run, relative_sigma=levels.relative_scatter(run))
    moved = along(levels, trend_of(run))
    line = moved.readings(run, relative_sigma=moved.relative_scatter(run))
    return line, analyze(steady, (6.0, 20.0), n_resamples=99, rng=1)


def test_a_charge_that_changed_by_several_units_leaves_unit_and_evidence_alone():
    """With steps and without: as with the row left out, where it was held to one unit."""
    sizes = np.random.default_rng(1).uniform(2, 9, 8)
    anywhere = Bench(states=tuple((float(n), 4) for n in sizes))
    for bench, steps in ((ODD, True), (anywhere, False)):
        rows, apparatus, _ = simulate(bench, 1)
        rows["divisions"][6] += 37
        mended, faults_found = believed(Run(rows, apparatus))
        assert [fault.kind for fault in faults_found] == ["apart"]
        rows["keep"] = ["no" if i == 6 else "yes" for i in range(len(rows["V"]))]
        without, found = Run(rows, apparatus).fit(), mended.fit()
        assert found.unit == pytest.approx(without.unit, abs=0.1 * without.unit_err)
        assert found.log_bayes_factor == pytest.approx(without.log_bayes_factor, abs=0.2)
        assert (found.log_bayes_factor > 3) == steps


def test_the_evidence_of_a_fit_does_not_count_a_change_that_was_noted():
    """How far a charge changes nobody knows without steps."""
    sizes = np.random.default_rng(1).uniform(2, 9, 8)
    rows, apparatus, _ = simulate(Bench(states=tuple((float(n), 4) for n in sizes)), 1)
    rows["divisions"][6] += 6
    rows["changed within"] = ["yes" if i == 6 else "" for i in range(len(rows["V"]))]
    noted = Run(rows, apparatus).fit()
    rows["keep"] = ["no" if i == 6 else "yes" for i in range(len(rows["V"]))]
    without = Run(rows, apparatus).fit()
    # Its scatter was found from the other rows and then taken as known, which makes up the rest.
    assert noted.log_bayes_factor == pytest.approx(without.log_bayes_factor, abs=1.5)
    assert noted.mixture.log_bayes_factor > without.log_bayes_factor + 3
