"""How many readings steps of a given sharpness need before they show, by simulation.

An independent check of the stored table of `quantize.null.power`, which `benchmarks.study_plan`
makes. Whole numbers uniform on −4 … 4, normal errors; `analyze` is given the readings alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from benchmarks.runner import WORKERS, benchmark, head, number, row
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
    rng, hits = np.random.default_rng([1, n, round(1000 * spread)]), 0
    for _ in range(runs):
        values = rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)
        hits += analyze(values, n_resamples=19, rng=0).verdict == "steps"
    return hits / runs


def needed(sizes: Sequence[int], shares: Sequence[float]) -> int | str:
    """Smallest size at which a line through the shares, made monotone, reaches `WANTED`."""
    rising = np.maximum.accumulate(shares)
    if rising[-1] < WANTED:
        return "more"
    return int(np.ceil(np.interp(WANTED, rising, sizes) - 1e-9))


@benchmark("Readings needed", number("--runs", 100, 3), WORKERS)
def main(options: Any) -> Iterator[str]:
    """The lines of the table."""
    runs = options.runs
    yield (
        f"Share of {runs} simulated samples that are called steps at the 5 % level; standard "
        f"error at most {0.5 / np.sqrt(runs):.3f}."
    )
    yield from ("", *head("sigma/unit", "readings: power", "readings for 0.80"))
    trials = list(TRIALS.items())[: 2 if options.tiny else None]
    every = [(spread, n, runs) for spread, sizes in trials for n in sizes]
    found = ordered_map(power, every, options.workers)
    for spread, sizes in trials:
        shares = [next(found) for _ in sizes]
        cells = ", ".join(f"{n}: {share:.2f}" for n, share in zip(sizes, shares, strict=True))
        yield row(f"{spread:.2f}", cells, needed(sizes, shares))


if __name__ == "__main__":
    main()
