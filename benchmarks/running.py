"""Evidence that is looked at after every reading: how often it ever misleads, how soon it settles.

``python -m benchmarks.running`` runs families without steps, and combs, through
`RunningEvidence` to 200 readings, looking after every reading to 30 and then at growing steps, and
keeps for every run the reading at which the evidence first stood above 20. Counts go to
benchmarks/results/running.json as they come; a run goes on where the last one stopped.
``--write docs/tables`` keeps the table.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.families import Family, comb, whole_uniform
from benchmarks.more_families import _signed_sums
from benchmarks.tables import keep
from quantize._support.parallel import ordered_map
from quantize.null.power import readings_needed
from quantize.null.running import RunningEvidence
from quantize.studies.families import significant, sums, two_units

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "running.json"
SEED = 78
ALPHA = 0.05
WINDOW, UNIT_RANGE = (-6.0, 6.0), (0.4, 2.5)
LONGEST = 200
LOOKS = (*range(3, 31), 35, 40, 46, 53, 61, 70, 80, 92, 106, 122, 140, 161, 185, 200)
SPREADS = {0.05: None, 0.08: 9, 0.10: 11, 0.15: 20}
"""sigma/unit of the combs, and the median of readings aimed at."""


def _levels(number: int, noise: float) -> Family:
    return lambda rng, n: rng.choice(rng.uniform(-5, 5, number), n) + rng.normal(0, noise, n)


def _heaped(rng: np.random.Generator, n: int) -> np.ndarray:
    values = rng.normal(0, 1.8, n)
    return np.where(rng.random(n) < 1 / 3, np.round(values), values)


def _inside(family: Family) -> Family:
    """Samples drawn again until the window holds every reading."""

    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        while True:
            values = family(rng, n)
            if WINDOW[0] < values.min() and values.max() < WINDOW[1]:
                return values

    return draw


def _from_zero(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.integers(0, 6, n).astype(float)


NULLS: dict[str, Family] = {
    "uniform": lambda rng, n: rng.uniform(-5, 5, n),
    "normal": lambda rng, n: rng.normal(0, 1.8, n),
    "Laplace": lambda rng, n: rng.laplace(0, 1.2, n),
    "skewed": lambda rng, n: rng.gamma(2.0, 1.0, n) - 3.0,
    "two lumps": _levels(2, 0.4),
    "three levels": _levels(3, 0.15),
    "five levels": _levels(5, 0.15),
    "heaped": _heaped,
}
"""Eight families without steps, inside the window."""
LATER: dict[str, Family] = {
    "sums of two units": _inside(lambda rng, n: 0.5 * sums(two_units)(rng, n)),
    "two digits": lambda rng, n: significant(rng.uniform(0.1, 5.9, n), 2),
    "sums of two units, beyond the window": lambda rng, n: 0.5 * sums(two_units)(rng, n),
    "sums of two signed units": _inside(lambda rng, n: 0.5 * sums(_signed_sums)(rng, n)),
    "five levels above zero": lambda rng, n: (
        rng.choice(rng.uniform(0, 5.5, 5), n) + rng.normal(0, 0.08, n)
    ),
}
"""More, run after the combs so that no seed changes."""


def families() -> dict[str, Family]:
    """All that is run."""
    combs = {f"comb -4..4 at {s:.2f}": comb(whole_uniform, s) for s in SPREADS}
    above = {f"comb 0..5 at {s:.2f}": comb(_from_zero, s) for s in SPREADS}
    return NULLS | combs | LATER | above


def first_crossing(task: tuple[str, int, int, int]) -> int | None:
    """Readings at which the evidence first passes 1/alpha, or None."""
    label, number, run, longest = task
    rng = np.random.default_rng([SEED, number, run])
    process = RunningEvidence(UNIT_RANGE, WINDOW)
    values = np.clip(families()[label](rng, longest), WINDOW[0] + 0.01, WINDOW[1] - 0.01)
    for place, value in enumerate(values, start=1):
        process.update(float(value), look=False)
        if place in LOOKS and process.passes(ALPHA):
            return place
    return None


def run(
    runs: int, longest: int, path: Path | None, workers: int, only: str | None = None
) -> dict[str, Any]:
    """Fill the counts up to `runs`, of one family if `only` names it; what is kept stays."""
    results: dict[str, Any] = {"crossings": {}}
    if path is not None and path.exists():
        results = json.loads(path.read_text())
    results |= {"schema": "quantize.running/1", "seed": SEED, "longest": longest}
    results["versions"] = {"python": platform.python_version(), "numpy": np.__version__}
    crossings: dict[str, list[int | None]] = results["crossings"]
    step = 25
    for upto in [*range(step, runs, step), runs]:
        for number, label in enumerate(families()):
            if only not in (None, label):
                continue
            kept = crossings.setdefault(label, [])
            wanted = upto if label in NULLS | LATER else min(upto, 200)
            tasks = [(label, number, i, longest) for i in range(len(kept), wanted)]
            kept += list(ordered_map(first_crossing, tasks, workers))
            if path is not None:
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(json.dumps(results) + "\n")
            print(label, len(kept), file=sys.stderr, flush=True)
    return results


def table(results: dict[str, Any]) -> list[str]:
    """The lines of the page."""
    crossings = results["crossings"]
    lines = [
        f"`RunningEvidence`, units {UNIT_RANGE} and the window {WINDOW}, to {results['longest']}",
        "readings, looked at after every reading to 30 and then at growing steps. The share is",
        "that of the runs in which it *ever* stood above 20 (at most 0.05 for data of the kinds",
        "that it is held against, which sums of two signed units are not), ± its error. Values",
        "outside the window go to its ends: few, but whole levels of the sums beyond the window.",
        "",
        "| data without steps | runs | share ever above 20 |",
        "|---|---|---|",
    ]
    for label in (label for label in NULLS | LATER if crossings.get(label)):
        found = crossings[label]
        share = sum(c is not None for c in found) / len(found)
        error = np.sqrt(share * (1 - share) / len(found))
        lines.append(f"| {label} | {len(found)} | {share:.3f} ± {error:.3f} |")
    lines += [
        "",
        "Readings until it stands above 20 on combs, beside those that the fixed-size test needs",
        "for a power of 0.80 (last column; `python -m benchmarks.study_plan`):",
        "",
        "| comb | sigma/unit | runs | median | aimed at | 80 % of the runs | fixed size, power |",
        "|---|---|---|---|---|---|---|",
    ]
    for name in ("-4..4", "0..5"):
        for spread, aim in SPREADS.items():
            found = crossings.get(f"comb {name} at {spread:.2f}")
            if not found:
                continue
            reached = np.array([np.inf if c is None else c for c in found])
            middle, most = np.quantile(reached, [0.5, 0.8], method="inverted_cdf")
            wanted, fixed = (aim, readings_needed(spread)) if name == "-4..4" else (None, "–")
            lines.append(
                f"| {name} | {spread:.2f} | {len(found)} | {middle:.0f} | {wanted or '–'} | "
                f"{most:.0f} | {fixed} |"
            )
    return lines


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000, help="runs of each family (200 of combs)")
    parser.add_argument("--family", choices=list(families()), help="more runs of this one alone")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--tiny", action="store_true", help="two short runs; nothing is kept")
    parser.add_argument("--write", type=Path, help="folder for the table")
    options = parser.parse_args(arguments)
    if options.tiny:
        results = run(2, 15, None, 1)
    else:
        results = run(options.runs, LONGEST, RESULTS, options.workers, options.family)
    lines = table(results)
    print("\n".join(lines))
    keep(options.write, "running", "Evidence that may be looked at after every reading", lines)


if __name__ == "__main__":
    main()
