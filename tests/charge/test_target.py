"""Plans in coulombs: against plain least squares, against the joint fit, and what they say."""

from __future__ import annotations

import math

import numpy as np
import pytest
from latent_bench import NAMES, LatentBench
from plain_bench import BOLTZMANN, TEMPERATURE, mobility_of, weight_of

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.expected import UnitAndFall, expected
from quantize.charge.quantity import Quantity
from quantize.charge.target import TargetPlan

E = 1.602176634e-19  # C, exact (SI Brochure, 9th edition)
GAP, DIVISION, DIAMETER, DENSITY, INTERVAL, PRESS = 4.2e-3, 25e-6, 2.1e-6, 1055.0, 10.0, 0.05
HELD = 6
KNOWN = {"gap": 0.004, "volts": 0.003, "weight": 0.015, "diameter": 0.005, "division": 0.002}


def file(**changes: dict) -> dict:
    """A bench whose entries agree with each other."""
    weight = weight_of(DIAMETER, DENSITY)
    volts = weight * GAP / (HELD * E)

    def stated(value: float, name: str, unit: str) -> str:
        return f"{value!r} +/- {KNOWN[name] * value!r} {unit}"

    tables = {
        "plates": {"separation": stated(GAP, "gap", "m"), "voltage": stated(volts, "volts", "V")},
        "sphere": {
            "weight": stated(weight, "weight", "N"),
            "weight_of": "this sphere",
            "diameter": stated(DIAMETER, "diameter", "m") + " particle",
            "density": f"{DENSITY} kg/m3",
        },
        "reticle": {"division": stated(DIVISION, "division", "m"), "length": "90 div"},
        "watch": {"press": f"{PRESS} s"},
        "run": {"interval": f"{INTERVAL} s"},
        "air": {"temperature": f"{TEMPERATURE} K", "pressure": "101325 Pa", "humidity": "0.4554"},
    }
    return {name: table | changes.get(name, {}) for name, table in tables.items()}


@pytest.fixture(scope="module")
def usual() -> TargetPlan:
    """Of this bench as it is."""
    return charge.plan_target(file())


def plain_uncertainty(falls: int, states: tuple[int, ...], repeats: int) -> float:
    """Of ln(charge), from the Jacobian of every reading and every stated input at the truth."""
    weight, mobility = weight_of(DIAMETER, DENSITY), mobility_of(DIAMETER)
    volts = weight * GAP / (HELD * E)
    per_speed = INTERVAL / DIVISION
    fall = mobility * weight * per_speed
    unit = fall / HELD
    # The stated unit and fall are put so far off that only the readings below tell of them.
    bench = LatentBench(
        unit=(unit, 1e9 * unit),
        fall=(fall, 1e9 * fall),
        diameter=(DIAMETER, KNOWN["diameter"] * DIAMETER),
        division=(DIVISION, KNOWN["division"] * DIVISION),
        separation=(GAP, KNOWN["gap"] * GAP),
        voltage=(volts, KNOWN["volts"] * volts),
        weight=(weight, KNOWN["weight"] * weight),
    )
    diffusion = BOLTZMANN * TEMPERATURE * mobility / DIVISION**2

    def sigma(moved: float) -> float:
        hand = math.sqrt(2) * PRESS * moved / INTERVAL
        return math.sqrt(2 * diffusion * INTERVAL + hand**2 + 1 / 6)

    def residuals(x: np.ndarray) -> np.ndarray:
        p = dict(zip(NAMES, x, strict=True))
        size = DIAMETER * math.exp(p["diameter"])
        b = mobility_of(size) * math.exp(-p["viscosity"])
        w = weight_of(size, DENSITY) * math.exp(p["gravity"])
        scale = per_speed * math.exp(-p["division"])
        field = volts / GAP * math.exp(p["voltage"] - p["separation"])
        u, f = b * 1e-19 * math.exp(p["charge"]) * field * scale, b * w * scale
        rows = [(n * u - f) / sigma(n * unit - fall) for n in states for _ in range(repeats)]
        return np.array([*rows, *[f / sigma(fall)] * falls, *bench.residuals(x)])

    truth = np.array([math.log(E / 1e-19), *[0.0] * (len(NAMES) - 1)])
    step = 1e-6
    jacobian = np.stack(
        [
            (residuals(truth + step * d) - residuals(truth - step * d)) / (2 * step)
            for d in np.eye(truth.size)
        ],
        axis=1,
    )
    return math.sqrt(np.linalg.inv(jacobian.T @ jacobian)[0, 0])


