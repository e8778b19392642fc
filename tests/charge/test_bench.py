"""The joint posterior of a bench against general libraries on the same density."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from latent_bench import NAMES, LatentBench
from plain_bench import TEMPERATURE, mobility_of, weight_of

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.bench import BenchPosterior, fit_bench
from quantize.charge.budgets import Divisions, by_every_route, one_weight
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity

E = 1.6e-19
GAP, VOLTS, DIVISION = 4.2e-3, 230.0, 25e-6


def bench(case: str) -> LatentBench:
    """A bench whose entries are off by about one standard uncertainty, each in its own way."""
    diameter = 2.1e-6
    per_speed = 10.0 / DIVISION
    unit = mobility_of(diameter) * E * VOLTS / GAP * per_speed
    weight = 1.012 * weight_of(diameter, 1055.0)
    return LatentBench(
        unit=(unit * 1.002, 0.002 * unit),
        fall=(60.4, 0.15),
        diameter=(1.004 * diameter, 0.01e-6),
        division=(0.998 * DIVISION, 0.05e-6),
        separation=(1.003 * GAP, 0.02e-3),
        voltage=(0.999 * VOLTS, 0.7),
        weight=None if case == "no weight" else (weight, 0.015 * weight),
        spread=0.02e-6 if "batch" in case else None,
        weight_of_batch="weight of the batch" in case,
    )


CASES = ("this sphere", "no weight", "diameter of the batch", "diameter and weight of the batch")


def stated(b: LatentBench) -> dict:
    """The same bench as an apparatus; the fall and the unit in divisions are given."""
    sphere = {"diameter": f"{b.diameter[0]!r} +/- {b.diameter[1]!r} m particle"}
    if b.spread is not None:
        sphere["diameter"] = sphere["diameter"].replace("particle", "batch")
        sphere["diameter_spread"] = f"{b.spread!r} m"
    if b.weight is not None:
        sphere["weight"] = f"{b.weight[0]!r} +/- {b.weight[1]!r} N"
        sphere["weight_of"] = "the batch" if b.weight_of_batch else "this sphere"
    return {
        "plates": {
            "separation": f"{b.separation[0]!r} +/- {b.separation[1]!r} m",
            "voltage": f"{b.voltage[0]!r} +/- {b.voltage[1]!r} V",
        },
        "sphere": sphere | {"density": f"{b.density} kg/m3"},
        "fall": {"divisions": f"{b.fall[0]!r} +/- {b.fall[1]!r} div"},
        "reticle": {"division": f"{b.division[0]!r} +/- {b.division[1]!r} m"},
        "run": {"interval": f"{b.interval} s"},
        # Where the density of moist air is that of the plain simulator, to 1e-5.
        "air": {"temperature": f"{TEMPERATURE} K", "pressure": "101325 Pa", "humidity": "0.4554"},
    }


def found_by_library(b: LatentBench) -> BenchPosterior:
    return charge.unit_in_coulombs(b.unit[0], stated(b), unit_err=b.unit[1], trials=200).bench


@pytest.mark.parametrize("case", CASES)
def test_the_mode_is_that_of_least_squares_on_the_latent_density(case: str) -> None:
    # scipy.optimize.least_squares, a general solver, on the density in other variables.
    from scipy.optimize import least_squares

    b = bench(case)
    start = np.zeros(len(NAMES))
    start[0] = math.log(1.6)
    fit = least_squares(b.residuals, start, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac)
    mode = dict(zip(NAMES, fit.x, strict=True))
    found = found_by_library(b)
    # The density of air, which each states for itself, agrees to 1e-6 of that of the sphere.
    assert found.value == pytest.approx(1e-19 * math.exp(mode["charge"]), rel=2e-5, abs=0)
    assert found.agreement.chi_square == pytest.approx(2 * fit.cost, rel=2e-3)
    assert found.agreement.degrees_of_freedom == (1 if case == "no weight" else 2)
    rows = found.inputs.set_index("input")
    for name, entry in (("division", "reticle.division"), ("diameter", "sphere.diameter")):
        j = NAMES.index(name)
        spread, value = math.sqrt(covariance[j, j]), getattr(b, name)[0] * math.exp(mode[name])
        assert rows.loc[entry, "value"] == pytest.approx(value, rel=2e-5)
        assert rows.loc[entry, "standard_uncertainty"] / value == pytest.approx(spread, rel=2e-3)
    # Curvatures in other variables differ to second order. The budget of the charge is taken at
    # the stated inputs, where slopes are those at the mode up to their curvature.
    relative = found.standard_uncertainty / found.value
    assert relative == pytest.approx(math.sqrt(covariance[0, 0]), rel=5e-3)
    table = found.correlations.set_index("input")
    assert table.loc["unit charge", "reticle.division"] == pytest.approx(
        covariance[0, 3] / math.sqrt(covariance[0, 0] * covariance[3, 3]), abs=2e-3
    )
    assert np.diag(table.to_numpy()) == pytest.approx(np.ones(len(table)))


@pytest.mark.slow
def test_the_normal_posterior_is_that_of_an_ensemble_sampler() -> None:
    # emcee on the same density, which is not quite normal. 64 walkers of some 40 autocorrelation
    # times each: about 2,500 independent draws, so that the mean has an error of 0.02 and the
    # standard deviation one of 0.014 standard deviations; held to five of each.
    import emcee

    b = bench("diameter and weight of the batch")
    found = found_by_library(b)
    width = np.array([0.01, 0.005, 1.0, 0.002, 0.005, 0.003, 0.0014, 0.0013])
    rng = np.random.default_rng(11)
    start = rng.standard_normal((64, len(NAMES))) * width + [math.log(1.6), *[0.0] * 7]
    sampler = emcee.EnsembleSampler(
        64, len(NAMES), lambda x: -0.5 * np.sum(b.residuals(x) ** 2, axis=-1), vectorize=True
    )
    sampler.random_state = np.random.RandomState(12).get_state()
    sampler.run_mcmc(start, 4000)
    draws = sampler.get_chain(discard=500, flat=True)[:, 0]
    relative = found.standard_uncertainty / found.value
    assert sampler.get_autocorr_time(quiet=True)[0] < 120
    off = (draws.mean() - math.log(found.value / 1e-19)) / relative
    assert abs(off) < 0.1
    assert draws.std() / relative == pytest.approx(1, abs=0.07)


def test_redundancies_add_up_to_the_degrees_of_freedom() -> None:
    # For inputs without correlations the parts of their variances that conditions take away sum
    # to the number of conditions (the trace of a projector).
    for case in CASES:
        found = found_by_library(bench(case))
        assert found.inputs["redundancy"].sum() == pytest.approx(
            found.agreement.degrees_of_freedom, abs=1e-5
        )


def test_two_measurements_of_one_thing_give_their_weighted_mean() -> None:
    # Weights 1/u² of logs, by hand; an exact input stays where it is.
    inputs = {
        "first": Quantity(value=2.0, standard_uncertainty=0.02),
        "second": Quantity(value=2.02, standard_uncertainty=0.0404),
    }
    routes = {
        name: propagate(lambda a, b: a * b, {name: q, "exact": Quantity(value=3.0)}, unit="C")
        for name, q in inputs.items()
    }
    found = fit_bench(routes)
    weight = 0.01**-2 / (0.01**-2 + 0.02**-2)
    mean = math.exp(math.log(6.0) + (1 - weight) * math.log(1.01))
    assert found.value == pytest.approx(mean, rel=1e-6)
    assert found.standard_uncertainty / found.value == pytest.approx(
        (0.01**-2 + 0.02**-2) ** -0.5, rel=1e-5
    )
    assert found.information == pytest.approx(1.25, rel=1e-5)
    rows = found.inputs.set_index("input")
    assert rows["value"].tolist() == pytest.approx([mean / 3, 3.0, mean / 3], rel=1e-6)
    assert rows["redundancy"].tolist() == pytest.approx([1 - weight, 0, weight], rel=1e-5)
    pull = -math.log(1.01) / math.hypot(0.01, 0.02)
    assert rows["pull"].tolist() == pytest.approx([pull, math.nan, -pull], rel=1e-5, nan_ok=True)
    assert found.correlations["input"].tolist() == ["unit charge", "first", "second"]


def test_one_route_alone_is_its_own_joint_fit() -> None:
    only = propagate(lambda a: a, {"a": Quantity(value=2.0, standard_uncertainty=0.1)}, unit="C")
    found = fit_bench({"only": only})
    assert (found.value, found.information) == (pytest.approx(2.0), pytest.approx(1.0))
    assert found.standard_uncertainty == pytest.approx(0.1)
    assert math.isnan(found.inputs["pull"].iloc[0])


def test_a_scale_wrong_by_a_thousand_gets_an_answer_that_says_so() -> None:
    tables = stated(bench("this sphere"))
    tables["reticle"]["division"] = "25.0(1) mm/div"
    with pytest.raises(InputError, match="should lie between"):
        charge.unit_in_coulombs(10.0, tables, unit_err=0.02)
    tables["reticle"]["division"] = "2.5(1) mm/div"
    with pytest.warns(UserWarning, match="length of one scale division, by"):
        found = charge.unit_in_coulombs(10.0, tables, unit_err=0.02, trials=200)
    assert found.agreement.left_out == "reticle.division"
    assert found.agreement.suspects[0].implied == pytest.approx(DIVISION, rel=0.05)


def test_the_result_can_be_kept() -> None:
    found = charge.unit_in_coulombs(10.0, stated(bench("this sphere")), unit_err=0.02, trials=200)
    again = pickle.loads(pickle.dumps(found))
    assert again.bench.value == found.bench.value
    body = found.to_dict()
    assert body["schema"] == "quantize.UnitInCoulombs/2"
    assert body["bench"]["schema"] == "quantize.BenchPosterior/1"
    assert body["bench"]["agreement"]["degrees_of_freedom"] == 2
    assert {row["input"] for row in body["bench"]["inputs"]} > {"unit", "fall", "sphere.weight"}
    assert "chi-square" in repr(found.bench)


def test_drawn_inputs_go_through_the_joint_fit() -> None:
    # JCGM 101: the Monte Carlo of the joint fit agrees with its linear budget.
    b = bench("this sphere")
    found = charge.unit_in_coulombs(b.unit[0], stated(b), unit_err=b.unit[1], trials=20_000)
    assert found.monte_carlo.agrees
    assert found.budget["share"].sum() == pytest.approx(1)


@pytest.mark.parametrize(
    ("route", "division"),
    [
        ("joint fit", "25.0"), ("joint fit", "27.5"), ("ratio, weight given", "27.5"),
        ("drag, diameter known", "27.5"),
    ],
)  # fmt: skip
def test_the_shared_error_of_a_row_is_that_of_a_fit_of_this_row_alone(
    route: str, division: str
) -> None:
    # The rows share one fit in closed form; here each has a fit of its own. Row 27 is the smallest
    # charge, where the error of the fall counts three times.
    page, apparatus, _ = charge.SimulatedBench(falls=3).simulate(rng=3)
    page.loc[5, "V"] *= 1.3
    # With 27.5 an entry is wrong: the unit is averaged over several, and the fall is moved.
    apparatus["reticle"]["division"] = f"{division} +/- 0.05 um"
    run = charge.Run(page, apparatus)
    found, bench, fall = run.charges(route=route), run.bench(), run.fall()
    assert fall is not None
    for row in found.iloc[[0, 5, 8, 27, 30]].to_dict("records"):
        stretch = run.reference_voltage / row["voltage"]
        of_row = Divisions(
            unit=Quantity(value=(row["divisions"] + fall.value) * stretch, unit="div"),
            fall=fall,
            fall_slope=stretch,
            interval=Quantity(value=10.0, unit="s"),
        )
        routes = by_every_route(bench, of_row)
        alone = routes.get(route) or fit_bench(routes, one_weight(bench, routes)).charge
        expected = pytest.approx(alone.standard_uncertainty, rel=1e-7, abs=0)
        assert row["shared_uncertainty"] == expected


def test_the_last_digit_of_an_input_does_not_decide_how_the_fit_ends() -> None:
    # Weight and diameter that contradict each other; the gap differs in its twelfth digit.
    squares = []
    for last in range(12):
        bench = {
            "plates": {"separation": f"4.240000000{last:02d} +/- 0.02 mm", "setting": "1.0 V"},
            "sphere": {
                "weight": "7.15(8)e-14 N",
                "weight_of": "this sphere",
                "diameter": "2.10(2) um",
                "density": "1055 +/- 5 kg/m3",
                "diameter_spread": "0.03 um",
            },
            "fall": {"speed": "0.150 +/- 0.002 mm/s"},
            "air": {"temperature": "22 +/- 0.5 degC", "pressure": "1010 +/- 3 hPa"},
        }
        page = charge.BalanceVoltages([500.1, 400.2, 300.3], bench).charges()
        squares.append(page.attrs["agreement"].chi_square)
    assert squares == pytest.approx([squares[0]] * len(squares), rel=1e-6)
