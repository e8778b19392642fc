"""Passages through a gate: its length is exact, and only the times scatter."""

import math

import numpy as np
import pytest
from plain_bench import CHARGE, PlainBench

from quantize import charge
from quantize.charge.levels import trend_of
from quantize.charge.rows import predicted_scatter

# Drops of 4 µm, timed through one gate that counts as one division.
GATE = 60.0
BENCH = PlainBench(
    diameter=4e-6,
    spread=0.0,
    weight_of="this sphere",
    gate=GATE,
    states=(4, 7, 3, 5, 9, 2, 8),
    falls=7,
    repeats=2,
    press=0.01,
)


def drawn(rng, **entries):
    """A page of gates, the apparatus, and unit and fall in gates an interval."""
    found = BENCH.draw(rng)
    page, tables = found.page.copy(), found.apparatus
    page["div"] = np.sign(page["div"])
    length = GATE * float(tables["reticle"]["division"].split()[0])
    tables["reticle"]["division"] = f"{length!r} m"
    for name, value in entries.items():
        section, _, key = name.partition("__")
        tables[section][key] = value
    return page, tables, found.truth["A"]


def test_a_gate_is_not_rounded_to_the_division(rng):
    # The error of the fall is that of the mean of the times: standard deviation of the seven
    # speeds over the root of seven, by hand.
    page, tables, _ = drawn(rng)
    run = charge.Run(page, tables)
    assert run.timing == "fixed distance"
    seconds = page["t"][page["V"] == 0].to_numpy()
    speeds = run.interval / seconds
    found = run.fall()
    assert found.value == pytest.approx(7 * run.interval / seconds.sum())
    assert found.standard_uncertainty == pytest.approx(np.std(speeds, ddof=1) / math.sqrt(7))
    assert found.standard_uncertainty < 0.01


@pytest.mark.slow
def test_steps_show_through_a_gate_and_the_interval_holds_the_fall(rng):
    # Twelve drops. The interval of the fall is Student's with 6 degrees of freedom: that fewer
    # than 8 of 12 hold it has a probability of 2e-4 (binomial at 95 %). That the comb wins by a
    # factor of e is asked of each.
    from scipy.stats import t

    held, n = 0, 12
    for _ in range(n):
        page, tables, true = drawn(rng)
        run = charge.Run(page, tables)
        gates = run.interval / BENCH.interval / GATE
        fall = run.fall()
        off = abs(fall.value - true["fall"] * gates) / fall.standard_uncertainty
        held += off < t.ppf(0.975, 6)
        unit = true["unit"] * gates
        fit = run.fit((0.6 * unit, 1.7 * unit))
        assert fit.unit == pytest.approx(unit, rel=0.02)
        assert fit.log_bayes_factor > 1
    assert held >= 8


def test_the_gate_may_be_declared_with_an_uncertainty(rng):
    # It goes into the routes that need a length once, or by the power 3/(2-ε) of the fall, and
    # cancels in those that divide a unit by a fall.
    page, tables, _ = drawn(rng)
    page["direction"] = np.where(page["div"] > 0, "up", "down")
    page = page.drop(columns="div")
    budgets = {}
    for distance in ("1 div", "1.00 +/- 0.02 div"):
        tables["run"]["distance"] = distance
        run = charge.Run(page, tables)
        found = charge.unit_in_coulombs(0.15, run.bench(), unit_err=0.001, run=run)
        budgets[distance] = {found.route: found} | found.others
        assert ("run.distance" in found.exact) is ("+/-" not in distance)
        assert "run.interval" not in found.exact
    drag, both = "drag, diameter known", "fall and rise, radius from the fall"
    row = budgets["1.00 +/- 0.02 div"][drag].budget.set_index("input").loc["run.distance"]
    assert row["exponent"] == pytest.approx(1, abs=1e-6)
    assert row["standard_uncertainty"] == 0.02
    row = budgets["1.00 +/- 0.02 div"][both].budget.set_index("input").loc["run.distance"]
    assert 1.5 < row["exponent"] < 1.6
    ratio = budgets["1.00 +/- 0.02 div"]["ratio, weight given"]
    assert "run.distance" not in ratio.budget["input"].tolist()
    for name in set(budgets["1 div"]) - {"joint fit"}:
        assert budgets["1 div"][name].value == pytest.approx(
            budgets["1.00 +/- 0.02 div"][name].value, rel=1e-12, abs=0
        )


def test_a_gate_finds_the_charge(rng):
    page, tables, true = drawn(rng)
    run = charge.Run(page, tables)
    unit = true["unit"] * run.interval / BENCH.interval / GATE
    found = run.unit_in_coulombs(run.fit((0.6 * unit, 1.7 * unit)))
    # Four standard uncertainties.
    assert found.value == pytest.approx(CHARGE, abs=4 * found.standard_uncertainty)