@pytest.mark.parametrize(("falls", "states", "repeats"), [(8, 8, 4), (3, 4, 2), (30, 2, 1)])
def test_the_uncertainty_is_that_of_plain_least_squares(
    falls: int, states: int, repeats: int
) -> None:
    # All readings and all inputs in one design matrix, by numpy, at the truth; the numbers of
    # units are those nearest to the six at balance.
    nearest = (6, 5, 7, 4, 8, 3, 9, 2)[:states]
    plan = charge.plan_target(file(), falls=falls, states=states, repeats=repeats)
    assert plan.relative == pytest.approx(plain_uncertainty(falls, nearest, repeats), rel=5e-3)


def test_several_spheres_are_those_of_the_joint_unit(usual: TargetPlan) -> None:
    plan = charge.plan_target(file(), spheres=3)
    one = usual
    bench, spread = charge.load_apparatus(file()), one.setup["sigma_over_unit"]
    now = UnitAndFall(unit=10.0, fall=60.0, precision=np.diag([spread**-2, 9.0]), interval=INTERVAL)
    single = expected(bench, now).charge
    joint = charge.joint_unit(dict.fromkeys("ABC", single))
    assert expected(bench, now).of(3) == pytest.approx(
        joint.standard_uncertainty / joint.value, rel=1e-6
    )
    assert plan.relative == pytest.approx(math.hypot(one.own / math.sqrt(3), one.shared))


def test_what_is_said_to_reach_the_target_does() -> None:
    plan = charge.plan_target(file(), "0.8 %", falls=3, states=4, repeats=2)
    assert not plan.reached
    ways = plan.ways.set_index("more_of")
    for name in ("falls", "states", "repeats", "spheres"):
        if math.isnan(ways.loc[name, "relative"]):
            continue
        numbers = {n: int(ways.loc[name, n]) for n in ("falls", "states", "repeats", "spheres")}
        assert charge.plan_target(file(), **numbers).relative <= 0.008
        fewer = numbers | {name: numbers[name] - 1}
        assert charge.plan_target(file(), **fewer).relative > 0.008
    assert ways["relative"].notna().any()
    limits = charge.plan_target(file(), "0.85 %").inputs.set_index("input")
    needed = limits["needed"].dropna()
    assert (needed <= limits.loc[needed.index, "relative"] * 1.001).all()
    better = needed[needed < 0.99 * limits.loc[needed.index, "relative"]]
    for name, relative in better.items():
        bench = charge.load_apparatus(file())
        old = bench.need(str(name))
        known = Quantity(
            value=old.value,
            standard_uncertainty=relative * old.value,
            unit=old.unit,
            scope=old.scope,
        )
        with_it = charge.plan_target(bench.changed(**{str(name).replace(".", "__"): known}))
        assert with_it.relative == pytest.approx(0.0085, rel=0.01)


def test_falls_and_repeats_are_the_fewest_in_the_proportion_of_the_design() -> None:
    ways = charge.plan_target(file(), "2 %", falls=8, repeats=4).ways.set_index("more_of")
    falls, repeats = (int(ways.loc["falls and repeats", n]) for n in ("falls", "repeats"))
    enough = [
        n
        for n in range(1, 5)
        if charge.plan_target(file(), "2 %", falls=2 * n, repeats=n).relative <= 0.02
    ]
    assert (falls, repeats) == (2 * enough[0], enough[0])


def test_a_share_of_nothing_is_limited_by_readings_alone() -> None:
    # With every input exact, four times the readings halve the uncertainty, by arithmetic.
    bare = file()
    for table in bare.values():
        for name, value in table.items():
            table[name] = value.split(" +/- ")[0] + (
                " " + value.split()[3] if " +/- " in value else ""
            )
    bare["sphere"].pop("weight")
    del bare["air"]
    one = charge.plan_target(bare)
    four = charge.plan_target(bare, falls=32, repeats=16)
    gravity = 0.013 / 9.80665
    random = [math.sqrt(p.relative**2 - gravity**2) for p in (one, four)]
    assert random[0] / random[1] == pytest.approx(2, rel=1e-3)
    assert any("Taken for exact" in note for note in one.notes)


