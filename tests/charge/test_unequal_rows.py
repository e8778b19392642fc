"""Rows of unequal error: every function counts each reading by its own sigma."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from plain_bench import DROPS

import quantize as qz
from quantize.charge import Run
from quantize.charge.rows import predicted_as_read, predicted_scatter
from quantize.charge.run_table import scatter_over

RELATIVE = np.array([0.4, 1.6, 0.7, 1.2, 0.5, 1.5, 0.9, 0.3])
VALUES = [2.05, 3.7, 6.04, 8.2, 9.96, 13.7, 4.05, 11.98]
UNIT_RANGE = (1.2, 5.0)
STATES = [0, 1, 2, 3, 4, 5, 1, 6]


def both(**options):
    """The same readings with sigmas in proportion to a known one, and with those sigmas."""
    return (
        qz.Readings(VALUES, relative_sigma=RELATIVE, **options),
        qz.Readings(VALUES, sigma=0.1 * RELATIVE, **options),
    )


@pytest.mark.parametrize("state", [None, STATES])
def test_proportions_of_a_known_sigma_are_the_sigmas_themselves(state):
    relative, given = both(state=state)
    one = qz.fit_mixture(relative, UNIT_RANGE, sigma_range=0.1)
    other = qz.fit_mixture(given, UNIT_RANGE)
    assert_allclose(one.log_bayes_factor, other.log_bayes_factor, rtol=1e-9)
    assert_allclose(one.unit, other.unit, rtol=1e-9)
    assert_allclose(one.log_evidence, other.log_evidence, rtol=1e-9)
    assert_allclose(qz.fit_comb(relative, UNIT_RANGE).unit, qz.fit_comb(given, UNIT_RANGE).unit)
    assert_allclose(
        qz.periodogram(relative, UNIT_RANGE).score, qz.periodogram(given, UNIT_RANGE).score
    )


def test_every_null_counts_them_alike():
    relative, given = both()
    one = qz.analyze(relative, UNIT_RANGE, sigma_range=0.1, n_resamples=99, rng=1)
    other = qz.analyze(given, UNIT_RANGE, n_resamples=99, rng=1)
    assert one.log_bayes_factors.keys() == other.log_bayes_factors.keys()
    for name, ratio in one.log_bayes_factors.items():
        assert ratio == pytest.approx(other.log_bayes_factors[name], rel=1e-6)
    assert one.p_value == pytest.approx(other.p_value)
    assert one.verdict == other.verdict


def test_equal_proportions_are_no_proportions():
    plain = qz.fit_mixture(VALUES, UNIT_RANGE)
    equal = qz.fit_mixture(qz.Readings(VALUES, relative_sigma=1.0), UNIT_RANGE)
    assert_allclose(equal.log_bayes_factor, plain.log_bayes_factor, rtol=1e-12)


def test_they_travel_with_the_readings():
    sample = qz.Readings(VALUES, relative_sigma=RELATIVE)
    again = qz.Readings.from_dict(sample.to_dict())
    assert again.relative_sigma.tolist() == RELATIVE.tolist()
    assert sample.select([1, 3]).relative_sigma.tolist() == [1.6, 1.2]
    assert sample.replace(values=np.zeros(8)).relative_sigma.tolist() == RELATIVE.tolist()
    assert "relative sigma given" in repr(sample)
    old = sample.to_dict()
    del old["relative_sigma"]
    assert qz.Readings.from_dict(old).relative_sigma is None


def test_a_timed_run_scatters_in_the_proportions_predicted():
    drawn = DROPS.draw(np.random.default_rng(3))
    run = Run(drawn.page, drawn.apparatus)
    predicted = predicted_scatter(run).total
    assert predicted.max() > 5 * predicted.min()
    typical = np.sqrt(np.mean(predicted**2))
    assert_allclose(run.readings().relative_sigma, predicted / typical)
    assert_allclose(run.sigma_range(), [typical / 1.5, typical * 1.5])
    fit = run.fit((5, 20))
    assert_allclose(fit.readings.relative_sigma, predicted / typical)
    assert "each reading counts in proportion" in fit.sigma


def test_without_an_apparatus_readings_scatter_alike_as_read():
    # At half the voltage a level is twice what was read, and so is its error.
    page = {"V": [200, 200, 100, 100, 0], "div": [-20, 20, -40, -20, -60], "t": [10] * 5}
    readings = Run(page).readings()
    assert_allclose(readings.relative_sigma[2:] / readings.relative_sigma[:2], 2.0)
    assert_allclose(np.mean(readings.relative_sigma**2), 1.0)
    alike = Run({"V": [200, 200, 0], "div": [-20, 20, -60], "t": [10] * 3}).readings()
    assert alike.relative_sigma is None


@pytest.mark.slow
def test_scatter_is_held_against_each_reading_s_own_prediction():
    """On clean runs chi-square within the states has its mean, and no reading is called odd.

    30 runs with 8 degrees of freedom each: the mean of 240 squares is 1 ± 0.09, 5 sigma allowed.
    """
    squares = []
    for seed in range(30):
        drawn = DROPS.draw(np.random.default_rng(seed))
        run = Run(drawn.page, drawn.apparatus)
        ratio, degrees = scatter_over(run, predicted_as_read(run, run.driven).total)
        assert degrees == 8
        squares.append(ratio**2)
        jumped = run.checks().of("the charge stayed the same")
        assert jumped.level == "good", jumped.sentence
    # Inverse Gaussian times have longer tails than normal ones, which the mean does not feel.
    assert np.mean(squares) == pytest.approx(1, abs=5 * np.sqrt(2 / 240))


def test_an_odd_reading_among_precise_ones_is_named():
    drawn = DROPS.draw(np.random.default_rng(4))
    page = drawn.page.copy()
    slow = int(page.index[(page["V"] > 0) & (page["state"] == "2")][0])
    # Six of its own sigmas, which is less than one of those of the fastest readings.
    run = Run(page, drawn.apparatus)
    rows = run.driven.index
    own = predicted_scatter(run).total[list(rows).index(slow)] / run.interval
    speed = page.loc[slow, "div"] / page.loc[slow, "t"]
    other = page[(page["state"] == "2") & (page["V"] > 0)].drop(index=slow)
    far = float((other["div"] / other["t"]).iloc[0]) + 12 * own
    assert speed > 0
    page.loc[slow, "t"] = page.loc[slow, "div"] / far
    check = Run(page, drawn.apparatus).checks().of("the charge stayed the same")
    assert check.level == "doubt"
    assert f"rows {slow + 1}, {slow + 2} lie up to" in check.sentence


@pytest.mark.slow
def test_proportions_find_more_and_hold_the_unit():
    """Six benches; by one sigma about a third fewer show steps (docs/tables/unequal_rows.md)."""
    held = right = 0
    for seed in range(6):
        drawn = DROPS.draw(np.random.default_rng([1, seed]))
        run = Run(drawn.page, drawn.apparatus)
        unit = drawn.truth["A"]["unit"] * run.interval / DROPS.interval
        found = run.fit()
        right += abs(found.unit / unit - 1) < 0.05
        held += any(low <= unit <= high for low, high in found.interval(0.95))
    # 95 % each: fewer than 4 of 6 has a probability of 2e-3 for the interval.
    assert right >= 5
    assert held >= 4


def test_the_weaker_voltage_counts_less():
    bench = dataclasses.replace(DROPS, gate=0.0, press=0.05, weaker=1 / 3, diameter=2e-6)
    drawn = bench.draw(np.random.default_rng(5))
    run = Run(drawn.page, drawn.apparatus)
    readings = run.readings()
    weak = run.driven["voltage"].to_numpy() < 0.5 * run.reference_voltage
    assert weak.sum() == weak.size / 2
    ratio = readings.relative_sigma[weak].mean() / readings.relative_sigma[~weak].mean()
    assert 2 < ratio < 4


def test_each_charge_has_the_scatter_of_its_own_reading():
    # Half of the readings last four times as long, and some spheres are faster than others: from
    # 6 runs, the scatter of charges within a state and time against the one stated for them. Each
    # has 234 degrees of freedom, so that a relative error of 4.6 %; four of these, and what the
    # rounding adds. One scatter for all was off by up to a factor of three.
    division, diffusion, fall, unit, press = 25e-6, 0.019, 6.12, 1.02, 0.15
    bench = {
        "plates": {"separation": "4.24 mm", "voltage": "227.4 V"},
        "sphere": {"weight": "5.15e-14 N", "weight_of": "this sphere", "diameter": "2.1 um"},
        "reticle": {"division": f"{division} m", "step": "0.1 div"},
        "air": {"temperature": "22 degC", "pressure": "1013 hPa"},
        "watch": {"press": f"{press} s"},
        "run": {"interval": "10 s"},
    }
    rng = np.random.default_rng(5)
    plan = [(n, t) for n in (6, 4, 12, 1) for t in (5.0, 20.0) for _ in range(40)]
    speed = np.array([n * unit - fall for n, _ in plan] + [-fall] * 4)
    t = np.array([t for _, t in plan] + [10.0] * 4)
    squares, said = {}, {}
    for _ in range(6):
        walk = np.sqrt(2 * diffusion * t) * rng.normal(size=t.size)
        moved = speed * t + walk + np.sqrt(2) * press * speed * rng.normal(size=t.size)
        volts = [227.4] * len(plan) + [0.0] * 4
        state = [str(n) for n, _ in plan] + [""] * 4
        page = {"V": volts, "div": np.round(moved, 1), "t": t, "state": state}
        table = Run(page, bench).charges()
        for key, rows in table[table["voltage"] != 0].groupby(["state", "seconds"]):
            squares.setdefault(key, []).append(rows["charge"].var(ddof=1))
            said.setdefault(key, []).append(np.mean(rows["standard_uncertainty"] ** 2))
    assert len(squares) == 8
    for key, of_key in squares.items():
        ratio = np.sqrt(np.mean(of_key) / np.mean(said[key]))
        assert ratio == pytest.approx(1, abs=0.22), key


def page_at(volts, seed):
    """An invented page on whole divisions: unit 10, fall 60, two rows a state, one fall each."""
    rng = np.random.default_rng(seed)
    rows = []
    for state, n in enumerate((6, 4, 7, 3, 5, 9, 2, 8)):
        for v in (volts[state % len(volts)],) * 2 + (0.0,):
            start = rng.uniform(10, 80)
            end = start + 10 * n * v / 200 - 60 + 0.6 * rng.normal()
            rows.append((str(state), v, round(start), round(end), 10))
    return dict(zip(("state", "V", "start", "end", "t"), zip(*rows, strict=True), strict=True))


def test_a_few_rows_at_a_low_voltage_do_not_make_all_stand_for_intervals():
    # A third of the rows was read in steps of 1.33 divisions at the reference voltage, and the
    # smallest unit is 2.5: those are wider by rounding than 2/5 of it, the typical ones are not.
    page = Run(page_at((200.0, 150.0, 260.0), 5), {"plates": {"voltage": "200 V"}})
    found = page.fit()
    assert not found.mixture.model.rounding
    assert found.mixture.unit_range.low == pytest.approx(2.5)
    # Term by term, every reading the interval that was rounded to it, which takes long.
    term_by_term = dataclasses.replace(
        found.mixture.model, rounding=True, sigma=(0.2, 2.0), integers=(1, 12)
    )
    plain = dataclasses.replace(term_by_term, rounding=False)
    one, other = (
        qz.fit_mixture(page.readings(), (8.5, 12), model=m) for m in (plain, term_by_term)
    )
    assert one.integers.tolist() == other.integers.tolist()
    assert one.unit == pytest.approx(other.unit, abs=0.1 * other.unit_err)
    assert one.unit_err == pytest.approx(other.unit_err, rel=0.1)