def test_the_times_are_rounded_instead():
    # First-order: a time rounded to h has sd h/sqrt(12), and v = L/t then v²/L times that.
    page = {"V": [200.0, 200.0, 0.0], "div": [1, 1, -1], "t": [4.0, 4.0, 2.5], "state": list("aab")}
    bench = {
        "sphere": {"diameter": "4 um", "density": "1055 kg/m3"},
        "reticle": {"division": "1.5 mm"},
        "run": {"timing": "fixed distance"},
    }
    run = charge.Run(page, bench)
    speed = 1 / 4.0
    rounding = 0.1 / math.sqrt(12) * speed**2 / 1 * run.interval
    assert predicted_scatter(run).rounding == pytest.approx([rounding] * 2)


def test_gates_of_two_lengths_are_still_gates(rng):
    # Drops timed over two divisions downwards and one upwards, and nothing declared.
    page, _, true = drawn(rng)
    down = page["div"] < 0
    page.loc[down, ["div", "t"]] *= 2
    run = charge.Run(page)
    assert run.timing == "fixed distance"
    assert run.remarks[-1].endswith("only 2 distances occur, and the times scatter")
    unit = true["unit"] * run.interval / BENCH.interval / GATE
    fit = run.fit((0.6 * unit, 1.7 * unit))
    assert fit.unit == pytest.approx(unit, rel=0.02)
    assert fit.log_bayes_factor > 1


def test_a_watch_that_is_read_finely_does_not_make_a_gate():
    # Fixed time, three states with little scatter, and the seconds noted to a hundredth.
    seconds = 10 + 0.01 * np.arange(-15, 15)
    page = {"V": [200.0] * 30, "div": [5, 6, -7] * 10, "t": seconds}
    assert charge.Run(page).timing == "fixed time"


def test_one_fall_has_the_scatter_that_is_predicted():
    # Root of walk² + rounding² + hand²: 2kTB·t for Stokes' mobility with slip 1.08, 1/√6 of a
    # division for two rounded ends, √2·v·0.1 s for two presses.
    page = {"V": [200.0, 0.0], "div": [20, -40], "t": [10.0, 10.0]}
    bench = {
        "sphere": {"diameter": "2 um"},
        "reticle": {"division": "25 um"},
        "watch": {"press": "0.1 s"},
        "air": {"temperature": "293.15 K"},
    }
    walk = 2 * 1.380649e-23 * 293.15 * 1.081 / (3 * math.pi * 1.82e-5 * 2e-6) * 10 / 25e-6**2
    expected = math.sqrt(walk + 1 / 6 + 2 * (4 * 0.1) ** 2)
    found = charge.Run(page, bench).fall()
    assert found.standard_uncertainty == pytest.approx(expected, rel=0.01)


def test_a_fall_known_from_elsewhere_goes_with_the_gate(rng):
    # The speed of fall in gates an interval: v·T over the length of a gate.
    page, tables, true = drawn(rng, run__distance="1 div")
    length = float(tables["reticle"]["division"].split()[0])
    speed = true["fall"] * 25e-6 / BENCH.interval
    tables["fall"] = {"speed": f"{speed!r} m/s"}
    run = charge.Run(page[page["V"] > 0], tables)
    found = charge.unit_in_coulombs(
        0.15, run.bench(), unit_err=0.001, run=run, route="ratio, weight given"
    )
    plates = run.bench()
    held = plates.need("sphere.weight").value * plates.need("plates.separation").value
    by_hand = 0.15 / (speed * run.interval / length) * held / plates.need("plates.voltage").value
    assert found.value == pytest.approx(by_hand, rel=1e-9, abs=0)
    charges = run.charges(route="ratio, weight given")["charge"].to_numpy()
    states = np.repeat(BENCH.states, BENCH.repeats)
    assert charges / states == pytest.approx(CHARGE, rel=0.06, abs=0)


@pytest.mark.parametrize("sphere", [{}, {"diameter": "2 um", "density": "1050 kg/m3"}])
def test_a_residual_voltage_is_taken_off_at_fixed_distance_too(sphere):
    # Exact speeds: a state moves x and falls f = F - r·(x + F) in 10 s, with F = 60 and r = 0.02,
    # and a scatter of 0.02 between the falls. Known mobility takes 2D/L = 0.004 divisions a second
    # off the speeds, which changes F by r times that.
    fall, share, length = 60.0, 0.02, 10.0
    page = {"state": [], "V": [], "div": [], "t": []}
    for i, x in enumerate((20.0, -30.0, 40.0, 10.0, -20.0)):
        fallen = fall - share * (x + fall) + 0.02 * (-1) ** i
        for volts, moved in ((200.0, x), (0.0, -fallen)):
            page["state"].append(str(i))
            page["V"].append(volts)
            page["div"].append(math.copysign(length, moved))
            page["t"].append(10 * length / abs(moved))
    run = {"timing": "fixed distance", "interval": "10 s", "residual_voltage": "taken off"}
    bench = {"reticle": {"division": "25 um"}, "sphere": sphere, "run": run}
    found = charge.Run(page, bench)
    assert found.fall().value == pytest.approx(fall, abs=0.1)
    assert found.residual_voltage().voltage.value == pytest.approx(share * 200, abs=0.2)
    assert found.fall_as_read().value == pytest.approx(fall - share * (4 + fall), abs=0.1)


