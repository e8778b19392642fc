"""Particles together, planning, blinding, cautions, template."""

import dataclasses
import json
import math
import pickle

import numpy as np
import pandas as pd
import pytest

import quantize as qz
from quantize import charge
from quantize._support.errors import InputError
from quantize.charge import DatedPlan, Plates, Reticle
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity
from quantize.shared_shift import SharedShift

BENCH = {
    "plates": {"separation": "4.24(2) mm", "voltage": "227 V"},
    "sphere": {"weight": "5.15(8)e-14 N"},
    "fall": {"divisions": "20.0 +/- 0.2 div"},
}


def units(values, err=0.1):
    return {
        f"P{i}": charge.unit_in_coulombs(v, BENCH, unit_err=err, trials=200)
        for i, v in enumerate(values)
    }


def test_joint_unit_averages_what_is_own_and_keeps_what_is_shared():
    # Own relative error of each: hypot(0.1/10, 0.2/20); shared: weight and separation.
    found = charge.joint_unit(units([10.0] * 9))
    own = math.hypot(0.01, 0.01)
    shared = math.hypot(0.08 / 5.15, 0.02 / 4.24)
    expected = math.hypot(own / 3, shared)
    assert found.standard_uncertainty / found.value == pytest.approx(expected, rel=1e-4)
    assert found.shared / found.value == pytest.approx(shared, rel=1e-4)
    assert found.homogeneity["p_value"] == pytest.approx(1)
    low, high = found.interval(0.95)[0]
    assert (high - low) / 2 == pytest.approx(1.96 * found.standard_uncertainty, rel=0.02, abs=0)


def test_correlated_inputs_count_together_between_particles():
    # Shared separation and weight correlated by 0.8: their errors add with twice r times the
    # product (JCGM 100:2008, equation 16), and no average takes that away.
    joined = BENCH | {
        "correlations": [{"between": ["plates.separation", "sphere.weight"], "value": 0.8}]
    }
    one = charge.unit_in_coulombs(10.0, joined, unit_err=0.1, trials=200)
    found = charge.joint_unit({"P0": one, "P1": one})
    weight, gap = 0.08 / 5.15, 0.02 / 4.24
    shared = math.sqrt(weight**2 + gap**2 + 2 * 0.8 * weight * gap)
    assert found.shared / found.value == pytest.approx(shared, rel=1e-4)
    assert found.standard_uncertainty / found.value == pytest.approx(
        math.hypot(0.01, shared), rel=1e-4
    )


@pytest.mark.parametrize("r", [0.6, -0.6, 1.0])
def test_an_input_of_each_particle_may_follow_a_shared_one(r):
    # ln q_k = s + o_k with correlation r of s and each o_k, which go together through s alone:
    # covariance of two units var(s) + 2 cov(s, o) + r² var(o), by hand.
    s, o = 0.02, 0.03
    inputs = {
        "s": Quantity(value=1.0, standard_uncertainty=s, scope="bench"),
        "o": Quantity(value=1.0, standard_uncertainty=o, scope="particle"),
    }
    one = propagate(lambda s, o: s * o, inputs, correlations={("s", "o"): r})
    found = charge.joint_unit({"P0": one, "P1": one})
    variance = s**2 + o**2 + 2 * r * s * o
    common = s**2 + 2 * r * s * o + r**2 * o**2
    assert found.standard_uncertainty / found.value == pytest.approx(
        math.sqrt((variance + common) / 2), rel=1e-3
    )
    assert found.shared / found.value == pytest.approx(abs(s + r * o), rel=1e-6)


def test_particles_that_do_not_agree_are_named():
    found = charge.joint_unit(units([10.0, 10.1, 9.9, 12.0]))
    assert found.homogeneity["p_value"] < 1e-4
    assert found.homogeneity["between"] > 0.03
    assert "do NOT agree" in str(found)
    without = found.particles.set_index("particle")["without"]
    assert without["P3"] == min(without)


@pytest.mark.slow
def test_homogeneity_keeps_its_level():
    # 400 groups of four; share below 5 % within a binomial bound of 4 sigma.
    rng = np.random.default_rng(1)
    template = units([10.0] * 4)
    low = 0
    for _ in range(400):
        drawn = {
            label: dataclasses.replace(
                u, value=u.value * math.exp(math.hypot(0.01, 0.01) * rng.standard_normal())
            )
            for label, u in template.items()
        }
        low += charge.joint_unit(drawn).homogeneity["p_value"] < 0.05
    assert low / 400 == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 400))


