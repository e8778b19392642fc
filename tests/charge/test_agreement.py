"""Whether all inputs agree on one sphere: by hand, on clean benches, on spoilt ones."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import numpy as np
import pytest
from plain_bench import Bench, simulate
from scipy import stats

from quantize import charge
from quantize._support.errors import QuantizeWarning
from quantize.charge import Run
from quantize.charge.agreement import Agreement, spread_of
from quantize.charge.bench import WHICH, BenchPosterior, bench_of_run, fit_bench
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity
from quantize.charge.stated import plus_minus

# A bench that is spoilt says so in a warning too.
pytestmark = pytest.mark.filterwarnings("ignore:Fitted together to one sphere")
SCALE_WRONG = Bench(scale_stated=1.1)


def shared_and_own(x: float, y: float, **correlations: Any) -> dict[str, Any]:
    """Two routes of one shared factor, 5 % uncertain, and an own one each, of 1 % and 2 %."""
    inputs = {
        "shared": Quantity(value=3.0, standard_uncertainty=0.15),
        "first": Quantity(value=x, standard_uncertainty=0.01 * x),
        "second": Quantity(value=y, standard_uncertainty=0.02 * y),
    }
    found = {}
    for name in ("first", "second"):
        own = {key: inputs[key] for key in ("shared", name)}
        found[name] = propagate(lambda a, b: a * b, own, **correlations)
    return found


def posterior_of(seed: int, bench: Bench | None = None, **sphere: str | None) -> BenchPosterior:
    page, apparatus, _ = simulate(bench or Bench(), seed)
    kept = apparatus["sphere"] | sphere
    apparatus["sphere"] = {name: value for name, value in kept.items() if value is not None}
    found = bench_of_run(Run(page, apparatus))
    assert found is not None
    return found


def of_bench(seed: int, bench: Bench | None = None, **sphere: str | None) -> Agreement:
    return posterior_of(seed, bench, **sphere).agreement


def test_what_two_routes_share_is_taken_out() -> None:
    found = fit_bench(shared_and_own(2.0, 2.1)).agreement
    # ln(2.1/2) with the variances of the own factors alone.
    square = math.log(1.05) ** 2 / (0.01**2 + 0.02**2)
    assert found.chi_square == pytest.approx(square, rel=1e-5)
    assert found.p_value == pytest.approx(stats.chi2.sf(square, 1), rel=1e-5)
    assert found.degrees_of_freedom == 1
    assert (found.level, found.left_out, found.factor) == ("good", None, 1.0)


def test_correlations_of_inputs_count() -> None:
    both = shared_and_own(2.0, 2.1, correlations={("first", "second"): 0.8})
    square = math.log(1.05) ** 2 / (0.01**2 + 0.02**2 - 2 * 0.8 * 0.01 * 0.02)
    assert fit_bench(both).agreement.chi_square == pytest.approx(square, rel=1e-5)


def test_few_repeats_are_student() -> None:
    few = Quantity(value=2.2, standard_uncertainty=0.044, distribution="t", degrees_of_freedom=3)
    found = {
        "first": propagate(lambda a: a, {"exact": Quantity(value=2.0)}),
        "second": propagate(lambda a: a, {"few": few}),
    }
    p = 2 * stats.t.sf(math.log(1.1) / 0.02, 3)
    assert fit_bench(found).agreement.p_value == pytest.approx(p, rel=1e-5)


def test_nothing_is_said_where_nothing_can_be_compared() -> None:
    exact = {name: propagate(lambda a: a, {"x": Quantity(value=2.0)}) for name in "ab"}
    told = fit_bench(exact).agreement
    assert told.level == "unknown"
    assert told.sentence == "nothing that could make the inputs differ has an uncertainty."
    one = fit_bench({"a": exact["a"]}).agreement
    assert one.level == "unknown"
    assert "allows only 'a', so that nothing checks it" in one.sentence
    assert one.to_dict()["p_value"] is None
    assert bench_of_run(Run({"V": [200.0, 0.0], "div": [1, -60], "t": [10.0] * 2})) is None


def test_fall_and_rise_counts_once_beside_the_two_it_follows_from() -> None:
    assert of_bench(1).degrees_of_freedom == 2
    assert of_bench(1, weight=None).degrees_of_freedom == 1


@pytest.mark.slow
def test_clean_benches_are_seldom_doubted() -> None:
    # 200 benches: more than 8 below 0.01, or 22 below 0.05, come once in 5,000 (binomial).
    p = [of_bench(seed, Bench(falls=3 + seed % 6)).p_value for seed in range(200)]
    assert sum(value < 0.01 for value in p) <= 8
    assert sum(value < 0.05 for value in p) <= 22
    # Nor is the check asleep: p is uniform (Kolmogorov and Smirnov, once in 10,000).
    assert stats.kstest(p, "uniform").pvalue > 1e-4


def test_a_scale_that_is_wrong_by_a_tenth_is_found_and_named() -> None:
    for seed in range(20):
        found = of_bench(seed, SCALE_WRONG)
        assert found.level == "bad"
        assert found.left_out == "reticle.division"
        assert "the likeliest to be wrong is the length of one scale division" in found.sentence
        first = found.suspects[0]
        # The true division is 25 µm, which the others imply within their uncertainty: four
        # standard uncertainties come once in 16,000.
        assert first.implied == pytest.approx(25e-6, abs=4 * first.standard_uncertainty)
        assert first.off == pytest.approx(0.1, abs=0.05)
        assert first.p_value > 0.01


def test_the_sentence_names_the_input_and_by_how_much() -> None:
    found = of_bench(1, SCALE_WRONG)
    first = found.suspects[0]
    spread = 100 * (1 + first.off) * first.standard_uncertainty / first.implied
    by = plus_minus(100 * first.off, spread)
    assert first.told == f"the length of one scale division, by {by} % too large"
    assert first.told in found.sentence
    assert "the joint value is averaged over that (" in found.sentence
    assert "the same could come from the time of one reading, by" in found.sentence
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["suspects"][0]["input"] == (
        "reticle.division"
    )


def test_what_is_wrong_has_no_more_say_than_it_may_be_right() -> None:
    page, apparatus, truth = simulate(SCALE_WRONG, 1)
    run = Run(page, apparatus)
    found = charge.unit_in_coulombs(truth["unit"], apparatus, unit_err=0.03, run=run)
    exponents = found.budget.set_index("input")["exponent"]
    # The scale and the time of a reading are one and the same in it, and a unit goes with the scale
    # to the power 1.31 by the route that depends on it most.
    wrong = {s.input: s.probability for s in found.agreement.suspects}
    right = 1 - wrong["reticle.division"] - wrong["run.interval"]
    assert right < 0.15
    assert abs(exponents["reticle.division"]) < 1.4 * right
    # Nor has a scale that is wrong in another way.
    apparatus["reticle"]["division"] = "29 +/- 0.05 um"
    again = charge.unit_in_coulombs(truth["unit"], apparatus, unit_err=0.03, run=run)
    assert again.agreement.left_out == "reticle.division"
    assert again.value == pytest.approx(found.value, rel=1.4 * right * math.log(29 / 27), abs=0)
    assert run.checks().of("all inputs agree").level == "bad"


def test_with_one_degree_of_freedom_nothing_tells_which_is_wrong() -> None:
    found = posterior_of(1, SCALE_WRONG, diameter=None)
    told = found.agreement
    assert told.level == "bad"
    assert told.degrees_of_freedom == 1
    assert told.left_out is None
    assert "one of these alone may be wrong, and the data do not show which" in told.sentence
    # Birge's ratio: every uncertainty times the root of chi-square over its degrees of freedom.
    assert told.factor == pytest.approx(math.sqrt(told.chi_square), rel=1e-12)
    assert found.charge.inputs["sphere.weight"].relative == pytest.approx(0.015 * told.factor, 0.1)


def test_what_was_stated_without_an_uncertainty_may_be_all() -> None:
    page, apparatus, _ = simulate(SCALE_WRONG, 1)
    apparatus["reticle"]["division"] = apparatus["reticle"]["division"].split(" +/-")[0] + " m"
    found = bench_of_run(Run(page, apparatus))
    assert found is not None
    assert found.agreement.level == "doubt"
    assert "no uncertainty is stated for the length of one scale division" in (
        found.agreement.sentence
    )
    assert found.agreement.left_out == "reticle.division"


def test_weight_and_diameter_are_compared_without_a_fall() -> None:
    # Drag needs no fall; weight, diameter and density are one condition beside it.
    bench = {
        "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
        "sphere": {
            "weight": "6.15(8)e-14 N",
            "weight_of": "this sphere",
            "diameter": "2.10(2) um",
            "density": "1055 kg/m3",
        },
        "reticle": {"division": "25.0(1) um"},
        "run": {"interval": "10 s"},
        "air": {"temperature": "294 K", "pressure": "101325 Pa"},
    }
    found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1, trials=200)
    weight = math.pi / 6 * 2.10e-6**3 * (1055 - 1.19) * 9.80665
    off = math.log(6.15e-14 / weight) / math.hypot(0.08 / 6.15, 3 * 0.02 / 2.10, 0.013 / 9.8)
    assert found.agreement.chi_square == pytest.approx(off**2, rel=0.01)
    assert found.route == "joint fit"
    assert found.routes["route"].tolist() == ["joint fit", "drag, diameter known"]


def test_the_sphere_alone_warns_of_a_weight_that_does_not_fit() -> None:
    given = {"diameter": "2.10(2) um", "density": "1055 kg/m3"}
    with pytest.warns(QuantizeWarning, match="1.227 times"):
        charge.Sphere(**given, weight="6.15(8)e-14 N")
    assert charge.Sphere(**given, weight="5.12(8)e-14 N").weight is not None


def test_the_headline_is_the_joint_fit() -> None:
    page, apparatus, truth = simulate(Bench(), 4)
    run = Run(page, apparatus)
    found = charge.unit_in_coulombs(truth["unit"], apparatus, unit_err=0.03, run=run)
    assert found.route == "joint fit"
    assert found.standard_uncertainty == found.routes["standard_uncertainty"].min()
    assert (found.value, found.standard_uncertainty) == (
        found.bench.value,
        found.bench.standard_uncertainty,
    )
    chosen = charge.unit_in_coulombs(
        truth["unit"], apparatus, unit_err=0.03, run=run, route="ratio, weight given"
    )
    assert chosen.route == "ratio, weight given"
    assert chosen.bench.value == found.value
    assert run.charges().attrs["route"] == "joint fit"
    # Of an efficient estimate another differs by the difference of the variances.
    for row in found.routes.iloc[1:].to_dict("records"):
        variance = row["standard_uncertainty"] ** 2 - found.standard_uncertainty**2
        expected = abs(row["value"] - found.value) / math.sqrt(variance)
        assert row["sigmas"] == pytest.approx(expected, rel=0.05, abs=0.02)


def test_a_suspect_that_is_too_small_is_called_so() -> None:
    first = of_bench(1, SCALE_WRONG).suspects[0]
    small = dataclasses.replace(first, stated=0.9 * first.implied)
    assert small.told.endswith("% too small")
    assert "by 10." in small.told


def test_the_probability_of_each_suspect_by_integration() -> None:
    # Three measurements of one thing, the last off by 4 %. Its likelihood if it is wrong is
    # integrated over its error by scipy's quadrature, on the density of errors that is stated:
    # one in a hundred, evenly up to 20 % either way. Chance has the rest.
    from scipy.integrate import quad

    errors = {"first": (2.0, 0.01), "second": (2.01, 0.012), "third": (2.08, 0.008)}
    routes = {
        name: propagate(lambda a: a, {name: Quantity(value=v, standard_uncertainty=u)}, unit="C")
        for name, (v, u) in errors.items()
    }
    found = fit_bench(routes)
    logs = np.log([v for v, _ in errors.values()])
    relative = np.array([u / v for v, u in errors.values()])
    differ = np.array([[-1.0, 1.0, 0.0], [-1.0, 0.0, 1.0]])
    law = stats.multivariate_normal(cov=differ @ np.diag(relative**2) @ differ.T)
    odds = {
        name: 0.01 * 2.5 * quad(
            lambda x, j=j: law.pdf(differ @ (logs - x * np.eye(3)[j])), -0.2, 0.2, points=[0, 0.04]
        )[0] / law.pdf(differ @ logs)
        for j, name in enumerate(errors)
    }  # fmt: skip
    probability = {s.input: s.probability for s in found.agreement.suspects}
    for name, value in odds.items():
        assert probability[name] == pytest.approx(value / (1 + sum(odds.values())), rel=1e-3)
    assert found.agreement.left_out == "third"
    assert WHICH in found.charge.budget["input"].tolist()


def test_the_spread_of_a_mixture_holds_its_central_part() -> None:
    # Against a million draws of numpy; a case of 4 % lies far out.
    share, centre, own = np.array([0.7, 0.26, 0.04]), np.array([0.0, 0.02, 0.2]), np.full(3, 0.01)
    rng = np.random.default_rng(2)
    case = rng.choice(3, size=1_000_000, p=share)
    draws = centre[case] + own[case] * rng.standard_normal(case.size)
    low, high = np.quantile(draws, [0.025, 0.975])
    half = max(high - draws.mean(), draws.mean() - low)
    assert spread_of(share, centre, own) == pytest.approx(half / 1.959964, rel=0.01)
    alone = np.ones(1)
    assert spread_of(alone, np.zeros(1), 0.02 * alone) == pytest.approx(0.02, rel=1e-6)
