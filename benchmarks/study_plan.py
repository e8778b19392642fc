"""The table behind `quantize.plan`: power of the verdict against the number of readings; seed 20.

Readings for steps to be found in four cases of five at the 5 % level, {samples} samples at each of
some sizes, up to what a power of 0.95 or the 1 % level ask for; whole numbers from −4 to 4, normal
errors, nothing known but the readings and their states. It is also measured how far interpolation
between the places of the table is from simulation there.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.runner import WORKERS, Lines, Option, Options, benchmark, head, number, row, told
from quantize.null import power
from quantize.null.power import PowerTable, Rising
from quantize.studies.estimators import NAMED
from quantize.studies.search import Search, Simulator, run_searches, search_readings

SPREADS = (0.05, 0.075, 0.10, 0.125, 0.15, 0.175, 0.20, 0.25)
BETWEEN = (0.0875, 0.1375, 0.1875)
REPEATS = (1, 2, 4)
WISHED = ((0.8, 0.05), (0.8, 0.01), (0.95, 0.05))
"""Powers and levels that the sizes reach."""
LARGEST_SINGLE = 0.20
"""Largest sigma/unit of readings of as many states: beyond, hundreds are needed."""
STORED = Path(power.__file__).with_name(power.TABLE)
Cases = list[tuple[float, int]]


def simulated(
    cases: Cases, options: Options, name: str, seed: int, *wished: tuple[float, float]
) -> list[Search]:
    """A search for some powers, each at some level, in every case, all together."""
    searches = [search_readings(spread, m, (-4, 4)) for spread, m in cases]
    for rank, (goal, alpha) in enumerate(wished):
        if options.keep:
            options.keep.mkdir(parents=True, exist_ok=True)
        simulator = Simulator(
            replicates=options.samples,
            seed=np.random.SeedSequence(seed + 10 * rank),
            estimator=NAMED["verdict"],
            workers=options.workers,
            checkpoint=options.keep and options.keep / f"{name} {goal:g} {alpha:g}.jsonl",
            progress=True,
        )
        for search in searches if rank else ():
            if risen(search, alpha).power[-1] < goal:
                search.guess, search.settled = 1.5 * max(search.decisions), False
        run_searches(searches, simulator, power=goal, alpha=alpha)
    return searches


def risen(search: Search, alpha: float) -> Rising:
    """What a search has found."""
    values, hits, samples = zip(*search.hits(alpha), strict=True)
    return Rising.of(np.log(values), hits, samples)


def as_cell(spread: float, m: int, search: Search) -> dict[str, Any]:
    """A cell as it is stored."""
    sizes = sorted(search.decisions)
    hits = [[int(np.sum(search.decisions[n] <= alpha)) for alpha in power.ALPHAS] for n in sizes]
    cell = {"sigma_over_unit": spread, "repeats": m, "n": [int(n) for n in sizes]}
    return cell | {"pages": [int(search.decisions[n].size) for n in sizes], "hits": hits}


def place(table: PowerTable, spread: float, m: int) -> str:
    """A line of the first table."""
    found = table.readings(spread, m, 0.8, 0.05)
    if not np.isfinite(found.log):
        return row(f"{spread:.3f}", m, "more", "")
    low, high = found.ends()
    return row(f"{spread:.3f}", m, f"{found.value:.1f}", f"{low:.1f} to {high:.1f}")


@benchmark(
    "Readings for a plan",
    number("--samples", 160, 3, "samples at each size"),
    WORKERS,
    Option("--keep", metavar="DIR", type=Path, help="folder for checkpoints"),
    Option("--store", action="store_true", help="replace the table of the library"),
)
def main(options: Options) -> Lines:
    first = ("sigma/unit", "readings of each state")
    yield from told(__doc__, options, *first, "readings", "95 % interval")
    spreads, repeats = options.first(SPREADS, 2), options.first(REPEATS)
    every = [(spread, m) for m in repeats for spread in spreads]
    cases = [(spread, m) for spread, m in every if m > 1 or spread <= LARGEST_SINGLE]
    searches = simulated(cases, options, "places", 20, *WISHED)
    content: dict[str, Any] = {"schema": "quantize.power_table/1", "integers": [-4, 4]}
    content["interpolation"] = 0.0
    content["cells"] = [as_cell(*c, search) for c, search in zip(cases, searches, strict=True)]
    checks = [(spread, m) for m in repeats for spread in options.first(BETWEEN)]
    checked = simulated(checks, options, "between", 21, *WISHED[:1])
    table, differences, rows = PowerTable(content), [], []
    for (spread, m), search in zip(checks, checked, strict=True):
        log, error = risen(search, 0.05).reaches(0.8)
        found = table.readings(spread, m, 0.8, 0.05)
        if np.isfinite(log) and np.isfinite(found.log):
            off, own = found.log - log, np.exp(log)
            differences.append(off)
            both = (f"{np.exp(found.log):.1f}", f"{own:.1f} ± {own * error:.1f}")
            rows.append(row(f"{spread:.4f}", m, *both, f"{100 * np.expm1(off):+.0f} %"))
    content["interpolation"] = round(float(np.sqrt(np.mean(np.square(differences)))), 4)
    if options.store:
        STORED.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    yield from (place(table, spread, m) for spread, m in cases)
    yield from (
        "",
        "Between these places the library interpolates. Against simulation there (root mean "
        f"square difference {100 * content['interpolation']:.0f} %, with the error of both "
        "simulations in it):",
        "",
        *head(*first, "interpolated", "simulated", "difference"),
        *rows,
    )