def test_particles_settle_an_unsure_unit():
    both = units([10.0, 5.0, 10.0])
    rivals = {
        "P1": pd.DataFrame({"unit": [5.0, 10.0], "unit_err": [0.1, 0.1], "share": [0.6, 0.4]})
    }
    found = charge.joint_unit(both, alternatives=rivals)
    assert found.value == pytest.approx(both["P0"].value, rel=0.02, abs=0)


def test_two_benches_share_less():
    one = charge.joint_unit(units([10.0, 10.0]))
    two = charge.joint_unit(units([10.0, 10.0]), benches={"P0": "east", "P1": "west"})
    assert two.standard_uncertainty < one.standard_uncertainty


def test_forest_plot_draws_every_particle():
    found = charge.joint_unit(units([10.0, 10.1, 9.9]))
    axes = found.plot()
    assert [t.get_text() for t in axes.get_yticklabels()] == ["P0", "P1", "P2", "joint"]


def test_one_particle_cannot_be_joined():
    with pytest.raises(InputError, match="holds 1 particle; join two at least"):
        charge.joint_unit(units([10.0]))


def test_plan_against_the_usual_page():
    # Common practice: 50 µm a division, 5 s and a thumb of 0.15 s give sigma/u near 0.13 two
    # units from balance.
    plan = charge.plan_bench(
        diameters=[1.8e-6], intervals=[5], density=1050.0, units=[2], press=0.15,
        plates=Plates(separation="3.1 mm"), reticle=Reticle(division="50 um", length=60),
    )  # fmt: skip
    row = plan.best
    two_away = math.hypot(row["sigma_over_unit"], math.sqrt(2) * 2 * 0.15 / 5)
    assert two_away == pytest.approx(0.13, abs=0.02)
    assert "accepted elementary charge" in plan.note
    assert any("IEC 61010-1" in sentence for sentence in plan.cautions)


def test_plan_prefers_longer_intervals_and_knows_the_scale():
    plan = charge.plan_bench(
        diameters=[2.0e-6], intervals=[2, 10, 60], density=1055.0, units=[4],
        plates=Plates(separation="4 mm"), reticle=Reticle(division="25 um", length=90),
    )  # fmt: skip
    assert plan.best["interval"] == 10
    lost = plan.table.set_index("interval")["off_scale"]
    assert lost[60] > 0.99
    assert lost[2] < 0.01


def test_plan_refuses_what_no_supply_can_hold():
    with pytest.raises(InputError, match="no sphere tried is balanced"):
        charge.plan_bench(
            diameters=[9e-6], intervals=[5], density=1050.0, units=[1],
            plates=Plates(separation="4 mm"), reticle=Reticle(division="50 um", length=60),
        )  # fmt: skip


def test_blind_scales_what_the_readings_share_with_them():
    shift = SharedShift(error=0.2, lever=np.ones(3), also=SharedShift(error=0.1, lever=np.ones(3)))
    page = qz.Readings([10.0, 20.0, 31.0], shift=shift)
    hidden = charge.Blind(rng=3).readings(page)
    factor = hidden.values[0] / 10.0
    assert hidden.shift.error == pytest.approx(0.2 * factor)
    assert hidden.shift.also.error == pytest.approx(0.1 * factor)
    assert hidden.shift.lever.tolist() == [1, 1, 1]


def test_blind_hides_once_and_keeps_ratios():
    blind = charge.Blind(rng=3)
    page = qz.Readings([10.0, 20.0, 31.0], sigma=0.5, state=["a", "b", "b"], resolution=1.0)
    hidden = blind.readings(page)
    factor = hidden.values[0] / 10.0
    assert 1 / 1.15 <= factor <= 1.15
    assert factor != 1
    assert hidden.sigma == pytest.approx(0.5 * factor)
    assert hidden.state.tolist() == [0, 1, 1]
    assert str(factor)[:6] not in repr(blind)
    assert blind.open(factor * 7.0) == pytest.approx(7.0)
    with pytest.raises(InputError, match="opened before"):
        blind.open(1.0)
    with pytest.raises(InputError, match="second look"):
        pickle.dumps(charge.Blind(rng=3))


def test_dated_plan_is_kept_or_not(tmp_path):
    plan = DatedPlan(unit_range=(4, 25), rejection="none", readings=3)
    file = tmp_path / "plan.json"
    plan.save(file)
    assert DatedPlan.load(file) == plan
    with pytest.raises(InputError, match="not written over"):
        plan.save(file)
    run = charge.read_run({"div": [5, 6, 7, 8], "V": [200.0] * 4, "reason": ["", "", "", "x"]})
    assert len(plan.against(unit_range=(4, 25), run=run)) == 1
    assert len(plan.against(unit_range=(4, 50), run=run, alpha=0.01)) == 3
    body = json.loads(file.read_text(encoding="utf-8"))
    body["readings"] = 30
    file.write_text(json.dumps(body), encoding="utf-8")
    with pytest.raises(InputError, match="was changed"):
        DatedPlan.load(file)


