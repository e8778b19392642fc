"""Whether the routes to coulombs agree: false alarms on sound benches, power on spoilt ones.

    python -m benchmarks.route_agreement                        400 benches a line
    python -m benchmarks.route_agreement --tiny                 a smoke run
    python -m benchmarks.route_agreement --write docs/tables    also write the table

Each bench draws its own sphere and its own errors of scale, plates, voltage, weight and diameter
within what its apparatus file states, and a page of readings. In the second half one entry of the
file is then made wrong. Counted are benches with p below 0.05, 0.01 (doubtful) and 0.0001 (not in
order), and how often the interval of 95 % of the route in the headline holds the true charge, the
unit in divisions taken as known. The seed of a line is 700 and its number.
"""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.tables import keep
from quantize.charge import Run, SimulatedBench
from quantize.charge.agreement import agree
from quantize.charge.budgets import by_every_route, divisions_of

USUAL = SimulatedBench()
Line = tuple[SimulatedBench, str, float]
LINES: dict[str, Line] = {
    "sound: usual bench": (USUAL, "", 1.0),
    "sound: three falls only": (SimulatedBench(falls=3), "", 1.0),
    "sound: batch spread 3 %": (SimulatedBench(diameter_spread=0.063e-6), "", 1.0),
    "scale division 10 % too long": (USUAL, "reticle.division", 1.1),
    "scale division 5 % too long": (USUAL, "reticle.division", 1.05),
    "weight 10 % too large": (USUAL, "sphere.weight", 1.1),
    "diameter 5 % too large": (USUAL, "sphere.diameter", 1.05),
}
LIMITS = (0.05, 0.01, 1e-4)


def one_bench(line: Line, seed: np.random.SeedSequence) -> tuple[float, str, bool]:
    """p, the route in the headline, and whether its interval holds the true charge."""
    bench, entry, factor = line
    page, apparatus, truth = bench.simulate(rng=np.random.default_rng(seed))
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
    told = agree(found)
    low, high = found[told.best].interval(0.95)[0]
    return told.p_value, told.best, bool(low <= truth["charge"] <= high)


def main(arguments: list[str] | None = None) -> None:
    """Print the table, and write it when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    n = 3 if options.tiny else options.benches
    lines = [
        "Share of simulated benches on which the four routes to coulombs are found to disagree, "
        "and share of",
        "the intervals of 95 % of the route in the headline that hold the true charge. "
        f"{n} benches a line.",
        "",
        "| bench | p < 0.05 | p < 0.01 | p < 0.0001 | headline holds | headline most often |",
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
        routes = [row[1] for row in found]
        often = max(set(routes), key=routes.count)
        shares = " | ".join(f"{np.mean(p < limit):.3f}" for limit in LIMITS)
        held = np.mean([row[2] for row in found])
        lines.append(f"| {name} | {shares} | {held:.3f} | {often} |")
        print(lines[-1], flush=True)
    keep(options.write, "route_agreement", "Agreement of the routes to coulombs", lines)


if __name__ == "__main__":
    main()
