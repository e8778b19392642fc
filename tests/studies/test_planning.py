"""plan(): against tables made before, its own simulations, and what cannot be otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.null.power import fit_curve, power_of, readings_needed, stored
from quantize.studies import Answer

BENCH = {
    "plates": {"separation": "4 mm"},
    "sphere": {"diameter": "1.6 um", "density": "1055 kg/m3"},
    "reticle": {"division": "25 um", "length": "90 div"},
    "watch": {"press": "0.05 s"},
}


def test_readings_needed_agree_with_a_simulation_of_their_own() -> None:
    # Made apart from the table: 100 samples at each of six sizes some readings apart, a line
    # through the shares called steps; quantize 0.9 on 2026-11-30.
    found = qz.plan(sigma=[0.05, 0.10, 0.15, 0.20], repeats=1).table["readings"].to_numpy()
    assert found == pytest.approx([12.9, 17.4, 21.9, 41.6], rel=0.1)


def test_the_advice_of_a_verdict_is_the_plan_for_single_readings() -> None:
    for sigma in (0.02, 0.05, 0.08, 0.12, 0.2):
        assert readings_needed(sigma) == qz.plan(sigma=sigma, repeats=1).table["readings"][0]
    assert readings_needed(0.21) is None


def test_more_scatter_needs_more_and_more_power_too() -> None:
    table = qz.plan(sigma=[0.05, 0.08, 0.12, 0.15, 0.18, 0.2], repeats=1).table
    assert table["readings"].is_monotonic_increasing
    wished = [qz.plan(sigma=0.15, repeats=1, power=p).table["readings"][0] for p in (0.5, 0.8, 0.9)]
    assert wished == sorted(wished)
    strict = qz.plan(sigma=0.15, repeats=1, alpha=0.01).table["readings"][0]
    assert strict > wished[1]


def test_repeats_are_worth_most_where_the_scatter_is_large() -> None:
    table = qz.plan(sigma=[0.05, 0.2]).table.set_index(["sigma_over_unit", "repeats"])["readings"]
    assert table[0.2, 2] < table[0.2, 1]
    assert table[0.2, 2] / table[0.2, 1] < table[0.05, 2] / table[0.05, 1]
    assert table[0.05, 4] > 1.5 * table[0.05, 1]


def test_only_sigma_over_unit_counts() -> None:
    one, ten = qz.plan(sigma=0.1).table, qz.plan(sigma=1.0, unit=10.0).table
    assert one["readings"].tolist() == ten["readings"].tolist()
    assert ten["sigma_over_unit"].tolist() == pytest.approx([0.1] * 3)


def test_the_smallest_unit_undoes_the_number_of_readings() -> None:
    n = qz.plan(sigma=0.125, repeats=1).table["readings"][0]
    unit = qz.plan(readings=int(n), sigma=1.0, repeats=1).table["unit"][0]
    # The number of readings is rounded up to a whole one.
    assert unit == pytest.approx(1 / 0.125, rel=0.1)


def test_readings_at_hand_determine_their_sigma_and_repeats() -> None:
    sample = qz.simulate(40, sigma=0.5, repeats=2, unit=5.0, rng=3)
    row = qz.plan(readings=sample).table.iloc[0]
    # 20 degrees of freedom: the standard error of a standard deviation is 16 %; four of them.
    assert row["sigma"] == pytest.approx(0.5, rel=0.64)
    assert (row["readings"], row["repeats"]) == (40, 2)
    given = qz.plan(readings=qz.Readings(sample.values, sigma=0.4)).table.iloc[0]
    assert (given["sigma"], given["repeats"]) == (0.4, 1)
    alike = qz.Readings(np.repeat([5.0, 12.0, 31.0], 3), state=[*"aaabbbccc"])
    # Rounded to one number in each state: not less than the deviation of rounding.
    assert qz.plan(readings=alike).table["sigma"][0] == pytest.approx(1 / np.sqrt(12))


def test_too_few_or_too_rough_is_shown_as_not_known() -> None:
    assert np.isnan(qz.plan(sigma=0.5, repeats=1).table["readings"][0])
    assert np.isnan(qz.plan(readings=3, sigma=1.0, repeats=1).table["unit"][0])
    assert "more" in str(qz.plan(sigma=0.5, repeats=1))


def test_the_probit_line_is_that_of_a_general_optimiser() -> None:
    from scipy.optimize import minimize

    x = np.log([10.0, 14.0, 20.0, 28.0])
    k, m = np.array([12, 40, 71, 92]) + 0.5, np.full(4, 101.0)

    def cost(parameters: Any) -> float:
        p = stats.norm.cdf(parameters[0] + parameters[1] * x)
        return -float(np.sum(stats.binom.logpmf(0, 0, p) + k * np.log(p) + (m - k) * np.log1p(-p)))

    expected = minimize(cost, [-5.0, 2.0], method="Nelder-Mead", options={"xatol": 1e-9}).x
    found = fit_curve(x.tolist(), [12, 40, 71, 92], [100] * 4)
    assert (found.intercept, found.slope) == pytest.approx(expected, rel=1e-4)


def test_the_stated_error_of_a_curve_is_honest(rng: np.random.Generator) -> None:
    x = np.linspace(2, 4, 5)
    truth = stats.norm.cdf(2.0 * (x - 3.0))
    at = 3.0 + stats.norm.ppf(0.8) / 2.0
    inside = 0
    for _ in range(400):
        place, error = fit_curve(x.tolist(), rng.binomial(100, truth).tolist(), [100] * 5).reaches(
            0.8
        )
        inside += abs(place - at) < 1.96 * error
    # Binomial bounds on 95 % of 400; false alarm once in 10,000.
    low, high = stats.binom(400, 0.95).ppf([5e-5, 1 - 5e-5])
    assert low <= inside <= high


def test_every_place_of_the_table_was_simulated_around_its_answer() -> None:
    table = stored().content
    assert {cell["repeats"] for cell in table["cells"]} == {1, 2, 4}
    assert 0 < table["interpolation"] < 0.25
    for cell in table["cells"]:
        assert len(cell["n"]) == len(cell["hits"]) == len(cell["pages"])
        for row, samples in zip(cell["hits"], cell["pages"], strict=True):
            # A stricter level finds steps in fewer samples.
            assert samples >= row[0] >= row[1] >= row[2] >= row[3] >= 0


def decides_by_number(readings: qz.Readings, unit_range: Any) -> Answer:
    """Steps with a chance that grows with the readings; p from the readings' digits."""
    luck = float(np.abs(readings.values).sum() * 1e6 % 1)
    return Answer(
        unit=1.0, p_value=0.01 if luck < stats.norm.cdf(np.log(len(readings) / 12)) else 1
    )


