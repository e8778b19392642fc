"""Whether all inputs agree on one sphere: false alarms on sound benches, power on spoilt ones.

Share of simulated benches on which the inputs are found to disagree, and share of the intervals of
95 % of the joint fit that hold the true charge, the unit in divisions taken as known; and the input
that is left out most often where p < 0.01, with its share of these. {benches} benches a line.

Each bench draws its own sphere and its own errors within what its apparatus file states, and a page
of readings. In the second half one entry of the file is then made wrong. The interval of the joint
fit is averaged over what may be wrong, with one entry in twenty wrong beforehand: it need not hold
95 % of the benches on which one is wrong by so much. The seed of a line is 700 and its number.
"""

from __future__ import annotations

import numpy as np

from benchmarks.benches import OTHERS, USUAL, drawn
from benchmarks.runner import Lines, Options, Rng, benchmark, child, holds, number, row
from quantize.charge import SimulatedBench
from quantize.charge.bench import fit_inputs
from quantize.charge.budgets import divisions_of

SOUND = {"sound: usual bench": USUAL} | {
    f"sound: {name}": OTHERS[name] for name in ("three falls only", "batch spread 3 %")
}
UP_TO = 0.2
"""By how much a wrong entry may be off beforehand, either way; drawn where a line has None."""
SPOILT: dict[str, tuple[str, float | None]] = {
    "scale division 10 % too long": ("reticle.division", 1.1),
    "scale division 5 % too long": ("reticle.division", 1.05),
    "weight 10 % too large": ("sphere.weight", 1.1),
    "diameter 5 % too large": ("sphere.diameter", 1.05),
    "scale division 3 % too long": ("reticle.division", 1.03),
    "scale division up to 20 % off": ("reticle.division", None),
}
LIMITS = (0.05, 0.01, 0.0001)


def one_bench(
    bench: SimulatedBench, rng: Rng, entry: str = "", factor: float | None = 1.0
) -> tuple[float, str, bool]:
    """p, the input that is left out, and whether the joint interval holds the true charge."""
    run, truth = drawn(bench, rng)
    factor = 1 + rng.uniform(-UP_TO, UP_TO) if factor is None else factor
    known = run.bench()
    if entry:
        old = known.need(entry)
        value, error = old.value * factor, old.standard_uncertainty * factor
        known = known.changed(**{entry.replace(".", "__"): f"{value!r} +/- {error!r} {old.unit}"})
    joint = fit_inputs(known, divisions_of(truth["unit"], unit_err=0.0, run=run))[1]
    assert joint is not None
    agreement = joint.agreement
    return agreement.p_value, agreement.left_out or "none", holds(joint.charge, truth["charge"])


@benchmark(
    "Agreement of all inputs of a bench",
    number("--benches", 400, 3, "benches a line"),
    columns=("bench", *(f"p < {p}" for p in LIMITS), "joint interval holds", "left out most often"),
    quiet=True,
)
def main(options: Options) -> Lines:
    for i, name in enumerate((*SOUND, *SPOILT)):
        bench, wrong = SOUND.get(name, USUAL), SPOILT.get(name, ())
        seeds = range(options.benches)
        found = [one_bench(bench, child((700, i), seed), *wrong) for seed in seeds]
        p, left_out, held = zip(*found, strict=True)
        left = [word for value, word in zip(p, left_out, strict=True) if value < 0.01]
        often = max(sorted(set(left)), key=left.count, default="")
        often += f", {left.count(often) / len(left):.2f}" if left else ""
        shares = (*(np.mean(np.array(p) < limit) for limit in LIMITS), np.mean(held))
        yield row(name, *shares, often, digits=3)
