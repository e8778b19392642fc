"""Coverage of the coulomb interval on simulated benches, from readings to the stated result.

Share of the intervals of 95 % that hold the truth, and the 95 % bounds of that share. Each bench
draws its own sphere from a batch, its own errors within what the apparatus file states, a page of
readings, and a balance that is off; the whole chain then states its intervals. The first line of
each of the first five scenarios counts samples with every whole number right. The weight of the
batch, or of this sphere, comes from the plain simulator; so do three spheres of one batch, a third
as many of them: their joint interval, and how often they are not said to differ at 5 %. The seed of
a scenario is 100 and its number.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.stats import t

from benchmarks.benches import OTHERS, SPREADS, USUAL, PlainBench, drawn
from benchmarks.runner import Lines, Options, Rng, benchmark, child, figures, holds, number, row
from quantize import fit_mixture
from quantize.charge import Run, SimulatedBench
from quantize.charge.bench import fit_inputs
from quantize.charge.budgets import divisions_of
from quantize.charge.routes import JOINT
from quantize.studies import binomial_interval

Held = dict[str, bool]
"""Whether intervals hold the truth, by what they are of."""
# The free offset costs twice the rest together; one scenario shows what it costs.
WITH_OFFSET = SimulatedBench(imbalance=4.0, press=0.15)
CHAINS = {
    "usual bench": USUAL,
    "poor balance, slow thumb": WITH_OFFSET,
    "air drifting 0.3 divisions": SimulatedBench(convection=0.3),
    **OTHERS,
}
WEIGHTS = {
    f"weight of {kind}, batch spread {100 * spread:g} %": PlainBench(weight_of=kind, spread=spread)
    for kind in ("the batch", "this sphere")
    for spread in SPREADS
}
THREE = {
    f"three spheres, batch spread {100 * spread:g} %": PlainBench(spheres=3, spread=spread)
    for spread in SPREADS
}
OF_WEIGHT = ("ratio, weight given", "ratio, weight from diameter")


def one_bench(bench: Any, rng: Rng) -> Held:
    """Every interval of one simulated bench."""
    run, truth = drawn(bench, rng)
    if bench in THREE.values():
        found = run.joint_unit_in_coulombs((6, 16), route=OF_WEIGHT[0])
        agree = found.homogeneity["p_value"] > 0.05
        return {"joint unit": holds(found, truth["charge"]), "p of homogeneity above 0.05": agree}
    fit = run.fit((0.35 * truth["unit"], 2.8 * truth["unit"]), sigma="predicted")
    ways, joint = fit_inputs(run.bench(), divisions_of(fit, unit_err=None, run=run))
    assert joint is not None
    coulombs = {k: holds(way, truth["charge"]) for k, way in {JOINT: joint.charge, **ways}.items()}
    if isinstance(bench, PlainBench):
        return {name: coulombs[name] for name in (JOINT, *OF_WEIGHT)}
    low, high = fit.interval(0.95)[0]
    out = {
        "whole numbers right": fit.integers.tolist() == truth["units"],
        "unit in divisions": bool(low <= truth["unit"] <= high),
    }
    if bench is WITH_OFFSET:
        out["offset, free"] = offset_held(run, truth)
    fall = run.fall()
    assert fall is not None
    off = abs(fall.value - truth["fall"] + bench.convection) / fall.standard_uncertainty
    out["fall, Student t"] = off <= float(t.ppf(0.975, fall.degrees_of_freedom))
    return out | {"fall, taken as normal": off <= 1.96} | coulombs


def offset_held(run: Run, truth: dict[str, float]) -> bool:
    """Whether the central interval of a free offset holds the true one."""
    readings = run.readings(fall="apart", sigma="predicted")
    found = fit_mixture(readings, (0.6 * truth["unit"], 1.6 * truth["unit"]), offset="free")
    draws = found.draws(2000, rng=1)
    # The level of the held state is the offset, up to whole units.
    turn = (draws["offset"] - truth["offset"]) / draws["unit"]
    around = turn - np.round(turn.median())
    low, high = np.quantile(around - np.round(around), [0.025, 0.975])
    return bool(low <= 0 <= high)


@benchmark(
    "Coverage on simulated benches",
    number("--benches", 300, 3, "benches a scenario"),
    columns=("scenario", "of", "share", "bounds", "benches"),
    quiet=True,
)
def main(options: Options) -> Lines:
    parts = (CHAINS, WEIGHTS, THREE)
    scenarios = [pair for part in parts for pair in options.first(part.items())]
    for i, (name, bench) in enumerate(scenarios):
        n = -(-options.benches // 3) if name in THREE else options.benches
        found = [one_bench(bench, child(100 + i, seed)) for seed in range(n)]
        for what in dict.fromkeys(name for each in found for name in each):
            held = [bool(each[what]) for each in found if what in each]
            bounds = figures(binomial_interval(sum(held), len(held)), 3, " to ")
            yield row(name, what, np.mean(held), bounds, len(held), digits=3)