def test_simulation_finds_a_power_that_is_known(tmp_path: Path) -> None:
    def ask(**options: Any) -> qz.studies.Plan:  # type: ignore[name-defined]
        return qz.plan(
            sigma=0.1,
            repeats=1,
            estimator=decides_by_number,
            replicates=300,
            rng=4,
            checkpoint=tmp_path / "plan.jsonl",
            **options,
        )

    found = ask()
    # Power is Φ(log(n/12)), so that 0.8 needs 12·exp(0.8416) = 27.8 readings.
    row = found.table.iloc[0]
    exact = 12 * np.exp(stats.norm.ppf(0.8))
    # The interval is one of 95 %; twice its width is passed by chance once in 10,000.
    half_width = np.log(row["high"] / row["low"]) / 2
    middle = np.log(row["high"] * row["low"]) / 2
    assert abs(middle - np.log(exact)) < 2 * half_width
    assert row["readings"] == np.ceil(np.exp(middle))
    assert found.method == "simulation"
    assert {"power", "low", "high", "readings"} <= set(found.curves.columns)
    files = sorted(path.name for path in tmp_path.iterdir())
    assert files[0] == "plan.jsonl"
    assert ask().table.equals(found.table)


def test_a_plan_without_a_seed_goes_on_with_that_of_its_checkpoint(tmp_path: Path) -> None:
    said: dict[str, Any] = {"sigma": 0.1, "repeats": 1, "estimator": decides_by_number}
    said |= {"replicates": 5, "alpha": 0.3}
    first = qz.plan(checkpoint=tmp_path / "plan.jsonl", **said)
    again = qz.plan(checkpoint=tmp_path / "plan.jsonl", **said)
    assert again.curves.equals(first.curves)
    # Two calls on one Generator differ, as those of every study do.
    rng = np.random.default_rng(3)
    assert not qz.plan(rng=rng, **said).curves.equals(qz.plan(rng=rng, **said).curves)


