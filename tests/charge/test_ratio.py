"""The ratio routes, and the facts of the trade."""

import math

import numpy as np
import pytest
from scipy.constants import elementary_charge, g

import quantize as qz
from quantize import charge
from quantize._support.errors import InputError, QuantizeWarning
from quantize.charge.apparatus import Apparatus
from quantize.charge.quantity import Quantity

BENCH = {
    "plates": {"separation": "4.24 +/- 0.02 mm", "voltage": "227 +/- 1 V"},
    "sphere": {"weight": "5.15(8)e-14 N"},
    "fall": {"divisions": "60.0 +/- 0.2 div"},
}


def test_two_elementary_charges_are_held_at_271_volts():
    # Common practice: weight 2.8e-14 N as supplied and plates 3.1 mm apart; two elementary
    # charges then hold the sphere at about 271 V, with 1.4e-14 N on each.
    weight, gap = 2.8e-14, 3.1e-3
    volts = weight * gap / (2 * elementary_charge)
    assert volts == pytest.approx(271, abs=0.5)
    assert elementary_charge * volts / gap == pytest.approx(1.4e-14, rel=1e-9, abs=0)
    page = {"V": [volts, volts, 0.0], "div": [0, 10, -20], "t": [5, 5, 5]}
    bench = {"plates": {"separation": gap}, "sphere": {"weight": weight}}
    charges = charge.Run(page, bench).charges()["charge"].to_numpy()
    assert charges[0] == pytest.approx(2 * elementary_charge, rel=1e-9, abs=0)
    assert charges[1] == pytest.approx(3 * elementary_charge, rel=1e-9, abs=0)
    assert np.isnan(charges[2])


def test_weight_diameter_and_density_that_disagree_are_named():
    # Common practice: spheres sold as 1.8 µm and 1050 kg/m3 would weigh 3.1e-14 N, and are
    # supplied with 2.8e-14 N.
    assert math.pi / 6 * 1.8e-6**3 * 1050 * g == pytest.approx(3.1e-14, rel=0.02, abs=0)
    bench = {
        **BENCH,
        "sphere": {"weight": "2.8e-14 N", "diameter": "1.8 um", "density": "1050 kg/m3"},
    }
    with pytest.warns(QuantizeWarning, match="the effective weight of a sphere, by 10.* too small"):
        found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1)
    told = found.agreement.sentence
    assert "no uncertainty is stated for the effective weight of a sphere and the mean" in told
    assert found.agreement.factor == 1
    assert len(found.routes) == 3


def test_ratio_route_by_hand():
    found = charge.unit_in_coulombs(10.0, BENCH, unit_err=0.1)
    assert found.value == pytest.approx(10 / 60 * 5.15e-14 * 4.24e-3 / 227, rel=1e-12, abs=0)
    by_hand = math.sqrt(
        (0.1 / 10) ** 2 + (0.2 / 60) ** 2 + (8 / 515) ** 2 + (0.02 / 4.24) ** 2 + (1 / 227) ** 2
    )
    assert found.standard_uncertainty / found.value == pytest.approx(by_hand, rel=1e-6)
    exponents = dict(zip(found.budget["input"], found.budget["exponent"], strict=True))
    assert exponents["plates.separation"] == pytest.approx(1, abs=1e-6)
    assert exponents["plates.voltage"] == pytest.approx(-1, abs=1e-6)
    assert exponents["fall"] == pytest.approx(-1, abs=1e-6)
    assert found.random < found.systematic
    assert found.random**2 + found.systematic**2 == pytest.approx(
        found.standard_uncertainty**2, rel=1e-9, abs=0
    )


def test_diameter_enters_with_its_third_power():
    bench = {
        **BENCH,
        "sphere": {"diameter": "2.10 +/- 0.01 um", "diameter_spread": "0.042 um",
                   "density": "1055 +/- 5 kg/m3"},
    }  # fmt: skip
    found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1)
    row = found.budget.set_index("input")
    assert row.loc["sphere.diameter", "exponent"] == pytest.approx(3, abs=1e-6)
    # A batch spread of 2 % is 6 % in the weight.
    assert row.loc["sphere.diameter_spread", "contribution"] / found.value == pytest.approx(
        0.06, rel=1e-6
    )


