"""Balance voltages alone: 1/V is the charge over weight times gap."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from plain_bench import CHARGE, GRAVITY, TEMPERATURE, mobility_of, weight_of

from quantize import analyze
from quantize._support.errors import InputError, QuantizeWarning
from quantize.charge import BalanceVoltages, Run
from quantize.charge.run_file import holds_balances

WEIGHT, GAP = 5.0e-14, 4.0e-3
UNIT = CHARGE / (WEIGHT * GAP) * 1e3  # per kilovolt
NUMBERS = [3, 5, 4, 7, 6, 8, 2, 9, 5, 4]
BENCH: dict[str, Any] = {
    "plates": {"separation": "4.00 +/- 0.02 mm", "meter": "1.000 +/- 0.002"},
    "sphere": {"weight": "5.00(5)e-14 N", "weight_of": "this sphere"},
}
QUICK: dict[str, Any] = {"n_resamples": 49, "rng": 1}


def page(seed: int, repeats: int = 2, scatter: float = 1.5) -> dict[str, Any]:
    """Invented settings: weight, gap and numbers as above."""
    rng = np.random.default_rng(seed)
    states = np.repeat(np.arange(len(NUMBERS)), repeats)
    volts = WEIGHT * GAP / CHARGE / np.array(NUMBERS)[states]
    return {
        "no": np.arange(states.size) + 1,
        "state": states + 1,
        "V": (volts + scatter * rng.standard_normal(states.size)).round(1),
    }


def test_the_error_of_one_over_v_is_that_of_draws() -> None:
    # 40,000 draws of each voltage: the standard deviation of 1/V to 2 % (4 sigma are 1.4 %, and
    # the second order adds 0.1 % at most).
    rng = np.random.default_rng(5)
    volts = np.array([120.0, 300.0, 600.0])
    drawn = 1e3 / (volts + 2.0 * rng.standard_normal((40_000, 3)))
    found = BalanceVoltages(volts).readings(setting=2.0)
    assert found.values == pytest.approx(1e3 / volts)
    assert found.sigma == pytest.approx(drawn.std(axis=0), rel=0.02)


def test_repeats_are_kept_or_averaged() -> None:
    balances = BalanceVoltages({"state": [1, 1, 1, 2, 2, 3], "V": [400, 404, 402, 300, 302, 200]})
    # By hand: squares 4 + 4 + 0 and 1 + 1, over six settings less three states.
    assert balances.scatter() == (pytest.approx(math.sqrt(10 / 3)), 3)
    kept = balances.readings(setting=1.0)
    assert len(kept) == 6
    step = math.hypot(1.0, 1 / math.sqrt(12))
    assert kept.sigma == pytest.approx(1e3 * step / np.array([402] * 3 + [301] * 2 + [200]) ** 2)
    means = balances.readings(setting=1.0, repeats="averaged")
    assert means.values == pytest.approx(1e3 / np.array([402, 301, 200]))
    assert means.sigma == pytest.approx(
        1e3 * step / np.array([402, 301, 200]) ** 2 / np.sqrt([3, 2, 1])
    )
    assert means.state_labels == ("1", "2", "3")


@pytest.mark.parametrize("given", [{}, {"setting": 1.5}, {"repeats": "averaged"}])
def test_steps_of_an_invented_page_and_its_coulombs(given: dict[str, Any]) -> None:
    found = BalanceVoltages(page(4), BENCH).analyze(**given, **QUICK)
    assert found.verdict == "steps"
    repeats = 1 if given.get("repeats") == "averaged" else 2
    assert found.integers.tolist() == np.repeat(NUMBERS, repeats).tolist()
    # Four standard errors.
    assert found.unit == pytest.approx(UNIT, abs=4 * found.unit_err)
    assert found.coulombs is not None
    # e = u w d, and its relative variance is the sum of those of u, w, d and the meter.
    assert found.coulombs.value == pytest.approx(found.unit / 1e3 * WEIGHT * GAP, rel=1e-6, abs=0)
    relative = math.sqrt((found.unit_err / found.unit) ** 2 + 0.01**2 + 0.005**2 + 0.002**2)
    assert found.coulombs.standard_uncertainty / found.coulombs.value == pytest.approx(relative)
    assert "In coulombs" in str(found)
    assert "stands still where n e = w d / V" in " ".join(str(found).split())


def test_resamples_that_decide_nothing_are_drawn_when_somebody_looks() -> None:
    """The same numbers as `analyze` of the readings draws, and none before."""
    balances = BalanceVoltages(page(4))
    found = balances.analyze(**QUICK)
    assert not {"smooth", "integer_probabilities"} & vars(found).keys()
    same = analyze(balances.readings(), sigma_range=balances._setting(None)[1], **QUICK)
    assert found.smooth.p_value == same.smooth.p_value
    assert found.integer_probabilities.equals(same.integer_probabilities)


def test_the_answer_does_not_depend_on_the_unit_of_voltage() -> None:
    volts = np.array(page(6, repeats=1)["V"])
    one = BalanceVoltages(volts).analyze(setting=1.5, **QUICK)
    bare = BalanceVoltages(volts * 10).analyze(setting=15.0, **QUICK)
    assert bare.unit * 10 == pytest.approx(one.unit, rel=1e-6)
    # The step of the display is 0.1 V in the one and 1 V in the other, tenfold as well.
    assert bare.log_bayes_factor == pytest.approx(one.log_bayes_factor, abs=1e-6)


def test_charges_of_any_size_show_no_steps() -> None:
    # Four pages of charges that are uniform between 2 and 9 units: the odds for steps stay below
    # e^3 (the bound of tests/test_matrix.py).
    rng = np.random.default_rng(8)
    for _ in range(4):
        volts = (1e3 / UNIT / rng.uniform(2, 9, 12)).round(1)
        found = BalanceVoltages(volts).analyze(setting=1.5, **QUICK)
        assert found.log_bayes_factor < 3
        assert found.verdict != "steps"


@pytest.mark.parametrize("way", ["fall", "diameter"])
def test_the_weight_may_come_from_the_fall_or_the_diameter(way: str) -> None:
    # Elementary physics of an oil drop; air density 1.19 against CIPM-2007: 3e-5.
    size, density = 1.7e-6, 875.0
    weight = weight_of(size, density)
    volts = weight * GAP / (CHARGE * np.array([3, 5, 4]))
    sphere = {"density": "875(2) kg/m3"}
    bench = {
        "plates": {"separation": "4.00(2) mm"},
        "site": {"gravity": f"{GRAVITY} m/s2"},
        "air": {"temperature": f"{TEMPERATURE} K", "pressure": "101325 Pa", "humidity": "50 %"},
    }
    if way == "fall":
        bench |= {"sphere": sphere, "fall": {"speed": f"{weight * mobility_of(size)!r} m/s"}}
    else:
        bench |= {"sphere": sphere | {"diameter": "1.70(1) um"}}
    table = BalanceVoltages(volts, bench).charges()
    assert table["charge"].to_numpy() / CHARGE == pytest.approx([3, 5, 4], rel=2e-4)
    relative = (table["shared"] / table["charge"]).to_numpy()
    assert relative == pytest.approx([relative[0]] * 3)
    # Of the diameter three times 0.6 %.
    assert relative[0] > 0.0175 if way == "diameter" else relative[0] > 0.005


def test_the_error_of_every_charge_in_two_parts() -> None:
    bench = BENCH | {"plates": BENCH["plates"] | {"setting": "2 V"}}
    table = BalanceVoltages([400.0, 200.0], bench).charges()
    # The volts are written in steps of one.
    step = math.hypot(2.0, 1 / math.sqrt(12))
    assert (table["random"] / table["charge"]).tolist() == pytest.approx([step / 400, step / 200])
    shared = math.sqrt(0.01**2 + 0.005**2 + 0.002**2)
    assert (table["shared"] / table["charge"]).tolist() == pytest.approx([shared] * 2)
    assert BalanceVoltages([400.0, 200.0], BENCH).charges()["random"].isna().all()


def test_pages_that_are_not_of_one_sphere_are_refused() -> None:
    with pytest.raises(InputError, match="a voltage of zero; write the voltages at which"):
        BalanceVoltages([400.0, 0.0])
    with pytest.raises(InputError, match="'1' has balance voltages of both signs"):
        BalanceVoltages({"V": [400, -400], "state": [1, 1]})
    with pytest.raises(InputError, match="blank in some rows"):
        BalanceVoltages({"V": [400, 300], "state": ["1", ""]})
    several = {"V": [400, 300], "particle": ["A", "B"]}
    with pytest.raises(InputError, match="holds A, B; name one"):
        BalanceVoltages(several)
    assert BalanceVoltages(several, particle="B").volts.tolist() == [300]
    with pytest.raises(InputError, match=r"sphere\.weight"):
        BalanceVoltages([400.0, 300.0], {"plates": {"separation": "4 mm"}}).charges()


def test_which_tables_hold_balance_voltages() -> None:
    assert holds_balances(page(1))
    assert not holds_balances({"V": [1, 2], "div": [3, 4]})
    assert not holds_balances({"q": [1, 2]})


def test_the_meter_goes_into_a_run_as_well() -> None:
    rows = {"V": [227, 227, 0], "div": [12, -9, -61], "t (s)": [10, 10, 10]}
    wrong = BENCH | {"plates": BENCH["plates"] | {"voltage": "227 V", "meter": "1.02 +/- 0.002"}}
    right = BENCH | {"plates": BENCH["plates"] | {"voltage": "227 V"}}
    q = [Run(rows, bench).charges()["charge"].to_numpy()[:2] for bench in (wrong, right)]
    assert q[0] * 1.02 == pytest.approx(q[1], rel=1e-6, abs=0)


def test_the_sign_of_a_charge_is_told_by_the_plate_that_is_positive() -> None:
    upper = {**BENCH, "plates": BENCH["plates"] | {"positive_plate": "upper"}}
    volts = WEIGHT * GAP / (CHARGE * np.array([3, -4, 5]))
    for bench, written in ((BENCH, volts), (upper, -volts)):
        found = BalanceVoltages(written, bench).charges()["charge"]
        assert found.to_numpy() / CHARGE == pytest.approx([3, -4, 5])
        # As the same voltages are read on the page of a run.
        run = Run({"V": written, "div": [0.0] * 3, "t": [10.0] * 3}, bench)
        assert BalanceVoltages(written, bench).volts == pytest.approx(run.table["voltage"])


def test_moving_air_is_not_taken_for_air_at_rest() -> None:
    with pytest.raises(InputError, match=r"`air\.drift` is stated"):
        BalanceVoltages([400.0, 300.0], BENCH | {"air": {"drift": "5 um/s"}}).charges()


def test_columns_that_are_not_understood_are_named() -> None:
    """A run whose headers are in another language looks like a page of voltages."""
    run = {
        "state": ["a", "a", "b"],
        "voltage": [200, 0, 200],
        "anfang": [1, 2, 3],
        "ende": [4, 5, 6],
    }
    with pytest.raises(
        InputError, match=r"a voltage of zero; .* stood still \(the column 'anfang' is"
    ):
        BalanceVoltages(run)
    said = (
        "is read as a page of balance voltages: the column 'anfang' is not used; the column 'ende'"
    )
    with pytest.warns(QuantizeWarning, match=said):
        BalanceVoltages(run | {"voltage": [200, 201, 300]})
