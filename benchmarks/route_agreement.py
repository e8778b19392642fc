"""Whether all inputs agree on one sphere: false alarms on sound benches, power on spoilt ones.

    python -m benchmarks.route_agreement                        400 benches a line
    python -m benchmarks.route_agreement --tiny                 a smoke run
    python -m benchmarks.route_agreement --write docs/tables    also write the table

Each bench draws its own sphere and its own errors of scale, plates, voltage, weight and diameter
within what its apparatus file states, and a page of readings. In the second half one entry of the
file is then made wrong. Counted are benches with p below 0.05, 0.01 (doubtful) and 0.0001 (not in
order), the input that the check names, and how often the interval of 95 % of the joint fit holds
the true charge, the unit in divisions taken as known. That interval is averaged over what may be
wrong, with one entry in twenty wrong beforehand: it need not hold 95 % of the benches on which one
is wrong by so much. The seed of a line is 700 and its number.
"""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.tables import keep
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
        values: dict[str, Any] = {
            entry.replace(".", "__"): f"{old.value * factor!r} +/- "
            f"{old.standard_uncertainty * factor!r} {old.unit}"
        }
        known = known.changed(**values)
    divisions = divisions_of(truth["unit"], unit_err=0.0, run=run)
    found = by_every_route(known, divisions)
    joint = fit_bench(found, one_weight(known, found))
    low, high = joint.charge.interval(0.95)[0]
    told = joint.agreement
    return told.p_value, told.left_out or "none", bool(low <= truth["charge"] <= high)


def main(arguments: list[str] | None = None) -> None:
    """Print the table, and write it when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    n = 3 if options.tiny else options.benches
    lines = [
        "Share of simulated benches on which the inputs are found to disagree, and share of the "
        "intervals of 95 %",
        "of the joint fit that hold the true charge, the unit in divisions taken as known; and the "
        "input that is left",
        f"out most often where p < 0.01, with its share of these. {n} benches a line.",
        "",
        "| bench | p < 0.05 | p < 0.01 | p < 0.0001 | joint interval holds | left out most often |",
        "|---|---|---|---|---|---|",
    ]
    print("\n".join(lines), flush=True)
    for i, (name, line) in enumerate(LINES.items()):
        found = []
        for seed in np.random.SeedSequence((700, i)).spawn(n):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                found.append(one_bench(line, seed))
        p = np.array([row[0] for row in found])
        left = [row[1] for row in found if row[0] < 0.01]
        often = max(sorted(set(left)), key=left.count, default="")
        often += f", {left.count(often) / len(left):.2f}" if left else ""
        shares = " | ".join(f"{np.mean(p < limit):.3f}" for limit in LIMITS)
        held = np.mean([row[2] for row in found])
        lines.append(f"| {name} | {shares} | {held:.3f} | {often} |")
        print(lines[-1], flush=True)
    keep(options.write, "route_agreement", "Agreement of all inputs of a bench", lines)


if __name__ == "__main__":
    main()
