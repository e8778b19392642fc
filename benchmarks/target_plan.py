"""The uncertainty in coulombs that a plan promises, against the errors of simulated benches.

Relative standard uncertainty of the unit in coulombs that `plan_target` expects of a design with
the whole numbers known, asked with an apparatus file before anything is read, and the root mean
square of what benches so read are off, of those with every whole number right; {benches} benches a
line, the whole analysis included. After ± is the standard error of the ratio. Each bench draws its
own sphere and its own errors within what such a file states, and a page of that design, which is
analyzed to the unit in coulombs. The three spheres are of the plain simulator. The seed of a line
is 900 and its number.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from benchmarks.benches import PlainBench, drawn
from benchmarks.runner import KEEP, Lines, Options, benchmark, child, number, row
from quantize.charge import SimulatedBench, load_apparatus, plan_target, unit_in_coulombs

NEAREST = (6, 5, 7, 4, 8, 3, 9, 2)
"""Numbers of units as the plan takes them: those nearest to the six that balance the sphere."""
ABOUT = 5  # apparatus files of whose promises the median is taken


def design(falls: int, states: int, repeats: int, **more: Any) -> SimulatedBench:
    """A bench read so often."""
    return SimulatedBench(falls=falls, states=tuple((n, repeats) for n in NEAREST[:states]), **more)


OF_BATCH: dict[str, Any] = {"weight_of": "the batch", "diameter_spread": 0.063e-6}
LINES: dict[str, SimulatedBench | PlainBench] = {
    "8 falls, 8 states of 4": design(8, 8, 4),
    "4 falls, 4 states of 2": design(4, 4, 2),
    "8 falls, 8 states of 4, slow thumb": design(8, 8, 4, press=0.15),
    "8 falls, 8 states of 4, weight of the batch, spread 3 %": design(8, 8, 4, **OF_BATCH),
    "8 falls, 8 states of 4, scale known to 2 %": design(8, 8, 4, division_known=0.02),
    "3 spheres, each 8 falls, 8 states of 3": PlainBench(spheres=3, spread=0.014),
}


def promised(bench: Any) -> float:
    """What the plan expects, the median over a few apparatus files that differ by their errors."""
    found = []
    for seed in range(ABOUT):
        rng = np.random.default_rng((899, seed))
        if isinstance(bench, PlainBench):
            file = load_apparatus(bench.draw(rng).apparatus).for_particle("A")
            read = {"repeats": bench.repeats, "spheres": bench.spheres, "interval": bench.interval}
        else:
            file = load_apparatus(bench.simulate(rng=rng)[1])
            read = {"repeats": bench.states[0][1]}
        read |= {"falls": bench.falls, "states": len(bench.states)}
        found.append(plan_target(file, 0.01, **read).relative)
    return float(np.median(found))


def one_bench(name: str, seed: int) -> tuple[float, bool]:
    """ln of the unit over the true one, and whether unit and whole numbers are right.

    Of several spheres together whole numbers are not looked at.
    """
    bench = LINES[name]
    run, truth = drawn(bench, child((900, list(LINES).index(name)), seed))
    if isinstance(bench, PlainBench):
        found = run.joint_unit_in_coulombs((6, 16))
        return float(np.log(found.value / truth["charge"])), True
    fit = run.fit((0.35 * truth["unit"], 2.8 * truth["unit"]))
    found = unit_in_coulombs(fit, run.bench(), run=run, trials=100)
    right = fit.integers.tolist() == truth["units"] and abs(fit.unit / truth["unit"] - 1) < 0.1
    return float(np.log(found.value / truth["charge"])), bool(right)


@benchmark(
    "What a plan in coulombs promises",
    number("--benches", 200, 3, "benches a line"),
    KEEP,
    columns=("design", "expected", "root mean square", "ratio", "whole numbers right"),
    quiet=True,
)
def main(options: Options) -> Lines:
    for name in options.first(LINES):
        done = options.kept.of(one_bench, name, options.benches)
        square = np.array([off for off, right in done if right]) ** 2
        rms, expected = float(np.sqrt(np.mean(square))), promised(LINES[name])
        # Of the root mean square of numbers that are not quite normal.
        spread = float(np.std(square)) / (2 * rms**2 * np.sqrt(square.size))
        ratio = f"{rms / expected:.2f} ± {rms / expected * spread:.2f}"
        both, share = (f"{100 * part:.2f} %" for part in (expected, rms)), np.mean(done, axis=0)[1]
        yield row(name, *both, ratio, share, digits=2)
