"""The table behind `quantize.plan`: power of the verdict against the number of readings.

``python -m benchmarks.study_plan`` simulates, measures how far interpolation between the places of
the table is from simulation there, and with ``--write docs/tables`` writes the page. ``--store``
puts the table where the library finds it. ``--keep FOLDER`` makes it possible to stop and go on.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.tables import keep
from quantize.null import power
from quantize.null.power import PowerTable
from quantize.studies.estimators import NAMED
from quantize.studies.search import Search, Simulator, run_searches, search_readings

SPREADS = (0.05, 0.10, 0.15, 0.20, 0.25)
BETWEEN = (0.075, 0.125, 0.175)
REPEATS = (1, 2, 4)
LARGEST_SINGLE = 0.20
"""Largest sigma/unit of readings of as many states: beyond, hundreds are needed."""
STORED = Path(power.__file__).with_name(power.TABLE)
SEED = 20


def simulated(
    cases: list[tuple[float, int]], samples: int, workers: int | None, kept: Path | None, seed: int
) -> list[Search]:
    """A search for 80 % power in every case, all together."""
    simulator = Simulator(
        replicates=samples,
        seed=np.random.SeedSequence(seed),
        estimator=NAMED["verdict"],
        workers=workers,
        checkpoint=kept,
        progress=True,
    )
    searches = [search_readings(spread, m, (-4, 4)) for spread, m in cases]
    run_searches(searches, simulator, power=0.8, alpha=0.05)
    return searches


def as_table(cases: list[tuple[float, int]], searches: list[Search]) -> list[dict[str, Any]]:
    """Cells as they are stored."""
    cells = []
    for (spread, m), search in zip(cases, searches, strict=True):
        sizes = sorted(search.decisions)
        cells.append(
            {
                "sigma_over_unit": spread,
                "repeats": m,
                "n": [int(n) for n in sizes],
                "pages": [int(search.decisions[n].size) for n in sizes],
                "hits": [
                    [int(np.sum(search.decisions[n] <= alpha)) for alpha in power.ALPHAS]
                    for n in sizes
                ],
            }
        )
    return cells


def main(arguments: list[str] | None = None) -> None:
    """Simulate, compare, and print, write or store."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="three samples at each size, two cases")
    parser.add_argument("--samples", type=int, default=40, help="samples at each size")
    parser.add_argument("--workers", type=int, help="processes")
    parser.add_argument("--keep", metavar="DIR", type=Path, help="folder for checkpoints")
    parser.add_argument("--store", action="store_true", help="replace the table of the library")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the page to this folder")
    options = parser.parse_args(arguments)
    spreads, between, repeats = SPREADS, BETWEEN, REPEATS
    samples = options.samples
    if options.tiny:
        spreads, between, repeats, samples = (0.05, 0.10), (0.075,), (1,), 3
    folder: Path | None = options.keep
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    every = [(spread, m) for m in repeats for spread in spreads]
    cases = [(spread, m) for spread, m in every if m > 1 or spread <= LARGEST_SINGLE]
    searches = simulated(cases, samples, options.workers, folder and folder / "places.jsonl", SEED)
    content: dict[str, Any] = {
        "schema": "quantize.power_table/1",
        "integers": [-4, 4],
        "interpolation": 0.0,
        "cells": as_table(cases, searches),
    }
    checks = [(spread, m) for m in repeats for spread in between]
    checked = simulated(
        checks, samples, options.workers, folder and folder / "between.jsonl", SEED + 1
    )
    lines = [
        f"Readings for steps to be found in four cases of five at the 5 % level, {samples} samples "
        "at each of about five sizes; whole numbers from −4 to 4, normal errors, nothing known but "
        "the readings and their states.",
        "",
        "| sigma/unit | readings of each state | readings | 95 % interval |",
        "|---|---|---|---|",
    ]
    table = PowerTable(content)
    differences = []
    rows = []
    lines += [_row(table, spread, m) for spread, m in cases]
    for (spread, m), search in zip(checks, checked, strict=True):
        log, error = search.curve(0.05).reaches(0.8)
        found = table.readings(spread, m, 0.8, 0.05)
        if search.settled and np.isfinite(found.log):
            differences.append(found.log - log)
            rows.append(
                f"| {spread:.4f} | {m} | {np.exp(found.log):.1f} | {np.exp(log):.1f} ± "
                f"{np.exp(log) * error:.1f} | {100 * np.expm1(found.log - log):+.0f} % |"
            )
    content["interpolation"] = round(float(np.sqrt(np.mean(np.square(differences)))), 4)
    lines += [
        "",
        "Between these places the library interpolates. Against simulation there (root mean "
        f"square difference {100 * content['interpolation']:.0f} %, with the error of both "
        "simulations in it):",
        "",
        "| sigma/unit | readings of each state | interpolated | simulated | difference |",
        "|---|---|---|---|---|",
        *rows,
    ]
    print("\n".join(lines))
    if options.store:
        STORED.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    keep(options.write, "study_plan", "Readings for a plan", lines)


def _row(table: PowerTable, spread: float, m: int) -> str:
    found = table.readings(spread, m, 0.8, 0.05)
    if not np.isfinite(found.log):
        return f"| {spread:.3f} | {m} | more | |"
    low, high = found.ends()
    return f"| {spread:.3f} | {m} | {found.value:.1f} | {low:.1f} to {high:.1f} |"


if __name__ == "__main__":
    main()
