"""Whether all inputs agree on one sphere: false alarms on sound benches, power on spoilt ones.

Each bench draws its own sphere and its own errors within what its apparatus file states, and a page
of readings. In the second half one entry of the file is then made wrong. The interval of the joint
fit is averaged over what may be wrong, with one entry in twenty wrong beforehand: it need not hold
95 % of the benches on which one is wrong by so much. The seed of a line is 700 and its number.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from benchmarks.runner import benchmark, figures, head, holds, number, row
from quantize.charge import Run, SimulatedBench
from quantize.charge.bench import fit_bench
from quantize.charge.budgets import by_every_route, divisions_of, one_weight

USUAL = SimulatedBench()
Line = tuple[SimulatedBench, str, float | None]
UP_TO = 0.2
"""By how much a wrong entry may be off beforehand, either way; drawn where a line has None."""
LINES: dict[str, Line] = {
    "sound: usual bench": (USUAL, "", 1.0),
    "sound: three falls only": (SimulatedBench(falls=3), "", 1.0),
    "sound: batch spread 3 %": (SimulatedBench(diameter_spread=0.063e-6), "", 1.0),
    "scale division 10 % too long": (USUAL, "reticle.division", 1.1),
    "scale division 5 % too long": (USUAL, "reticle.division", 1.05),
    "weight 10 % too large": (USUAL, "sphere.weight", 1.1),
    "diameter 5 % too large": (USUAL, "sphere.diameter", 1.05),
    "scale division 3 % too long": (USUAL, "reticle.division", 1.03),
    "scale division up to 20 % off": (USUAL, "reticle.division", None),
}
LIMITS = (0.05, 0.01, 1e-4)


def one_bench(line: Line, seed: np.random.SeedSequence) -> tuple[float, str, bool]:
    """p, the input that is left out, and whether the joint interval holds the true charge."""
    bench, entry, factor = line
    rng = np.random.default_rng(seed)
    page, apparatus, truth = bench.simulate(rng=rng)
    factor = 1 + rng.uniform(-UP_TO, UP_TO) if factor is None else factor
    run = Run(page, apparatus)
    known = run.bench()
    if entry:
        old = known.need(entry)
        value, error = old.value * factor, old.standard_uncertainty * factor
        known = known.changed(**{entry.replace(".", "__"): f"{value!r} +/- {error!r} {old.unit}"})
    found = by_every_route(known, divisions_of(truth["unit"], unit_err=0.0, run=run))
    joint = fit_bench(found, one_weight(known, found))
    told, charge = joint.agreement, truth["charge"]
    return told.p_value, told.left_out or "none", holds(joint.charge, charge)


@benchmark(
    "Agreement of all inputs of a bench", number("--benches", 400, 3, "benches a line"), quiet=True
)
def main(options: Any) -> Iterator[str]:
    n = options.benches
    yield (
        "Share of simulated benches on which the inputs are found to disagree, and share of the "
        "intervals of 95 %"
    )
    yield (
        "of the joint fit that hold the true charge, the unit in divisions taken as known; and "
        "the input that is left"
    )
    yield f"out most often where p < 0.01, with its share of these. {n} benches a line."
    names = ("p < 0.05", "p < 0.01", "p < 0.0001", "joint interval holds", "left out most often")
    yield from ("", *head("bench", *names))
    for i, (name, line) in enumerate(LINES.items()):
        found = [one_bench(line, seed) for seed in np.random.SeedSequence((700, i)).spawn(n)]
        p, left_out, held = zip(*found, strict=True)
        left = [word for value, word in zip(p, left_out, strict=True) if value < 0.01]
        often = max(sorted(set(left)), key=left.count, default="")
        often += f", {left.count(often) / len(left):.2f}" if left else ""
        shares = figures((np.mean(np.array(p) < limit) for limit in LIMITS), 3)
        yield row(name, shares, f"{np.mean(held):.3f}", often)


if __name__ == "__main__":
    main()