@pytest.mark.slow
def test_the_table_agrees_with_simulation() -> None:
    quick, own = (
        qz.plan(sigma=0.12, repeats=1, replicates=replicates, rng=9).table.iloc[0]
        for replicates in (None, 30)
    )
    middles = [0.5 * np.log(row["low"] * row["high"]) for row in (quick, own)]
    errors = [np.log(row["high"] / row["low"]) / 3.92 for row in (quick, own)]
    # Four errors of the difference: a false alarm once in 15,000.
    assert abs(middles[0] - middles[1]) < 4 * np.hypot(*errors)


def test_the_bench_is_ordered_by_the_readings_it_needs() -> None:
    found = qz.plan(apparatus=BENCH, diameters=[1.0e-6, 1.6e-6, 2.0e-6], repeats=1)
    assert found.question == "bench"
    known = found.table["readings"].dropna()
    assert known.is_monotonic_increasing
    assert {"interval", "balance_voltage", "diameter", "low", "high"} <= set(found.table.columns)
    assert "elementary charge" in found.note
    assert "µm" in str(found)


def test_the_bench_has_the_air_and_the_spread_that_it_states() -> None:
    from quantize.charge.air import STANDARD_PRESSURE, viscosity
    from quantize.charge.drag import SlipCorrection

    # Speed of fall in proportion to slip over viscosity; all else is the same sphere.
    room = {"temperature": "26 degC", "pressure": "700 hPa", "humidity": "0.5"}
    tables = [qz.plan(apparatus=BENCH | more).table for more in ({}, {"air": room})]
    one, other = (t.set_index(["interval", "units"])["fall"] for t in tables)
    both = one.index.intersection(other.index)
    factor = SlipCorrection().factor
    expected = factor(1.6e-6, 299.15, 7e4) / factor(1.6e-6, 293.15, STANDARD_PRESSURE)
    expected *= float(viscosity(293.15) / viscosity(299.15))
    # The buoyancy is another by 4 in 10,000.
    assert (other[both] / one[both]).to_numpy() == pytest.approx(float(expected), rel=1e-3)
    # Of spheres that differ by 20 %, many fall off a scale of 60 divisions; of 2 % none.
    short = BENCH | {"reticle": {"division": "25 um", "length": "60 div"}}
    wide = short | {"sphere": BENCH["sphere"] | {"diameter_spread": "0.32 um"}}
    lost = [qz.plan(apparatus=bench, intervals=10).table["off_scale"] for bench in (short, wide)]
    assert lost[0].max() < 1e-3
    # The fall is 36 divisions: off the scale beyond 1.29 times the diameter, as by a normal law.
    fall = qz.plan(apparatus=wide, intervals=10).table["fall"].iloc[0]
    assert lost[1].max() == pytest.approx(float(stats.norm.sf((60 / fall - 1) / 0.4)))