def test_the_fall_that_went_into_the_readings_nearly_cancels():
    # At balance the held charge is w·d/V whatever the fall: exponent (F/u)(du/dF) - 1.
    rng = np.random.default_rng(3)
    integers = np.repeat([2, 3, 5, 6], 4)
    moved = np.round(10.0 * integers - 40.0 + rng.normal(0, 0.5, size=16))
    page = {
        "V": [200.0] * 16 + [0.0] * 4,
        "div": [*moved, -40, -41, -40, -39],
        "t": [10.0] * 20,
    }
    bench = {"plates": {"separation": "4 mm"}, "sphere": {"weight": "3e-14 N"}}
    run = charge.read_run(page, bench)
    values = run.readings().values

    class Fit:
        unit = float(integers @ values / (integers @ integers))
        unit_err = 0.02

    Fit.integers = integers
    found = charge.unit_in_coulombs(Fit(), bench, run=run)
    row = found.budget.set_index("input")
    expected = 40.0 / Fit.unit * integers.sum() / (integers @ integers) - 1
    assert row.loc["fall", "exponent"] == pytest.approx(expected, abs=1e-6)
    assert abs(expected) < 0.2


def test_the_error_of_the_fall_counts_once():
    # x = u·n - F, read to 0.5, and F known from twelve falls: the covariance of u and F by hand.
    rng = np.random.default_rng(3)
    integers = np.repeat([2, 3, 6, 9], 4)
    moved = 10.0 * integers - 40.0 + rng.normal(0, 0.5, size=16)
    falls = -40.0 + rng.normal(0, 1.5, size=12)
    page = {"V": [200.0] * 16 + [0.0] * 12, "div": [*moved, *falls], "t": [10.0] * 28}
    bench = {"plates": {"separation": "4 mm"}, "sphere": {"weight": "3e-14 N"}}
    run = charge.Run(page, bench)
    rows = np.column_stack([integers, -np.ones(16)]) / 0.5
    error = np.std(falls, ddof=1) / math.sqrt(12)
    covariance = np.linalg.inv(rows.T @ rows + np.diag([0.0, error**-2]))
    unit, fall = covariance @ (rows.T @ (moved / 0.5) - np.array([0.0, falls.mean() / error**2]))
    ratio = np.array([1 / unit, -1 / fall])
    expected = math.sqrt(ratio @ covariance @ ratio)
    for found in (
        qz.fit_mixture(run.readings(sigma=0.5), (6, 16)),
        qz.analyze(run.readings(sigma=0.5), (6, 16), n_resamples=19, rng=1),
        run.analyze((6, 16), sigma=0.5, n_resamples=19, rng=1),
    ):
        coulombs = run.unit_in_coulombs(found)
        # Student's t of the falls and the evidence of their size move it by a few per cent.
        assert coulombs.standard_uncertainty / coulombs.value == pytest.approx(expected, rel=0.04)


@pytest.mark.parametrize(
    "fall", [{"divisions": "60 +/- 3 div"}, {"speed": "0.150 +/- 0.0075 mm/s"}]
)
def test_the_error_of_a_fall_from_the_apparatus_goes_with_the_distance(fall):
    # A charge is (x + F)·w·d/(F·V): the relative error of F counts x/(x + F) times.
    bench = {
        "plates": {"separation": "4 mm", "voltage": "200 V"},
        "sphere": {"weight": "3e-14 N", "weight_of": "this sphere"},
        "reticle": {"division": "25 um"},
        "run": {"interval": "10 s", "timing": "fixed time"},
        "fall": fall,
    }
    moved = np.array([0.0, 20.0, -20.0, -50.0, 60.0])
    table = charge.Run({"V": [200.0] * 5, "div": moved, "t": [10.0] * 5}, bench).charges()
    relative = table["shared_uncertainty"] / table["charge"]
    assert relative.to_numpy() == pytest.approx(np.abs(moved / (moved + 60)) * 0.05, abs=1e-6)


