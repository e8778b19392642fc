"""Evidence that is looked at after every reading: how often it ever misleads, how soon it settles.

Families without steps, and combs, to 200 readings, with a look after every reading to 30 and then
at growing steps; seed 78. Kept for every run, in benchmarks/results/running.json, is the reading
at which the evidence first stood above 20.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.combs import comb, whole_uniform
from benchmarks.families import signed_units
from benchmarks.runner import (
    RESULTS,
    WORKERS,
    Array,
    Family,
    Rng,
    benchmark,
    head,
    number,
    row,
)
from quantize._support.parallel import ordered_map
from quantize.null.power import readings_needed
from quantize.null.running import RunningEvidence
from quantize.studies.families import significant, sums, two_units

KEPT = RESULTS / "running.json"
SEED = 78
WINDOW, UNIT_RANGE = (-6.0, 6.0), (0.4, 2.5)
LONGEST = 200
LOOKS = (*range(3, 31), 35, 40, 46, 53, 61, 70, 80, 92, 106, 122, 140, 161, 185, 200)
SPREADS = {0.05: None, 0.08: 9, 0.10: 11, 0.15: 20}
"""sigma/unit of the combs, and the median of readings aimed at."""


def _levels(number: int, noise: float, low: float = -5, high: float = 5) -> Family:
    return lambda rng, n: rng.choice(rng.uniform(low, high, number), n) + rng.normal(0, noise, n)


def _heaped(rng: Rng, n: int) -> Array:
    values = rng.normal(0, 1.8, n)
    return np.where(rng.random(n) < 1 / 3, np.round(values), values)


def _inside(family: Family) -> Family:
    """Samples drawn again until the window holds every reading."""

    def draw(rng: Rng, n: int) -> Array:
        while True:
            values = family(rng, n)
            if WINDOW[0] < values.min() and values.max() < WINDOW[1]:
                return values

    return draw


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
    "sums of two signed units": _inside(lambda rng, n: 0.5 * sums(signed_units)(rng, n)),
    "five levels above zero": _levels(5, 0.08, 0, 5.5),
}
"""More, run after the combs so that no seed changes."""


def families() -> dict[str, Family]:
    """All that is run."""
    combs = {f"comb -4..4 at {s:.2f}": comb(whole_uniform, s) for s in SPREADS}
    from_zero = {
        f"comb 0..5 at {s:.2f}": comb(lambda rng, n: rng.integers(0, 6, n).astype(float), s)
        for s in SPREADS
    }
    return NULLS | combs | LATER | from_zero


def first_crossing(task: tuple[str, int, int, int]) -> int | None:
    """Readings at which the evidence first passes 1/0.05, or None."""
    label, place, run, longest = task
    rng = np.random.default_rng([SEED, place, run])
    process = RunningEvidence(UNIT_RANGE, WINDOW)
    values = np.clip(families()[label](rng, longest), WINDOW[0] + 0.01, WINDOW[1] - 0.01)
    for count, value in enumerate(values, start=1):
        process.update(float(value), look=False)
        if count in LOOKS and process.passes(0.05):
            return count
    return None


def run(runs: int, longest: int, path: Path | None, workers: int) -> dict[str, list[int | None]]:
    """The readings at each crossing, by family, up to `runs` of them; what is kept stays."""
    results: dict[str, Any] = {"crossings": {}}
    if path is not None and path.exists():
        results = json.loads(path.read_text())
    for upto in [*range(25, runs, 25), runs]:
        for place, label in enumerate(families()):
            kept = results["crossings"].setdefault(label, [])
            wanted = upto if label in NULLS | LATER else min(upto, 200)
            tasks = [(label, place, i, longest) for i in range(len(kept), wanted)]
            kept += list(ordered_map(first_crossing, tasks, workers))
            if path is not None:
                path.write_text(json.dumps(results) + "\n")
            print(label, len(kept), file=sys.stderr, flush=True)
    return results["crossings"]


@benchmark(
    "Evidence that may be looked at after every reading",
    number("--runs", 1000, 2, "runs of each family, 200 of combs"),
    WORKERS,
)
def main(options: Any) -> Iterator[str]:
    longest, path = (15, None) if options.tiny else (LONGEST, KEPT)
    crossings = run(options.runs, longest, path, options.workers)
    yield from (
        f"`RunningEvidence`, units {UNIT_RANGE} and the window {WINDOW}, to {longest}",
        "readings, looked at after every reading to 30 and then at growing steps. The share is",
        "that of the runs in which it *ever* stood above 20 (at most 0.05 for data of the kinds",
        "that it is held against, which sums of two signed units are not), ± its error. Values",
        "outside the window go to its ends: few, but whole levels of the sums beyond the window.",
        "",
        *head("data without steps", "runs", "share ever above 20"),
    )
    for label in NULLS | LATER:
        found = crossings[label]
        share = sum(c is not None for c in found) / len(found)
        error = np.sqrt(share * (1 - share) / len(found))
        yield row(label, len(found), f"{share:.3f} ± {error:.3f}")
    yield from (
        "",
        "Readings until it stands above 20 on combs, beside those that the fixed-size test needs",
        "for a power of 0.80 (last column; `python -m benchmarks.study_plan`):",
        "",
    )
    last = ("median", "aimed at", "80 % of the runs", "fixed size, power")
    yield from head("comb", "sigma/unit", "runs", *last)
    for name in ("-4..4", "0..5"):
        for spread, aim in SPREADS.items():
            found = crossings[f"comb {name} at {spread:.2f}"]
            reached = np.array([np.inf if c is None else c for c in found])
            middle, most = np.quantile(reached, [0.5, 0.8], method="inverted_cdf")
            wanted, fixed = (aim, readings_needed(spread)) if name == "-4..4" else (None, "–")
            ends = (f"{middle:.0f}", wanted or "–", f"{most:.0f}", fixed)
            yield row(name, f"{spread:.2f}", len(found), *ends)