def test_what_no_number_of_readings_shows_is_said_in_words() -> None:
    assert repr(qz.plan(sigma=1.0, repeats=1)) == (
        "<Plan: more readings than simulated at sigma/unit 1>"
    )
    assert repr(qz.plan(readings=2, sigma=0.1, repeats=1)) == "<Plan: no unit from 2 readings>"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "`sigma` is missing; give it for the number of readings"),
        ({"sigma": 0}, "`sigma` is 0; it must be above zero"),
        ({"sigma": []}, "`sigma` is an empty list"),
        ({"sigma": 0.1, "power": 1}, "`power` is 1"),
        ({"sigma": 0.1, "alpha": 0.03}, "`alpha` is 0.03; the table has"),
        ({"sigma": 0.1, "integers": (1, 8)}, r"`integers` is \(1, 8\), which the table does not"),
        ({"sigma": 0.1, "estimator": "cosine score"}, "`estimator` is 'cosine score', which the"),
        ({"sigma": 0.1, "integers": 5}, "`integers` is 5, which the table does not"),
        ({"sigma": 0.1, "repeats": 0}, "`repeats` is 0"),
        ({"sigma": 0.1, "repeats": [1, 3]}, "`repeats` is 3; the table has 1, 2 and 4, so take"),
        ({"sigma": 0.1, "checkpoint": "x"}, "`checkpoint` is for simulations"),
        ({"readings": 10}, "`sigma` is missing; a number of readings alone"),
        ({"readings": qz.Readings([1.0, 2.0, 3.5])}, "the readings do not determine it"),
        (
            {"readings": qz.Readings(np.repeat(np.sqrt([2, 3, 5]), 3), state=[*"aaabbbccc"])},
            "do not scatter within their states",
        ),
        ({"apparatus": BENCH, "sigma": 0.1}, "`apparatus` determines sigma and readings"),
        ({"apparatus": {"plates": {"separation": "4 mm"}}}, "`sphere.diameter`"),
        ({"apparatus": 3}, "`apparatus` is 3; give a file"),
    ],
)
def test_bad_input_is_one_clear_message(options: dict[str, Any], message: str) -> None:
    with pytest.raises(qz.InputError, match=message):
        qz.plan(**options)


def test_an_answer_never_lies_outside_its_own_interval() -> None:
    """Whole states and the ends of the interval are rounded alike, for every cell of the table."""
    spreads = np.geomspace(0.02, 0.45, 23)
    for power in (0.5, 0.8, 0.95):
        needed = qz.plan(sigma=spreads, repeats=[1, 2, 4], power=power).table.dropna()
        assert len(needed) > 20
        assert (needed["low"] <= needed["readings"]).all()
        assert (needed["readings"] <= needed["high"]).all()
        for name in ("low", "readings", "high"):
            assert (needed[name] % needed["repeats"] == 0).all()
        shown = qz.plan(readings=[10, 17, 40, 90], sigma=0.3, power=power).table.dropna()
        assert len(shown) >= 4
        assert (shown["low"] <= shown["unit"]).all()
        assert (shown["unit"] <= shown["high"]).all()


def test_numbers_of_readings_are_no_page_of_them() -> None:
    several = qz.plan(readings=[20, 40], sigma=0.3, repeats=1)
    each = [qz.plan(readings=n, sigma=0.3, repeats=1).table for n in (20, 40)]
    assert several.table["readings"].tolist() == [20, 40]
    assert several.table["unit"].tolist() == [table["unit"][0] for table in each]
    assert several.table["unit"][0] > several.table["unit"][1]
    assert "Smallest unit that readings of sigma 0.3 show" in str(several)
    labels = [text.get_text() for text in several.plot().get_legend().get_texts()]
    assert labels == ["20 readings", "40 readings"]
    for page in ([19.66, 24.6, 29.62], np.array([2.5, 5.1]), "20", [], [[20]], [20, -1], True):
        with pytest.raises(qz.InputError, match=r"or hand in those at hand as Readings\(values\)"):
            qz.plan(readings=page, sigma=0.3)  # type: ignore[arg-type]
    with pytest.raises(qz.InputError, match="`sigma` is missing; a number of readings alone"):
        qz.plan(readings=[20, 40])


def test_readings_that_have_not_shown_steps_need_more_than_a_plan_says() -> None:
    for spread, repeats, n in ((0.05, 1, 6), (0.1, 1, 12), (0.15, 1, 20), (0.15, 2, 12)):
        power = power_of(n, spread, repeats)
        needed = readings_needed(spread, repeats, without=n)
        assert 0 < power < 1
        # Four in five of the samples that n readings do not show, as the promise of the advice is.
        after = power_of(needed, spread, repeats)
        assert (after - power) / (1 - power) == pytest.approx(0.8, abs=0.06)
        assert needed > n
        assert needed >= readings_needed(spread, repeats)
    # A number that no sample of the table came near is not known.
    assert readings_needed(0.2, without=200) is None
    assert np.isnan(power_of(10, 0.1, alpha=0.001))
    assert np.isnan(power_of(10, 0.21))
    assert readings_needed(0.1, alpha=0.001, without=10) is None
