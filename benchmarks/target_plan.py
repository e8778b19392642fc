"""The uncertainty in coulombs that a plan promises, against the errors of simulated benches.

    python -m benchmarks.target_plan                        200 benches a line
    python -m benchmarks.target_plan --tiny                 a smoke run
    python -m benchmarks.target_plan --keep FILE            go on from finished benches
    python -m benchmarks.target_plan --write docs/tables    also write the table

`plan_target` is asked with an apparatus file before anything is read. Each bench then draws its own
sphere and its own errors of scale, plates, voltage, weight and diameter within what such a file
states, and a page of that design, which is analyzed to the unit in coulombs. Counted are the root
mean square of ln(unit / true unit), and the share of benches with every whole number right.

The three spheres are of the plain simulator of the tests, which shares no code with the library.
The seed of a line is 900 and its number.
"""

from __future__ import annotations

import argparse
import json
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmarks.tables import keep
from quantize.charge import Run, SimulatedBench, load_apparatus, plan_target, unit_in_coulombs

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))
from plain_bench import CHARGE, PlainBench

USUAL = SimulatedBench()
NEAREST = (6, 5, 7, 4, 8, 3, 9, 2)
"""Numbers of units as the plan takes them: those nearest to the six that balance the sphere."""


def design(falls: int, states: int, repeats: int, **more: object) -> SimulatedBench:
    """A bench read so often."""
    chosen = tuple((n, repeats) for n in NEAREST[:states])
    return SimulatedBench(falls=falls, states=chosen, **more)  # type: ignore[arg-type]


LINES: dict[str, SimulatedBench | PlainBench] = {
    "8 falls, 8 states of 4": design(8, 8, 4),
    "4 falls, 4 states of 2": design(4, 4, 2),
    "8 falls, 8 states of 4, slow thumb": design(8, 8, 4, press=0.15),
    "8 falls, 8 states of 4, weight of the batch, spread 3 %": design(
        8, 8, 4, weight_of="the batch", diameter_spread=0.063e-6
    ),
    "8 falls, 8 states of 4, scale known to 2 %": design(8, 8, 4, division_known=0.02),
    "3 spheres, each 8 falls, 8 states of 3": PlainBench(spheres=3, spread=0.014),
}
ABOUT = 5  # apparatus files of whose promises the median is taken


def promised(bench: SimulatedBench | PlainBench) -> float:
    """What the plan expects, the median over a few apparatus files that differ by their errors."""
    found = []
    for seed in range(ABOUT):
        rng = np.random.default_rng((899, seed))
        if isinstance(bench, PlainBench):
            file = load_apparatus(bench.draw(rng).apparatus).for_particle("A")
            read = {"repeats": bench.repeats, "spheres": bench.spheres, "interval": bench.interval}
            states = len(bench.states)
        else:
            file = load_apparatus(bench.simulate(rng=rng)[1])
            read, states = {"repeats": bench.states[0][1]}, len(bench.states)
        found.append(plan_target(file, 0.01, falls=bench.falls, states=states, **read).relative)  # type: ignore[arg-type]
    return float(np.median(found))


def one_bench(bench: SimulatedBench, seed: np.random.SeedSequence) -> tuple[float, bool]:
    """ln of the unit over the true one, and whether unit and whole numbers are right."""
    page, apparatus, truth = bench.simulate(rng=np.random.default_rng(seed))
    run = Run(page, apparatus)
    fit = run.fit((0.35 * truth["unit"], 2.8 * truth["unit"]))
    found = unit_in_coulombs(fit, run.bench(), run=run, trials=100)
    right = fit.integers.tolist() == truth["units"] and abs(fit.unit / truth["unit"] - 1) < 0.1
    return float(np.log(found.value / truth["charge"])), right


def one_trio(bench: PlainBench, seed: np.random.SeedSequence) -> tuple[float, bool]:
    """The same of several spheres together; whole numbers are not looked at."""
    drawn = bench.draw(np.random.default_rng(seed))
    found = Run(drawn.page, drawn.apparatus).joint_unit_in_coulombs((6, 16))
    return float(np.log(found.value / CHARGE)), True


def line(
    bench: SimulatedBench | PlainBench, number: int, n: int, done: list[tuple[float, bool]]
) -> list[tuple[float, bool]]:
    """All benches of one line, those already done first."""
    one: Callable[..., tuple[float, bool]] = (
        one_trio if isinstance(bench, PlainBench) else one_bench
    )
    for seed in np.random.SeedSequence((900, number)).spawn(n)[len(done) :]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            done.append(one(bench, seed))
    return done[:n]


def main(arguments: list[str] | None = None) -> None:
    """Print the table, and write it when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--keep", metavar="FILE", type=Path)
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    n = 3 if options.tiny else options.benches
    kept = json.loads(options.keep.read_text()) if options.keep and options.keep.exists() else {}
    lines = [
        "Relative standard uncertainty of the unit in coulombs that `plan_target` expects of a "
        "design with the whole",
        "numbers known, and the root mean square of what benches so read are off, of those with "
        "every whole number",
        f"right; {n} benches a line, the whole analysis included. After ± is the standard error of "
        "the ratio.",
        "",
        "| design | expected | root mean square | ratio | whole numbers right |",
        "|---|---|---|---|---|",
    ]
    print("\n".join(lines), flush=True)
    for number, (name, bench) in enumerate(list(LINES.items())[: 1 if options.tiny else None]):
        done = [(float(off), bool(right)) for off, right in kept.get(name, [])]
        while len(done) < n:
            done = line(bench, number, min(len(done) + 20, n), done)
            if options.keep:
                options.keep.write_text(json.dumps(kept | {name: done}))
        kept[name] = done
        off = np.array([row[0] for row in done[:n] if row[1]])
        rms = float(np.sqrt(np.mean(off**2)))
        # Of the root mean square of numbers that are not quite normal.
        spread = float(np.std(off**2)) / (2 * rms**2 * np.sqrt(off.size))
        expected = promised(bench)
        right = np.mean([row[1] for row in done[:n]])
        lines.append(
            f"| {name} | {100 * expected:.2f} % | {100 * rms:.2f} % | {rms / expected:.2f} ± "
            f"{rms / expected * spread:.2f} | {right:.2f} |"
        )
        print(lines[-1], flush=True)
        keep(options.write, "target_plan", "What a plan in coulombs promises", lines)


if __name__ == "__main__":
    main()