def test_the_scale_and_the_steps(usual: TargetPlan) -> None:
    plan = usual
    unit, fall = plan.setup["unit"], plan.setup["fall"]
    assert plan.setup["held"] == pytest.approx(HELD, rel=1e-9)
    assert fall / unit == pytest.approx(HELD)
    last = plan.setup["largest"]
    assert last * unit - fall < 90 < (last + 2) * unit - fall
    # Seven states are not enough, however sharp, and eight are hardly: nine, of four readings each.
    assert not charge.plan_target(file(), states=7).shows_steps
    assert charge.plan_target(file(), states=9).shows_steps
    blind = charge.plan_target(file(watch={"press": "2.5 s"}))
    assert not blind.shows_steps
    assert math.isnan(blind.setup["readings_for_steps"])
    assert "no number of readings that was simulated shows" in " ".join(str(blind).split())


def test_the_text_keeps_to_the_terminal() -> None:
    text = str(charge.plan_target(file(), "1 %", spheres=2))
    assert max(map(len, text.splitlines())) <= 80
    assert "The least that reaches 1 %" in text
    assert "2 spheres" in text


@pytest.mark.parametrize(
    ("changes", "options", "words"),
    [
        ({}, {"target": "one"}, "`target` is 'one'; write a relative uncertainty"),
        ({}, {"target": "0 %"}, "`target` is 0"),
        ({}, {"falls": 0}, "`falls` is 0"),
        ({}, {"held": -1}, "`held` is -1"),
        ({"run": {"timing": "fixed distance"}}, {}, "passages over a fixed distance"),
    ],
)
def test_what_cannot_be_planned(changes: dict, options: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        charge.plan_target(file(**changes), **options)


def test_a_bench_without_voltage_takes_the_units_that_are_held() -> None:
    bench = file()
    volts = bench["plates"].pop("voltage")
    with pytest.raises(InputError, match=r"plates\.voltage"):
        charge.plan_target(bench)
    plan = charge.plan_target(bench, held=HELD)
    assert plan.setup["voltage"] == pytest.approx(float(volts.split()[0]))


@pytest.mark.parametrize(
    ("fall", "later"),
    [
        ({}, {}),
        ({"divisions": "60 div"}, {"divisions": "121.2 div"}),
        ({"speed": "1.485e-4 m/s"}, {"speed": "1.485e-4 m/s"}),
    ],
)
def test_an_interval_that_is_asked_for_is_that_of_the_bench(fall: dict, later: dict) -> None:
    # The true times are 9.9 s and 19.998 s, 2.02 times as long.
    watch = {"watch": {"press": "0.05 s", "bias": "-0.1 s"}}
    asked = charge.plan_target(file(**watch) | {"fall": fall}, interval=20.098)
    declared = file(run={"interval": "20.098 s"}, **watch) | {"fall": later}
    planned = charge.plan_target(declared)
    assert asked.relative == pytest.approx(planned.relative, rel=1e-3)
    assert asked.setup["fall"] == pytest.approx(planned.setup["fall"], rel=1e-4)
    assert asked.relative < charge.plan_target(file() | {"fall": fall}).relative


@pytest.mark.parametrize(
    "changes",
    [
        {"watch": {"press": "0.05 s", "bias": "0.3 s"}},
        {"watch": {"press": "0.05 s", "rate": "1.04"}},
        {"air": {"drift": "4e-6 m/s"}},
    ],
)
def test_what_is_known_of_clock_and_air_is_in_the_fall_that_is_expected(
    usual: TargetPlan, changes: dict
) -> None:
    plain, moved = usual, charge.plan_target(file(**changes))
    # The inputs of one sphere agree as before: only the scatter and the number held are others.
    assert moved.relative == pytest.approx(plain.relative, rel=0.02)
    assert moved.setup["fall"] != pytest.approx(plain.setup["fall"], rel=0.02)


def test_what_is_known_of_the_field_is_in_the_units_that_are_held(
    usual: TargetPlan,
) -> None:
    plates = {"meter": "0.95", "tilt": "20 deg"}
    true_volts = 0.95 * math.cos(math.radians(20))
    found = charge.plan_target(file(plates=plates))
    assert found.setup["held"] == pytest.approx(HELD / true_volts, rel=1e-3)
    asked = charge.plan_target(file(plates=plates), held=HELD)
    assert asked.setup["voltage"] == pytest.approx(usual.setup["voltage"] / true_volts)


def test_lengths_with_their_unit() -> None:
    given = {
        "intervals": [10], "density": 1055.0, "plates": charge.Plates(separation="4 mm"),
        "reticle": charge.Reticle(division="25 um", length=90),
    }  # fmt: skip
    named = charge.plan_bench(diameters=["2.1 um", "1600 nm"], **given)
    assert named.table.equals(charge.plan_bench(diameters=[2.1e-6, 1.6e-6], **given).table)
    with pytest.raises(InputError, match=r"`diameters` is '2.1', with no unit"):
        charge.plan_bench(diameters=["2.1"], **given)


def page(rows: list[tuple[str, float, float]]) -> dict:
    return {
        "state": [r[0] for r in rows], "V": [r[1] for r in rows], "div": [r[2] for r in rows],
        "t": [INTERVAL] * len(rows),
    }  # fmt: skip


def test_the_next_reading_brings_what_it_was_expected_to(usual: TargetPlan) -> None:
    # The same page with one more reading, exactly where it is expected, analyzed anew.
    plan = usual
    unit, fall, volts = plan.setup["unit"], plan.setup["fall"], plan.setup["voltage"]
    rows = [("a", volts, 6 * unit - fall + 0.3), ("b", volts, 8 * unit - fall - 0.2),
            ("c", volts, 3 * unit - fall + 0.1), ("c", volts, 3 * unit - fall),
            ("", 0.0, -fall + 0.4), ("", 0.0, -fall - 0.4), ("", 0.0, -fall)]  # fmt: skip
    run = charge.Run(page(rows), file())
    fit = run.fit((6, 16), sigma="predicted")
    found = run.next_step(fit)
    stated = run.unit_in_coulombs(fit)
    assert found.relative == pytest.approx(stated.standard_uncertainty / stated.value, rel=1e-3)
    table = found.table.set_index("measurement")
    expectation = table.loc["a new state of 12 units", "relative"]
    assert table.loc["a new state of 12 units", "gain"] > 0.02
    more = charge.Run(page([*rows, ("d", volts, 12 * unit - fall)]), file())
    fit = more.fit((6, 16), sigma="predicted")
    after = more.unit_in_coulombs(fit)
    assert after.standard_uncertainty / after.value == pytest.approx(expectation, rel=0.01)
    assert found.best["kind"] in ("fall", "reading")
    assert max(map(len, str(found).splitlines())) <= 80


@pytest.mark.parametrize(
    ("units", "part", "words"),
    [
        (-4, 1.0, "one more reading at 4 units pushed down"),
        (-4, -1.0, "one more reading at 4 units"),
        (9, 1 / 3, "one more reading at 9 units"),
    ],
)
def test_another_reading_brings_what_it_was_expected_to(
    usual: TargetPlan, units: int, part: float, words: str
) -> None:
    # Of the other sign, with the plates turned, or at a third of the voltage.
    plan = usual
    unit, fall, volts = plan.setup["unit"], plan.setup["fall"], plan.setup["voltage"]
    rows = [("a", volts, 6 * unit - fall + 0.3), ("b", volts, 8 * unit - fall - 0.2),
            ("c", volts, 3 * unit - fall + 0.1), ("e", part * volts, units * part * unit - fall),
            *(("", 0.0, -fall + off) for off in 8 * (1.2, -1.2))]  # fmt: skip
    run = charge.Run(page(rows), file())
    fit = run.fit((8, 12), sigma="predicted")
    assert abs(fit.integers).tolist() == [6, 8, 3, abs(units)]
    expectation = run.next_step(fit).table.set_index("measurement").loc[words, "relative"]
    more = charge.Run(page([*rows, rows[3]]), file())
    after = more.unit_in_coulombs(more.fit((8, 12), sigma="predicted"))
    before = run.next_step(fit).relative
    found = after.standard_uncertainty / after.value
    # Within a tenth of what the reading brings, and 1 in 2,000.
    assert found == pytest.approx(expectation, abs=0.1 * (before - found) + 5e-4 * found)


def test_the_next_step_without_a_fall_is_a_fall() -> None:
    rows = [("a", 230.0, 6.0), ("b", 230.0, 16.0), ("c", 230.0, -14.0), ("d", 230.0, 26.0)]
    run = charge.Run(page(rows), file())
    with pytest.raises(InputError, match="has no fall without field, and nothing brings more"):
        run.next_step(run.fit((6, 16)))


def test_falls_that_ran_off_the_scale_are_not_asked_for_again() -> None:
    rows, apparatus, truth = charge.SimulatedBench(scale=40).simulate(rng=5)
    run = charge.Run(rows, apparatus)
    unit_range = (0.5 * truth["unit"], 2 * truth["unit"])
    why = "the 8 rows at zero voltage ran off the scale, so time some over a shorter interval"
    with pytest.raises(InputError, match=f"nothing brings more: {why}"):
        run.next_step(run.fit(unit_range))
    with pytest.raises(InputError, match=f"those that it would have fallen; {why}, or give"):
        run.charges()
    analysis = run.analyze(unit_range, n_resamples=19, rng=1)
    assert f"no fall is known; {why}." in analysis.balance_sentence


def test_the_next_step_of_a_whole_analysis_is_that_of_its_fit() -> None:
    rows, apparatus, truth = charge.SimulatedBench(falls=3).simulate(rng=4)
    run = charge.Run(rows, apparatus)
    unit_range = (0.5 * truth["unit"], 2 * truth["unit"])
    analysis = run.analyze(unit_range, n_resamples=19, rng=1)
    one, other = run.next_step(analysis), run.next_step(analysis.fit)
    assert one.table.equals(other.table)
    assert one.readings == 32
    assert (one.verdict, one.advice, other.verdict) == ("steps", (), None)


def test_the_next_step_counts_the_rows_that_the_analysis_put_right() -> None:
    rows, apparatus, truth = charge.SimulatedBench(falls=3).simulate(rng=4)
    unit_range = (0.5 * truth["unit"], 2 * truth["unit"])
    at = rows.index[rows["V"] != 0][5]
    rows.loc[at, "divisions"] += round(0.6 * truth["unit"])
    run = charge.Run(rows, apparatus)
    analysis = run.analyze(unit_range, n_resamples=19, rng=1)
    kept = len(analysis.run.informative)
    assert kept == 31
    assert run.next_step(analysis).readings == kept
    # Left to itself it asks the same analysis; a fit brings the run in which it left the row out.
    assert run.next_step().readings == kept
    assert run.next_step(run.fit(unit_range)).readings == kept
    assert str(run.checks(analysis)) == str(analysis.checks)
    as_written = run.analyze(unit_range, mend=False, n_resamples=19, rng=1)
    assert run.next_step(as_written).readings == 32


def test_the_next_step_of_an_open_verdict_is_what_settles_it() -> None:
    rows, apparatus, truth = charge.SimulatedBench(falls=3).simulate(rng=4)
    few = rows[rows["state"].isin(rows["state"].unique()[:4])]
    run = charge.Run(few, apparatus)
    unit_range = (0.5 * truth["unit"], 2 * truth["unit"])
    analysis = run.analyze(unit_range, n_resamples=19, rng=1)
    assert analysis.verdict == "cannot tell"
    found = run.next_step(analysis)
    assert found.advice == analysis.advice
    said = " ".join(str(found).split())
    assert said.startswith('The verdict is "cannot tell": settle that first. If there are steps, ')
    assert said.index(analysis.advice[0]) < said.index("What else would help")
    # One number of readings, not two.
    assert "show steps in four runs of five" not in said
    assert "show steps in four runs of five" in " ".join(str(run.next_step(analysis.fit)).split())
