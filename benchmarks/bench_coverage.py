"""Coverage of the coulomb interval on simulated benches, from readings to the stated result.

Each bench draws its own sphere from a batch, its own errors within what the apparatus file states,
a page of readings, and a balance that is off. The whole chain then states an interval of 95 %. The
weight of the batch, or of this sphere, comes from the plain simulator; so do three spheres of one
batch, a third as many of them. The seed of a scenario is 100 and its number.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from scipy.stats import binomtest, t

from benchmarks.plain import CHARGE, PlainBench
from benchmarks.runner import benchmark, head, holds, number, row
from quantize import fit_mixture
from quantize.charge import Run, SimulatedBench
from quantize.charge.bench import fit_bench
from quantize.charge.budgets import by_every_route, divisions_of, one_weight
from quantize.charge.estimate import RunFit
from quantize.charge.routes import JOINT

Held = dict[str, bool]
"""Whether intervals hold the truth, by what they are of."""
SCENARIOS = {
    "usual bench": SimulatedBench(),
    "poor balance, slow thumb": SimulatedBench(imbalance=4.0, press=0.15),
    "air drifting 0.3 divisions": SimulatedBench(convection=0.3),
    "batch spread 3 %": SimulatedBench(diameter_spread=0.063e-6),
    "three falls only": SimulatedBench(falls=3),
}
# The free offset costs twice the rest together; one scenario shows what it costs.
WITH_OFFSET = ("poor balance, slow thumb",)
WEIGHTS = {
    f"weight of {kind}, batch spread {100 * spread:g} %": PlainBench(weight_of=kind, spread=spread)
    for kind in ("the batch", "this sphere")
    for spread in (0.005, 0.014, 0.029)
}
THREE = {
    f"three spheres, batch spread {100 * spread:g} %": PlainBench(spheres=3, spread=spread)
    for spread in (0.005, 0.014, 0.029)
}
OF_WEIGHT = ("ratio, weight given", "ratio, weight from diameter")


def one_bench(bench: SimulatedBench, offset: bool, seed: np.random.SeedSequence) -> Held:
    """Every interval of one simulated bench."""
    page, apparatus, truth = bench.simulate(rng=np.random.default_rng(seed))
    run = Run(page, apparatus)
    fit = run.fit((0.35 * truth["unit"], 2.8 * truth["unit"]), sigma="predicted")
    low, high = fit.interval(0.95)[0]
    out = {
        "whole numbers right": fit.integers.tolist() == truth["units"],
        "unit in divisions": bool(low <= truth["unit"] <= high),
    }
    if offset:
        out["offset, free"] = offset_held(run, truth)
    fall = run.fall()
    assert fall is not None
    off = abs(fall.value - truth["fall"] + bench.convection) / fall.standard_uncertainty
    out["fall, Student t"] = off <= float(t.ppf(0.975, fall.degrees_of_freedom))
    out["fall, taken as normal"] = off <= 1.96
    return out | coulombs_held(run, fit, truth["charge"])


def coulombs_held(run: Run, fit: RunFit, charge: float) -> Held:
    """The intervals of the joint fit and of every route."""
    bench = run.bench()
    found = by_every_route(bench, divisions_of(fit, unit_err=None, run=run))
    ways = {JOINT: fit_bench(found, one_weight(bench, found)).charge} | found
    return {name: holds(way, charge) for name, way in ways.items()}


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


def one_sphere(bench: PlainBench, seed: np.random.SeedSequence) -> Held:
    """Joint fit and routes on the charge of the plain simulator."""
    drawn = bench.draw(np.random.default_rng(seed))
    run, true = Run(drawn.page, drawn.apparatus), drawn.truth["A"]
    fit = run.fit((0.35 * true["unit"], 2.8 * true["unit"]), sigma="predicted")
    held = coulombs_held(run, fit, CHARGE)
    return {name: held[name] for name in (JOINT, *OF_WEIGHT)}


def one_trio(bench: PlainBench, seed: np.random.SeedSequence) -> Held:
    """The joint interval of three spheres, and whether they agree."""
    drawn = bench.draw(np.random.default_rng(seed))
    found = Run(drawn.page, drawn.apparatus).joint_unit_in_coulombs((6, 16), route=OF_WEIGHT[0])
    agree = found.homogeneity["p_value"] > 0.05
    return {"joint unit": holds(found, CHARGE), "p of homogeneity above 0.05": agree}


@benchmark(
    "Coverage on simulated benches",
    number("--benches", 300, 3, "benches a scenario"),
    quiet=True,
    partly=True,
)
def main(options: Any) -> Iterator[str]:
    yield from (
        "Share of the intervals of 95 % that hold the truth on simulated benches, and the 95 % "
        "bounds of that",
        "share. The first line of each of the first five scenarios counts samples with every whole "
        "number right. The",
        "last rows are of three spheres of one batch: their joint interval, and how often they are "
        "not said to differ",
        "at 5 %.",
        "",
        *head("scenario", "of", "share", "bounds", "benches"),
    )
    n, part = options.benches, slice(1 if options.tiny else None)
    Runs = list[tuple[str, Callable[[np.random.SeedSequence], Held], int]]
    of_benches: Runs = [
        (name, functools.partial(one_bench, bench, name in WITH_OFFSET), n)
        for name, bench in SCENARIOS.items()
    ]
    of_weights: Runs = [(k, functools.partial(one_sphere, b), n) for k, b in WEIGHTS.items()]
    of_three: Runs = [(k, functools.partial(one_trio, b), -(-n // 3)) for k, b in THREE.items()]
    for i, (name, one, m) in enumerate([*of_benches[part], *of_weights[part], *of_three[part]]):
        found = [one(seed) for seed in np.random.SeedSequence(100 + i).spawn(m)]
        for what in dict.fromkeys(name for each in found for name in each):
            held = [bool(each[what]) for each in found if what in each]
            ends = binomtest(sum(held), len(held)).proportion_ci(0.95)
            bounds = f"{ends.low:.3f} to {ends.high:.3f}"
            yield row(name, what, f"{np.mean(held):.3f}", bounds, len(held))


if __name__ == "__main__":
    main()