def test_a_fall_that_changes_shows_beside_fast_passages():
    """Fast rises scatter by far more than slow falls, and say nothing of these."""
    rng = np.random.default_rng(5)
    rows = {"state": [], "V": [], "div": [], "t": []}
    for i, rise in enumerate(rng.permutation([0.8, 1.0, 1.2, 1.5, 2.0, 1.1, 0.9, 1.3])):
        for _ in range(2):
            rows["state"] += [f"s{i}", f"s{i}"]
            rows["V"] += [400, 0]
            rows["div"] += [1, -1]
            # The fall slows by a tenth in the course of the run.
            fall = 27.0 * (1 + 0.1 * i / 7) + 0.1 * rng.normal()
            rows["t"] += [rise + 0.1 * rng.normal(), fall]
    run = charge.Run(rows, {"run": {"timing": "fixed distance"}})
    trend = trend_of(run)
    # By hand: a straight line through the speeds of the falls, in the order of the rows.
    speeds = run.interval / np.array(rows["t"])[1::2]
    place = np.arange(2, 33, 2) / 31
    line = np.polyfit(place, speeds, 1)
    assert trend.change.value == pytest.approx(line[0], rel=1e-6)
    assert trend.change.standard_uncertainty < 0.2 * abs(line[0])
    assert trend.odds > 100


@pytest.mark.parametrize("gate", ["1.5 +/- 0.03 mm", "60 +/- 1.2 div"])
def test_the_gate_and_no_division_is_what_the_next_step_names(gate: str) -> None:
    # As in the budget of the unit itself, in which a gate that is a length needs no scale.
    tables = {
        "plates": {"separation": "5.00(2) mm", "voltage": "400(1) V"},
        "sphere": {"density": "875(2) kg/m3"},
        "air": {"temperature": "21.0(5) degC", "pressure": "1013(3) hPa"},
        "reticle": {"division": "25.0 +/- 0.1 um"} if "div" in gate else {},
        "run": {"timing": "fixed distance", "distance": gate},
    }
    times = {"t_fall": [11.9, 12.1, 12.0, 11.8], "t_rise": [7.1, 9.2, 14.3, 5.9]}
    run = charge.Run({"state": [1, 2, 3, 4], "V": [400] * 4} | times, tables)
    fit = run.fit()
    stated, found = run.unit_in_coulombs(fit), run.next_step(fit)
    assert found.relative == pytest.approx(stated.standard_uncertainty / stated.value, rel=0.02)
    inputs = found.table.loc[found.table["kind"] == "input", "measurement"].tolist()
    assert inputs[0] == "length of one timed passage, known twice as well"
    assert ("length of one scale division, known twice as well" in inputs) == ("div" in gate)


@pytest.mark.parametrize("repeats", [1, 6])
def test_levels_of_timed_passages_are_right_to_second_order(repeats):
    # The mean of 1/t is high by the relative variance of t, and weights that go with the speed as
    # it was read make a weighted mean low by several of it over the repeats. Walk of a sphere of
    # 1.6 µm in air (Stokes, 11 % of slip); times of first passage; two presses.
    rng = np.random.default_rng(11)
    division, gate, press, fall, unit = 2e-6, 500.0, 0.15, 33.0, 20.0
    diffusion = 1.11 * 1.38e-23 * 295 / (3 * np.pi * 1.83e-5 * 1.6e-6) / division**2
    n = np.repeat(rng.integers(4, 11, 6000 // repeats), repeats)
    speed = unit * n - fall
    t = rng.wald(gate / speed, gate**2 / (2 * diffusion))
    t += press * rng.normal(size=(2, n.size)).sum(axis=0)
    page = {
        "state": [str(i // repeats) for i in range(n.size)],
        "V": [400.0] * n.size,
        "div": [gate] * n.size,
        "t": t.tolist(),
    }
    bench = {
        "plates": {"voltage": "400 V"},
        "sphere": {"diameter": "1.6 um"},
        "reticle": {"division": f"{division} m"},
        "watch": {"press": f"{press} s"},
        "air": {"temperature": "295 K"},
        "fall": {"divisions": f"{fall} div"},
        "run": {"timing": "fixed distance", "distance": f"{gate} div", "interval": "1 s"},
    }
    found = charge.Run(page, bench).readings()
    weights = n / found.relative_sigma**2
    mean = weights @ found.values / (weights @ n)
    scatter = found.values - mean * n
    error = np.sqrt(np.sum((weights * scatter) ** 2)) / (weights @ n)
    assert error < 0.002 * unit
    assert abs(mean - unit) < 4 * error
    assert abs(mean - unit) < 0.0025 * unit
