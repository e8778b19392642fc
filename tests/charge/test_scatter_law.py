"""One law of the scatter: rows, scale, plan and simulation come to the same numbers."""

from __future__ import annotations

import numpy as np
import pytest

from quantize.charge import Air, Plates, Reticle, Run, SimulatedBench, Sphere, plan_bench
from quantize.charge.noise import at_fixed_time, first_passage_excess, over_fixed_distance
from quantize.charge.rows import predicted_scatter

AIR = Air(temperature="293.15 K", pressure="101325 Pa")
SPHERE = Sphere(diameter="2 um", density="1055 kg/m3")
SCALE = Reticle(division="25 um", length=90)
BENCH = {
    "sphere": {"diameter": "2 um", "density": "1055 kg/m3"},
    "reticle": {"division": "25 um", "step": "1 div"},
    "watch": {"press": "0.1 s"},
    "air": {"temperature": "293.15 K", "pressure": "101325 Pa"},
}


def test_rows_scatter_as_the_scale_says() -> None:
    run = Run({"V": [200.0, 200.0], "div": [12, -30], "t": [10.0, 10.0]}, BENCH)
    known = {"diffusion": SPHERE.diffusion(AIR), "press": 0.1}
    speeds = [SCALE.fixed_time(x, 10.0, **known) for x in (12, -30)]
    errors = np.array([speed.standard_uncertainty for speed in speeds]) * 10 / 25e-6
    assert predicted_scatter(run).total == pytest.approx(errors, rel=1e-9)


def test_passages_scatter_as_the_scale_says() -> None:
    bench = BENCH | {"run": {"timing": "fixed distance"}}
    run = Run({"V": [200.0], "div": [12], "t": [9.7312345]}, bench)
    known = {"diffusion": SPHERE.diffusion(AIR), "press": 0.1}
    error = SCALE.fixed_distance(12, 9.7312345, **known).standard_uncertainty
    assert predicted_scatter(run).total == pytest.approx([error * run.interval / 25e-6], rel=1e-6)


def test_a_plan_scatters_as_the_scale_says() -> None:
    plan = plan_bench(
        diameters=[2e-6],
        intervals=[10.0],
        density="1055 kg/m3",
        plates=Plates(separation="4 mm"),
        reticle=SCALE,
        units=[6],
        air=AIR,
    )
    at_balance = SCALE.fixed_time(0.0, 10.0, diffusion=SPHERE.diffusion(AIR), press=0.1)
    divisions = at_balance.standard_uncertainty * 10 / 25e-6
    best = plan.best
    assert best["sigma_over_unit"] * best["divisions"] == pytest.approx(divisions, rel=1e-9)


def test_simulated_readings_scatter_by_the_law() -> None:
    # 4,000 readings of one state; five standard errors of a standard deviation, 5/sqrt(8,000).
    bench = SimulatedBench(states=((6, 2000), (12, 2000)), falls=0, rounded=False, press=0.2)
    rows, _, truth = bench.simulate(rng=5)
    sphere = Sphere(diameter=bench.diameter, density=bench.density)
    air = Air(temperature=bench.temperature, humidity=0.45)
    diffusion = sphere.diffusion(air) / bench.division**2
    for state, moved in rows.groupby("state")["divisions"]:
        speed = {"1": bench.imbalance, "2": truth["fall"] + 2 * bench.imbalance}[str(state)] / 10
        law = at_fixed_time(speed, 10.0, diffusion=diffusion, press=0.2)
        assert np.std(moved) == pytest.approx(float(law.total) * 10, rel=5 / np.sqrt(4000) + 0.01)


def test_a_passage_over_a_gate_has_the_moments_of_the_inverse_gaussian() -> None:
    # E[1/T] = 1/m + 1/s and var[1/T] = 1/(m·s) + 2/s² for mean m = L/v and shape s = L²/2D
    # (Folks and Chhikara, J. R. Stat. Soc. B 40:263, 1978): var[L/T] = 2·D·v/L to first order.
    length, speed, diffusion = 20.0, 5.0, 1e-3
    mean, shape = length / speed, length**2 / (2 * diffusion)
    excess = length * (1 / mean + 1 / shape) - speed
    assert float(first_passage_excess(length, diffusion)) == pytest.approx(excess, rel=1e-9, abs=0)
    variance = length**2 * (1 / (mean * shape) + 2 / shape**2)
    law = over_fixed_distance(speed, length, diffusion=diffusion)
    assert float(law.total) ** 2 == pytest.approx(variance, rel=1e-3)
