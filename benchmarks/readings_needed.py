"""How many readings steps of a given sharpness need before they show, by simulation.

Run with ``python -m benchmarks.readings_needed``; ``--write docs/tables`` writes the table. It is
an independent check of the stored table of `quantize.null.power`, which `benchmarks.study_plan`
makes: the last column is what the table says for single readings.

Readings are whole numbers uniform on −4 … 4 with normal errors; `analyze` is given the readings
and nothing else. Power is the share of samples that it calls "steps", at 5 % over the default
range.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchmarks.tables import keep
from quantize import analyze
from quantize._support.parallel import ordered_map

TRIALS = {
    0.05: (6, 7, 8, 10, 12, 15),
    0.10: (8, 10, 12, 14, 17, 20),
    0.15: (12, 15, 18, 21, 25, 30),
    0.20: (20, 25, 32, 40, 50, 60),
}
WANTED = 0.80


def power(cell: tuple[float, int, int]) -> float:
    """Share of simulated samples that are called "steps": sigma/unit, readings, samples."""
    spread, n, runs = cell
    rng = np.random.default_rng([1, n, round(1000 * spread)])
    hits = 0
    for _ in range(runs):
        values = rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)
        hits += analyze(values, n_resamples=19, rng=0).verdict == "steps"
    return hits / runs


def needed(sizes: Sequence[int], shares: Sequence[float]) -> int | None:
    """Smallest size at which a line through the shares, made monotone, reaches `WANTED`."""
    rising = np.maximum.accumulate(shares)
    if rising[-1] < WANTED:
        return None
    return int(np.ceil(np.interp(WANTED, rising, sizes) - 1e-9))


def main(arguments: list[str] | None = None) -> None:
    """Simulate, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="three samples a cell, two sharpnesses")
    parser.add_argument("--runs", type=int, default=100, help="samples a cell")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    trials = dict(list(TRIALS.items())[:2]) if options.tiny else TRIALS
    runs = 3 if options.tiny else options.runs
    lines = [
        f"Share of {runs} simulated samples that are called steps at the 5 % level; standard "
        f"error at most {0.5 / np.sqrt(runs):.3f}.",
        "",
        "| sigma/unit | readings: power | readings for 0.80 |",
        "|---|---|---|",
    ]
    every = [(spread, n, runs) for spread, sizes in trials.items() for n in sizes]
    found = ordered_map(power, every, options.workers)
    for spread, sizes in trials.items():
        shares = [next(found) for _ in sizes]
        cells = ", ".join(f"{n}: {share:.2f}" for n, share in zip(sizes, shares, strict=True))
        least = needed(sizes, shares)
        row = f"| {spread:.2f} | {cells} | {least or 'more'} |"
        lines.append(row)
        print(row, flush=True)
    print("\n".join(lines))
    keep(options.write, "readings_needed", "Readings needed", lines)


if __name__ == "__main__":
    main()
