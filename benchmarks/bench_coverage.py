"""Coverage of the coulomb interval on simulated benches, from readings to the stated result.

Share of the intervals of 95 % that hold the truth, and the 95 % bounds of that share. Each bench
draws its own sphere from a batch, its own errors within what the apparatus file states, a page of
readings, and a balance that is off; the whole chain then states its intervals. The first line of
each of the first five scenarios counts samples with every whole number right. The weight of the
batch, or of this sphere, comes from the plain simulator; so do three spheres of one batch, a third
as many of them: their joint interval, and how often they are not said to differ at 5 %. Classes of
two, three and five runs, the separation of their plates off by so much more than is stated, are
pooled from short pages. The seed of a scenario is 100 and its number.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.stats import t

from benchmarks.benches import OTHERS, SPREADS, USUAL, PlainBench, drawn
from benchmarks.runner import Lines, Options, Rng, benchmark, child, figures, holds, number, row
from quantize import fit_mixture
from quantize.charge import Run, SimulatedBench
from quantize.charge.bench import fit_inputs
from quantize.charge.budgets import divisions_of
from quantize.charge.pooled import pooled
from quantize.charge.routes import JOINT
from quantize.charge.several import analyze_each
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
SHORT = SimulatedBench(falls=4, states=((6, 3), (4, 3), (7, 3), (9, 3), (3, 3)))
CLASSES = {f"classes, plates off by {100 * off:g} %": off for off in (0.0, 0.02)}
SIZES = (2, 3, 5)
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


def of_classes(off: float, rngs: Sequence[Rng]) -> list[Held]:
    """Intervals of short runs, one after another, and of the classes that they make."""
    runs, out = [], []
    for rng in rngs:
        page, tables, truth = SHORT.simulate(rng=rng)
        stated, error = tables["plates"]["separation"].split(" ", 1)
        gap = float(stated) * (1 + off * rng.standard_normal())
        tables["plates"]["separation"] = f"{gap:.9g} {error}"
        runs.append(analyze_each(Run(page, tables), (6, 16), rng=1, n_resamples=19))
        one = runs[-1].analyses["1"].coulombs
        out.append({} if one is None else {"one run": holds(one, truth["charge"])})
    for size in SIZES:
        for first in range(0, len(runs) - size + 1, size):
            found = pooled({str(i): runs[i] for i in range(first, first + size)})
            out.append({f"{size} runs": holds(found, truth["charge"])})
    return out


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
    parts: tuple[dict[str, Any], ...] = (CHAINS, WEIGHTS, THREE, CLASSES)
    scenarios = [pair for part in parts for pair in options.first(part.items())]
    for i, (name, bench) in enumerate(scenarios):
        n = -(-options.benches // 3) if name in THREE else options.benches
        rngs = [child(100 + i, seed) for seed in range(n)]
        whole_class = name in CLASSES
        found = of_classes(bench, rngs) if whole_class else [one_bench(bench, r) for r in rngs]
        for what in dict.fromkeys(name for each in found for name in each):
            held = [bool(each[what]) for each in found if what in each]
            bounds = figures(binomial_interval(sum(held), len(held)), 3, " to ")
            yield row(name, what, np.mean(held), bounds, len(held), digits=3)