def test_a_speed_of_fall_is_one_by_the_true_time():
    found = [
        charge.unit_in_coulombs(
            10.0,
            {**BENCH, "reticle": {"division": "25 um"}, "run": {"interval": "10 s"}}
            | {"fall": {"speed": "0.15 mm/s"}, "watch": {"rate": rate}},
            unit_err=0.1,
        )
        for rate in ("1", "0.98")
    ]
    assert found[1].value == pytest.approx(found[0].value / 0.98, rel=1e-9, abs=0)


def test_a_missing_entry_is_named():
    with pytest.raises(InputError, match=r"`sphere.weight` .* is missing"):
        charge.unit_in_coulombs(10.0, {"plates": BENCH["plates"]}, unit_err=0.1)
    with pytest.raises(InputError, match=r"`fall.divisions` is missing"):
        charge.unit_in_coulombs(10.0, {**BENCH, "fall": {}}, unit_err=0.1)
    with pytest.raises(InputError, match=r"`unit_err` is missing"):
        charge.unit_in_coulombs(10.0, BENCH)


def test_a_fall_that_went_into_the_unit_counts_in_every_route():
    # Drag needs no fall, but u does: exponent (F/u)(du/dF).
    from quantize.charge.budgets import Divisions, by_route

    bench = Apparatus.of(
        {
            "plates": {"separation": "4 mm", "voltage": "200 V"},
            "sphere": {"diameter": "2 um"},
            "reticle": {"division": "25 um"},
            "run": {"interval": "10 s"},
            "air": {"temperature": "21 degC", "pressure": "1013 hPa"},
        }
    )
    unit = Quantity(value=10.0, standard_uncertainty=0.02, unit="div", scope="reading")
    fall = Quantity(value=60.0, standard_uncertainty=0.2, unit="div", scope="particle")
    plain = by_route("drag, diameter known", bench, Divisions(unit=unit))
    leaning = by_route(
        "drag, diameter known", bench, Divisions(unit=unit, fall=fall, fall_slope=0.15)
    )
    assert leaning.value == pytest.approx(plain.value, rel=1e-9, abs=0)
    row = leaning.budget.set_index("input").loc["fall"]
    assert row["exponent"] == pytest.approx(60 / 10 * 0.15, abs=1e-6)


def test_a_stated_drift_of_the_air_is_taken_off_the_fall():
    # v = B(qV/d - w) + c: measured in rising air the fall is F - c·T/s.
    bench = {
        **BENCH,
        "fall": {"divisions": "58.0 +/- 0.2 div"},
        "air": {"drift": "5 um/s"},
        "run": {"interval": "10 s"},
        "reticle": {"division": "25 um"},
    }
    drifting = charge.unit_in_coulombs(10.0, bench, unit_err=0.1)
    still = charge.unit_in_coulombs(10.0, BENCH, unit_err=0.1)
    assert drifting.value == pytest.approx(still.value, rel=1e-12, abs=0)


def test_a_unit_from_distances_alone_does_not_lean_on_the_fall():
    page, apparatus, truth = charge.SimulatedBench().simulate(rng=50)
    run = charge.read_run(page, apparatus)

    class Free:
        unit, unit_err = truth["unit"], 0.02
        integers = np.array(truth["units"]) - 6
        readings = run.readings(fall="apart")

    class Joined(Free):
        integers = np.array(truth["units"])
        readings = run.readings()

    free, joined = (
        charge.unit_in_coulombs(
            a(), apparatus, run=run, route="ratio, weight given"
        ).budget.set_index("input")
        for a in (Free, Joined)
    )
    assert free.loc["fall", "exponent"] == pytest.approx(-1, abs=1e-6)
    assert abs(joined.loc["fall", "exponent"]) < 0.2


