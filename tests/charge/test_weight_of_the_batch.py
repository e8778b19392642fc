"""The weight of a batch is not that of one sphere: coverage and agreement on plain physics."""

import math

import numpy as np
import pandas as pd
import pytest
from plain_bench import CHARGE, PlainBench

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.apparatus import Apparatus
from quantize.charge.montecarlo import monte_carlo

# Among hundreds of benches some have a weight 2.5 sigma from that of their diameter.
pytestmark = pytest.mark.filterwarnings("ignore::quantize._support.errors.QuantizeWarning")
ROUTE = "ratio, weight given"
BENCH = {
    "plates": {"separation": "3.95 +/- 0.02 mm", "voltage": "236 +/- 1 V"},
    "sphere": {"weight": "5.3(1)e-14 N", "diameter": "2.1 um", "diameter_spread": "0.042 um"},
    "fall": {"divisions": "58.0 +/- 0.2 div"},
}


def convert(bench, **words):
    tables = {**bench, "sphere": bench["sphere"] | words}
    return charge.unit_in_coulombs(10.0, tables, unit_err=0.05, route=ROUTE, trials=200)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("weight_of", "spread"), [("the batch", 0.005), ("this sphere", 0.014), ("the batch", 0.029)]
)
def test_intervals_hold_the_true_charge(rng, weight_of, spread):
    # 95 % nominal; 200 conversions, bound of 4 binomial sigmas (a false alarm in 16,000) and one
    # in a hundred for a charge that goes with the third power of a spread that is not small.
    bench, held, n = PlainBench(weight_of=weight_of, spread=spread), 0, 200
    for _ in range(n):
        drawn = bench.draw(rng)
        true = drawn.truth["A"]
        fall = true["fall"] + 0.1 * rng.normal()
        tables = {**drawn.apparatus, "fall": {"divisions": f"{fall!r} +/- 0.1 div"}}
        found = charge.unit_in_coulombs(
            true["unit"] + 0.02 * rng.normal(), tables, unit_err=0.02, route=ROUTE, trials=100
        )
        low, high = found.interval(0.95)[0]
        held += low <= CHARGE <= high
    slack = 4 * math.sqrt(0.95 * 0.05 / n) + 0.01
    assert held / n == pytest.approx(0.95, abs=slack)


@pytest.mark.slow
def test_spheres_of_one_batch_agree(rng):
    # The p-values of four joint units are uniform: that three are below 5 % has a probability of
    # 5e-4 (binomial).
    below = 0
    for _ in range(4):
        drawn = PlainBench(spheres=3, falls=5, repeats=2).draw(rng)
        run = charge.Run(drawn.page, drawn.apparatus)
        joint = run.joint_unit_in_coulombs((6, 16), route=ROUTE)
        below += joint.homogeneity["p_value"] < 0.05
    assert below < 3


def test_three_times_the_relative_spread_goes_into_the_budget():
    of_batch, of_sphere = convert(BENCH, weight_of="the batch"), convert(
        BENCH, weight_of="this sphere"
    )  # fmt: skip
    row = of_batch.budget.set_index("input").loc["sphere.diameter_spread"]
    assert row["contribution"] / of_batch.value == pytest.approx(3 * 0.042 / 2.1, rel=1e-6)
    assert row["scope"] == "particle"
    assert "sphere.diameter_spread" not in of_sphere.budget["input"].tolist()
    assert convert(BENCH).standard_uncertainty == of_batch.standard_uncertainty
    # Monte Carlo draws the cube itself, whose mean is 1 + 3s².
    s = 0.02
    drawn = monte_carlo(of_batch.model, of_batch.inputs, trials=200_000, rng=1)
    assert drawn.value / of_batch.value == pytest.approx(1 + 3 * s**2, abs=1e-3)


def test_who_shares_what():
    budget = convert(BENCH).budget.set_index("input")["scope"]
    assert budget["sphere.weight"] == "batch"
    two = {
        **BENCH,
        "particles": {
            "A": {"sphere": {"weight": "5.1(1)e-14 N"}},
            "B": {"sphere": {"weight": "5.4(1)e-14 N", "weight_of": "the batch"}},
        },
    }
    bench = Apparatus.of(two)
    # What is measured for one particle is its own, unless it is said to be another batch's.
    assert [bench.for_particle(k).weight_is_own for k in "ABC"] == [True, False, False]
    scopes = [bench.for_particle(k).need("sphere.weight").scope for k in "ABC"]
    assert scopes == ["particle", "batch", "batch"]
    assert bench.for_particle("A").spread_about("sphere.weight") is None
    assert bench.for_particle("B").spread_about("sphere.weight").standard_uncertainty == 0.042e-6
    kept = bench.to_dict()["particle_words"]
    assert kept == {"A": {}, "B": {"sphere.weight_of": "the batch"}}


