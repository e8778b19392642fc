"""The routes to coulombs against each other: by hand, on clean benches, on spoilt ones."""

from __future__ import annotations

import math
from typing import Any

import pytest
from plain_bench import Bench, simulate
from scipy import stats

from quantize import charge
from quantize.charge import Quantity, Run, propagate
from quantize.charge.agreement import agree, agreement_of, common_route, compared, reconciling

SCALE_WRONG = Bench(scale_stated=1.1)
OF_WEIGHT = {"ratio, weight given", "ratio, weight from diameter"}


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


def test_what_two_routes_share_is_taken_out() -> None:
    found = agree(shared_and_own(2.0, 2.1))
    # ln(2.1/2) with the variances of the own factors alone.
    square = math.log(1.05) ** 2 / (0.01**2 + 0.02**2)
    assert found.chi_square == pytest.approx(square, rel=1e-3)
    assert found.p_value == pytest.approx(stats.chi2.sf(square, 1), rel=1e-2)
    assert found.degrees_of_freedom == 1
    assert found.level == "good"
    assert found.best == "first"
    assert found.sound == ("first", "second")


def test_correlations_of_inputs_count() -> None:
    both = shared_and_own(2.0, 2.1, correlations={("first", "second"): 0.8})
    square = math.log(1.05) ** 2 / (0.01**2 + 0.02**2 - 2 * 0.8 * 0.01 * 0.02)
    assert agree(both).chi_square == pytest.approx(square, rel=1e-3)


def test_few_repeats_are_student() -> None:
    few = Quantity(value=2.2, standard_uncertainty=0.044, distribution="t", degrees_of_freedom=3)
    found = {
        "first": propagate(lambda a: a, {"exact": Quantity(value=2.0)}),
        "second": propagate(lambda a: a, {"few": few}),
    }
    p = 2 * stats.t.sf(math.log(1.1) / 0.02, 3)
    assert compared(found, found)[2] == pytest.approx(p, rel=0.01)


def test_nothing_is_said_where_nothing_can_be_compared() -> None:
    exact = {name: propagate(lambda a: a, {"x": Quantity(value=2.0)}) for name in "ab"}
    assert agree(exact).level == "unknown"
    assert "nothing that has an uncertainty" in agree(exact).sentence
    one = agree({"a": exact["a"]})
    assert one.level == "unknown"
    assert "allows only 'a', so that nothing checks it" in one.sentence
    assert one.to_dict()["p_value"] is None
    assert agreement_of(Run({"V": [200.0, 0.0], "div": [1, -60], "t": [10.0] * 2})) is None


def test_fall_and_rise_counts_once_beside_the_two_it_follows_from() -> None:
    page, apparatus, _ = simulate(Bench(), 1)
    found = agreement_of(Run(page, apparatus))
    assert found is not None
    assert found.degrees_of_freedom == 2
    del apparatus["sphere"]["weight"]
    found = agreement_of(Run(page, apparatus))
    assert found is not None
    assert found.degrees_of_freedom == 1


def test_clean_benches_are_seldom_doubted() -> None:
    # 200 benches: more than 8 below 0.01, or 22 below 0.05, come once in 5,000 (binomial).
    p = []
    for seed in range(200):
        page, apparatus, _ = simulate(Bench(falls=3 + seed % 6), seed)
        found = agreement_of(Run(page, apparatus))
        assert found is not None
        p.append(found.p_value)
    assert sum(value < 0.01 for value in p) <= 8
    assert sum(value < 0.05 for value in p) <= 22
    # Nor is the check asleep: p is uniform (Kolmogorov and Smirnov, once in 10,000).
    assert stats.kstest(p, "uniform").pvalue > 1e-4


def test_a_scale_that_is_wrong_by_a_tenth_is_found_and_named() -> None:
    for seed in range(20):
        page, apparatus, _ = simulate(SCALE_WRONG, seed)
        run = Run(page, apparatus)
        found = agreement_of(run)
        assert found is not None
        assert found.level == "bad"
        assert set(found.sound) == OF_WEIGHT
        assert found.best in OF_WEIGHT
        assert "the length of one scale division" in found.sentence
        assert run.checks().of("the routes").level == "bad"
    unit = charge.unit_in_coulombs(10.0, apparatus, unit_err=0.05, run=run)
    factor = dict(reconciling({unit.route: unit} | unit.others))["reticle.division"]
    # Stated a tenth too long, within 3 %, which diameter and weight allow.
    assert factor == pytest.approx(1 / 1.1, abs=0.03)


def test_two_routes_that_differ_cannot_tell_which_is_right() -> None:
    page, apparatus, _ = simulate(SCALE_WRONG, 1)
    for entry in ("diameter", "density"):
        del apparatus["sphere"][entry]
    apparatus["sphere"]["density"] = "1055 kg/m3"
    found = agreement_of(Run(page, apparatus))
    assert found is not None
    assert found.level == "bad"
    assert "no two of them agree" in found.sentence
    assert len(found.sound) == 2


def test_what_was_stated_without_an_uncertainty_may_be_all() -> None:
    page, apparatus, _ = simulate(SCALE_WRONG, 1)
    apparatus["reticle"]["division"] = apparatus["reticle"]["division"].split(" +/-")[0] + " m"
    found = agreement_of(Run(page, apparatus))
    assert found is not None
    assert found.level == "doubt"
    assert "no uncertainty is stated for the length of one scale division" in found.sentence


def test_one_route_for_several_particles() -> None:
    pairs = [shared_and_own(2.0, 2.01), shared_and_own(2.0, 2.02)]
    told = [agree(found) for found in pairs]
    assert common_route(told, [{"first": 0.01, "second": 0.02}] * 2) == "first"
    assert common_route(told, [{"first": 0.01, "second": 0.02}, {"second": 0.03}]) == "second"


def test_the_headline_is_the_most_exact_of_the_sound_routes() -> None:
    page, apparatus, truth = simulate(Bench(), 4)
    run = Run(page, apparatus)
    found = charge.unit_in_coulombs(truth["unit"], apparatus, unit_err=0.03, run=run)
    assert found.standard_uncertainty == found.routes["standard_uncertainty"].min()
    assert found.agreement.best == found.route
    chosen = charge.unit_in_coulombs(
        truth["unit"], apparatus, unit_err=0.03, run=run, route="ratio, weight given"
    )
    assert chosen.route == "ratio, weight given"
    assert run.charges().attrs["route"] == found.route