def test_everything_without_an_uncertainty_is_listed():
    page = {"V": [200.0] * 3 + [0.0] * 3, "div": [0, 10, -10, -40, -41, -40], "t": [10.0] * 6}
    bench = {"plates": {"separation": "4 mm"}, "sphere": {"weight": "3e-14 N"}}
    found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1, run=charge.read_run(page, bench))
    exact = ("plates.separation", "plates.voltage", "sphere.weight")
    assert found.exact == exact
    assert found.to_dict()["exact"] == list(exact)
    assert (
        "taken for exact, since no uncertainty is stated: plates.separation, plates.voltage, "
        "sphere.weight; add one as in '4.24 +/- 0.02 mm'"
    ) in found.notes
    assert found.notes[0] in " ".join(str(found).split())


def test_the_exact_inputs_of_every_route_are_listed():
    entries = {
        "plates": {"separation": "3.95 mm", "voltage": "236 V", "tilt": "0 deg"},
        "sphere": {"weight": "5.01e-14 N", "weight_of": "this sphere", "diameter": "2.1 um",
                   "density": "1055 kg/m3", "buoyancy": "not off"},
        "reticle": {"division": "25 um"},
        "watch": {"rate": "1.0"},
        "fall": {"divisions": "58 div"},
        "air": {"temperature": "22 degC", "pressure": "1005 hPa", "humidity": "40 %",
                "drift": "0.1 um/s", "viscosity": "18.3 uPa s"},
        "site": {"gravity": "9.81 m/s2"},
        "run": {"interval": "10 s"},
    }  # fmt: skip
    named = {f"{section}.{key}" for section, table in entries.items() for key in table}
    words = {"sphere.weight_of", "sphere.buoyancy"}
    found = charge.unit_in_coulombs(10.0, entries, unit_err=0.0)
    assert set(found.exact) == (named - words - {"fall.divisions"}) | {"unit", "fall"}
    # One that is known leaves the list, and nothing else does.
    entries["plates"]["separation"] = "3.95(2) mm"
    again = charge.unit_in_coulombs(10.0, entries, unit_err=0.0)
    assert set(found.exact) - set(again.exact) == {"plates.separation"}


@pytest.mark.parametrize("joint", [False, True])
def test_a_fall_stated_as_a_speed_is_that_in_divisions(joint):
    # 60 ± 2 divisions of 25 um in 10 s, scale and clock exact: charges and both their errors alike.
    bench = {
        "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
        "sphere": {"weight": "5.15(8)e-14 N", "weight_of": "this sphere"},
        "reticle": {"division": "25 um"}, "run": {"interval": "10 s"},
    }  # fmt: skip
    if joint:
        bench["sphere"] |= {"diameter": "2.10(5) um", "density": "1055 kg/m3"}
        bench["air"] = {"temperature": "22(1) degC", "pressure": "1013(3) hPa"}
    moved, volts = [0, 10, -30, 40, -55, -5, -25], [227.4] * 5 + [-227.4, 113.7]
    page = {"V": volts, "div": moved, "t": [10] * 7, "state": list("abcdefg")}
    stated = {"divisions": "60 +/- 2 div"}, {"speed": "1.5e-4 +/- 0.05e-4 m/s"}
    tables = [charge.Run(page, bench | {"fall": fall}).charges() for fall in stated]
    for column in ("charge", "shared_uncertainty"):
        one, other = (table[column].tolist() for table in tables)
        assert other == pytest.approx(one, rel=1e-4, abs=0)
    if joint:
        return
    # By hand: q = (x + F)/F·w·d/V, of which F moves 1/(x + F) - 1/F.
    for row in tables[1].to_dict("records"):
        of_fall = 2 * (1 / (row["divisions"] + 60) - 1 / 60)
        relative = math.hypot(0.08 / 5.15, 0.02 / 4.24, 0.6 / 227.4, of_fall)
        assert row["shared_uncertainty"] == pytest.approx(
            abs(row["charge"]) * relative, rel=1e-4, abs=0
        )