def test_two_weighed_spheres_share_no_error_of_weight():
    # Each from a file of its own: variances of the weights are independent, the rest is shared.
    told = {name: convert(BENCH, weight_of="this sphere") for name in "AB"}
    joint = charge.joint_unit(told)
    rows = told["A"].budget.set_index("input")["contribution"] / told["A"].value
    own = math.hypot(rows["sphere.weight"], rows["unit"], rows["fall"]) / math.sqrt(2)
    shared = math.hypot(rows["plates.separation"], rows["plates.voltage"])
    assert joint.standard_uncertainty / joint.value == pytest.approx(
        math.hypot(own, shared), rel=1e-4
    )
    changed = Apparatus.of({"sphere": {"weight_of": "this sphere"}})
    assert changed.changed(sphere__weight="5 +/- 1 fN").need("sphere.weight").scope == "particle"


def test_a_diameter_measured_on_the_sphere_has_no_spread():
    tables = {**BENCH, "particles": {"A": {"sphere": {"diameter": "2.13 +/- 0.02 um"}}}}
    bench = Apparatus.of(tables)
    assert bench.for_particle("A").spread_about("sphere.diameter") is None
    assert bench.for_particle("B").spread_about("sphere.diameter") is not None


def test_one_weight_of_this_sphere_cannot_serve_for_three():
    drawn = PlainBench(spheres=3).draw(np.random.default_rng(1))
    tables = drawn.apparatus
    tables["sphere"]["weight_of"] = "this sphere"
    run = charge.Run(drawn.page, tables)
    for convert_all in (run.joint_unit_in_coulombs, run.charges):
        with pytest.raises(InputError) as caught:
            convert_all()
        assert str(caught.value) == (
            "`sphere.weight_of` is 'this sphere', and the run holds the particles A, B, C; write "
            'the weight of each under [particles.A.sphere], or weight_of = "the batch".'
        )


def test_words_of_a_particle_are_about_its_sphere():
    with pytest.raises(InputError, match=r"`particles.A` declares run.timing, which holds for the"):
        Apparatus.of({"particles": {"A": {"run": {"timing": "fixed time"}}}})


def test_a_batch_weight_without_a_spread_is_noted():
    bare = {**BENCH, "sphere": {"weight": "5.3(1)e-14 N"}}
    (note,) = [n for n in convert(bare).notes if "batch" in n]
    assert note == (
        "the weight is taken for that of the batch, and how far one sphere is from it is not "
        "known; add diameter and diameter_spread under [sphere], or declare "
        'weight_of = "this sphere"'
    )
    assert not [n for n in convert(bare, weight_of="this sphere").notes if "batch" in n]


def test_buoyancy_is_taken_off_with_the_density_that_is_declared():
    # Archimedes: w·(1 - air/sphere), in air of 1.2 kg/m3 at 21 °C (CIPM-2007).
    for density in (1055, 2500):
        told = {"density": f"{density} kg/m3", "weight_of": "this sphere"}
        whole = convert(BENCH, **told, buoyancy="already off")
        less = convert(BENCH, **told, buoyancy="not off")
        assert 1 - less.value / whole.value == pytest.approx(1.19 / density, rel=0.01)


def test_the_simulated_bench_draws_both_kinds():
    batch = charge.SimulatedBench(weight_of="the batch", weight_known=1e-9, diameter_spread=6e-8)
    own = charge.SimulatedBench(weight_known=1e-9, diameter_spread=6e-8)
    ratio = {}
    for b in (batch, own):
        first, second = (_weight(b.simulate(rng=seed)[1]) for seed in (1, 2))
        ratio[b.weight_of] = second / first
    assert ratio["the batch"] == pytest.approx(1, abs=1e-7)
    assert abs(ratio["this sphere"] - 1) > 1e-3
    with pytest.raises(InputError, match="`weight_of`"):
        charge.SimulatedBench(weight_of="me")


def _weight(apparatus):
    assert apparatus["sphere"]["weight_of"] in ("the batch", "this sphere")
    return Apparatus.of(apparatus).need("sphere.weight").value


@pytest.mark.slow
def test_pages_of_one_batch_from_the_simulated_bench_agree():
    bench = charge.SimulatedBench(weight_of="the batch", falls=6)
    pages = []
    for label in "ABC":
        page, apparatus, _ = bench.simulate(rng=ord(label))
        pages.append(page.assign(particle=label))
    run = charge.Run(pd.concat(pages), apparatus)
    joint = run.joint_unit_in_coulombs((6, 16))
    assert joint.homogeneity["p_value"] > 1e-3
