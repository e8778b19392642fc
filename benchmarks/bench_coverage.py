"""Coverage of the coulomb interval on simulated benches, from readings to the stated result.

    python -m benchmarks.bench_coverage                        300 benches a scenario
    python -m benchmarks.bench_coverage --tiny                 a smoke run
    python -m benchmarks.bench_coverage --write docs/tables    also write the table

Each bench draws its own sphere from a batch, its own errors of scale, plates, voltage and weight
within what the apparatus file states, a page of readings with Brownian steps, a hand on the watch
and rounding at both ends, and a balance that is off. The whole chain then states an interval of
95 %, which should hold the true charge in 93 to 97 of a hundred benches.

The weight of the batch, or of this sphere, comes from the plain simulator of the tests, which
shares nothing with the code that it judges; so do three spheres of one batch, a third as many of
them, and how often they are said to disagree at 5 %.
"""

from __future__ import annotations

import argparse
import functools
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.stats import beta

from benchmarks.tables import keep
from quantize import fit_mixture
from quantize.charge import Run, SimulatedBench
from quantize.charge.bench import fit_bench
from quantize.charge.budgets import by_every_route, divisions_of, one_weight
from quantize.charge.estimate import RunFit
from quantize.charge.routes import JOINT

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))
from plain_bench import CHARGE, PlainBench

SCENARIOS = {
    "usual bench": SimulatedBench(),
    "poor balance, slow thumb": SimulatedBench(imbalance=4.0, press=0.15),
    "air drifting 0.3 divisions": SimulatedBench(convection=0.3),
    "batch spread 3 %": SimulatedBench(diameter_spread=0.063e-6),
    "three falls only": SimulatedBench(falls=3),
}
# The free offset costs twice the rest together; one scenario shows what it costs.
WITH_OFFSET = ("poor balance, slow thumb",)
PROB = 0.95
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


def one_bench(
    bench: SimulatedBench, seed: np.random.SeedSequence, *, offset: bool = True
) -> dict[str, bool]:
    """Whether each interval of one simulated bench holds the truth."""
    rng = np.random.default_rng(seed)
    page, apparatus, truth = bench.simulate(rng=rng)
    run = Run(page, apparatus)
    fit = run.fit((0.35 * truth["unit"], 2.8 * truth["unit"]), sigma="predicted")
    low, high = fit.interval(PROB)[0]
    out = {
        "whole numbers right": fit.integers.tolist() == truth["units"],
        "unit in divisions": bool(low <= truth["unit"] <= high),
    }
    if offset:
        out["offset, free"] = offset_held(run, truth)
    fall = run.fall()
    assert fall is not None
    from scipy.stats import t

    true_fall = truth["fall"] - bench.convection
    off = abs(fall.value - true_fall) / fall.standard_uncertainty
    out["fall, Student t"] = off <= float(t.ppf(0.975, fall.degrees_of_freedom))
    out["fall, taken as normal"] = off <= 1.96
    return out | coulombs_held(run, fit, truth["charge"])


def coulombs_held(run: Run, fit: RunFit, charge: float) -> dict[str, bool]:
    """Whether the interval of the joint fit holds the charge, and that of every route."""
    bench = run.bench()
    found = by_every_route(bench, divisions_of(fit, unit_err=None, run=run))
    ways = {JOINT: fit_bench(found, one_weight(bench, found)).charge} | found
    ends = {name: way.interval(PROB)[0] for name, way in ways.items()}
    return {name: bool(low <= charge <= high) for name, (low, high) in ends.items()}


def one_sphere(bench: PlainBench, seed: np.random.SeedSequence) -> dict[str, bool]:
    """Whether the intervals of joint fit and routes hold the charge of the plain simulator."""
    drawn = bench.draw(np.random.default_rng(seed))
    run, true = Run(drawn.page, drawn.apparatus), drawn.truth["A"]
    fit = run.fit((0.35 * true["unit"], 2.8 * true["unit"]), sigma="predicted")
    held = coulombs_held(run, fit, CHARGE)
    return {name: held[name] for name in (JOINT, *OF_WEIGHT)}


def one_trio(bench: PlainBench, seed: np.random.SeedSequence) -> dict[str, bool]:
    """Whether the joint interval of three spheres holds the charge, and whether they agree."""
    drawn = bench.draw(np.random.default_rng(seed))
    found = Run(drawn.page, drawn.apparatus).joint_unit_in_coulombs((6, 16), route=OF_WEIGHT[0])
    low, high = found.interval(PROB)[0]
    return {
        "joint unit": bool(low <= CHARGE <= high),
        "p of homogeneity above 0.05": found.homogeneity["p_value"] > 0.05,
    }


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


def bounds(k: int, n: int) -> tuple[float, float]:
    """Clopper-Pearson 95 % bounds of a share."""
    low = float(beta.ppf(0.025, k, n - k + 1)) if k else 0.0
    high = float(beta.ppf(0.975, k + 1, n - k)) if k < n else 1.0
    return low, high


def scenario(
    one: Callable[[np.random.SeedSequence], dict[str, bool]], n: int, seed: int
) -> dict[str, tuple[int, int]]:
    """Counts of intervals that hold the truth, by what they are of."""
    counts: dict[str, tuple[int, int]] = {}
    for child in np.random.SeedSequence(seed).spawn(n):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = one(child)
        for name, held in found.items():
            k, m = counts.get(name, (0, 0))
            counts[name] = (k + bool(held), m + 1)
    return counts


def main(arguments: list[str] | None = None) -> None:
    """Print a table, and write it when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--benches", type=int, default=300)
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    n = 3 if options.tiny else options.benches
    chosen = dict(list(SCENARIOS.items())[:1]) if options.tiny else SCENARIOS
    lines = [
        "Share of the intervals of 95 % that hold the truth on simulated benches, and the 95 % "
        "bounds of that",
        "share. The first line of each of the first five scenarios counts samples with every whole "
        "number right. The",
        "last rows are of three spheres of one batch: their joint interval, and how often they are "
        "not said to differ",
        "at 5 %.",
        "",
        "| scenario | of | share | bounds | benches |",
        "|---|---|---|---|---|",
    ]
    print("\n".join(lines), flush=True)
    runs: list[tuple[str, Callable[[np.random.SeedSequence], dict[str, bool]], int]] = [
        (name, functools.partial(one_bench, bench, offset=name in WITH_OFFSET), n)
        for name, bench in chosen.items()
    ]
    keys = slice(1) if options.tiny else slice(None)
    runs += [(k, functools.partial(one_sphere, b), n) for k, b in list(WEIGHTS.items())[keys]]
    runs += [(k, functools.partial(one_trio, b), -(-n // 3)) for k, b in list(THREE.items())[keys]]
    for i, (name, one, number) in enumerate(runs):
        for what, (k, m) in scenario(one, number, 100 + i).items():
            low, high = bounds(k, m)
            lines.append(f"| {name} | {what} | {k / m:.3f} | {low:.3f} to {high:.3f} | {m} |")
            print(lines[-1], flush=True)
        keep(options.write, "bench_coverage", "Coverage on simulated benches", lines)


if __name__ == "__main__":
    main()