def test_cautions_follow_the_setup():
    assert charge.cautions({"plates": {"voltage": "40 V"}}) == ()
    high = charge.cautions({"plates": {"voltage": "-227 V"}, "hazards": {"present": ["x-ray"]}})
    assert len(high) == 3
    assert "227 V" in high[0]
    assert "NCRP" in high[1]
    assert "local regulations" in high[2]


def test_every_public_name_loads():
    for name in charge.__all__:
        assert getattr(charge, name) is not None
    with pytest.raises(AttributeError, match="no attribute"):
        charge.nonsense  # noqa: B018


def test_results_show_themselves_and_go_through_json():
    page, apparatus, _ = charge.SimulatedBench().simulate(rng=40)
    run = charge.read_run(page, apparatus)
    fit = run.fit((4, 30), sigma="predicted")
    result = run.unit_in_coulombs(fit)
    plan = charge.plan_bench(
        diameters=[2e-6], intervals=[10], density=1055.0, units=[4],
        plates=Plates(separation="4 mm"), reticle=Reticle(division="25 um", length=90),
    )  # fmt: skip
    joint = charge.joint_unit(units([10.0, 10.1]))
    for shown in (fit, result, result.monte_carlo, run.checks(fit), plan, joint):
        body = json.loads(json.dumps(shown.to_dict(), allow_nan=False))
        assert body["schema"].startswith("quantize.")
        assert repr(shown).startswith(f"<{type(shown).__name__}: ")
        assert len(str(shown)) > 20
        assert "<" in shown._repr_html_()
    bars = result.plot().patches
    assert sum(bar.get_width() for bar in bars) == pytest.approx(100)
    table = result.exponents
    assert table.shape[1] == 5
    assert table.loc["plates.separation"].to_numpy() == pytest.approx(np.ones(5), abs=1e-6)
    assert "used nowhere" in result.against(1.6e-19)


def test_a_run_of_three_particles_from_page_to_joint_unit():
    # One bench: plates and scale are shared; each particle has its own weight and balance.
    rng = np.random.default_rng(41)
    pages, common = [], None
    for label in "ABC":
        page, apparatus, truth = charge.SimulatedBench().simulate(rng=rng)
        pages.append(page.assign(bead=label))
        common = common or {**apparatus, "particles": {}}
        common["particles"][label] = {
            "plates": {"voltage": apparatus["plates"]["voltage"]},
            "sphere": {"weight": apparatus["sphere"]["weight"]},
        }
    run = charge.read_run(pd.concat(pages, ignore_index=True), common)
    assert run.particles == ("A", "B", "C")
    found = run.joint_unit_in_coulombs((4, 30), route="ratio, weight given")
    # Four standard uncertainties; and a p-value that chance undercuts once in 10,000.
    assert found.value == pytest.approx(truth["charge"], abs=4 * found.standard_uncertainty)
    assert found.homogeneity["p_value"] > 1e-4
    single = found.particles["standard_uncertainty"].min()
    assert found.standard_uncertainty < single
    # What is measured for one particle has an error of its own.
    assert run.particle("A").bench().need("sphere.weight").scope == "particle"
    table = run.charges(route="ratio, weight given")
    assert len(table) == len(run)


def test_the_report_holds_an_analysis_against_the_plan(tmp_path, unrendered):
    page = {"V": [200.0] * 10 + [0.0] * 2, "keep": ["no"] + ["yes"] * 11,
            "div": [5, -20, -10, 0, 10, 21, -30, -19, 9, 30, -60, -60]}  # fmt: skip
    run = charge.Run(page)
    found = qz.analyze(run.readings(), (4, 25), n_resamples=99, rng=1)
    promise = DatedPlan(unit_range=(4, 25), readings=9, rejection="none")
    file = found.report(tmp_path / "page.html", run=run, plan=promise)
    text = file.read_text(encoding="utf-8")
    assert "Held against the dated plan" in text
    assert "1 rows were discarded without a reason" in text
    assert "were looked for" not in text
    kept = charge.Run({name: cells[1:] for name, cells in page.items()})
    assert promise.held_against(found, kept)[0].endswith("was kept to.")


def test_a_tilted_field_lifts_by_its_cosine():
    # Elementary: at 5 degrees 0.4 % less.
    level, tilted = Plates(separation="4 mm"), Plates(separation="4 mm", tilt="5 deg")
    assert tilted.field("200 V") / level.field("200 V") == pytest.approx(math.cos(math.pi / 36))
