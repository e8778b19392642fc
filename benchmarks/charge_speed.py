"""Speed of the conversion to coulombs.

    python -m benchmarks.charge_speed          the sizes of the promise
    python -m benchmarks.charge_speed --tiny   a smoke run
    python -m benchmarks.charge_speed --write docs/tables

Promise: 10,000 particles by 10,000 trials, three inputs of their own and four shared, shortest
interval included, in under 15 s of one core and 1 GB; a run of 1,000 rows in under 50 ms.
"""

from __future__ import annotations

import argparse
import resource
import time
from pathlib import Path

import numpy as np

from benchmarks.tables import keep
from quantize.charge import Run
from quantize.charge.montecarlo import monte_carlo_many
from quantize.charge.quantity import Quantity


def many_particles(particles: int, trials: int) -> float:
    """CPU seconds for one Monte Carlo of the ratio route over many particles."""
    rng = np.random.default_rng(1)

    def column(value: float) -> tuple[np.ndarray, np.ndarray]:
        values = value * (1 + 0.05 * rng.standard_normal(size=particles))
        return values, 0.01 * values

    individual = {"unit": column(10.0), "fall": column(60.0), "weight": column(5e-14)}
    shared = {
        "separation": Quantity(value=4.2e-3, standard_uncertainty=1e-5),
        "voltage": Quantity(value=227.0, standard_uncertainty=0.5),
        "supplied": Quantity(value=1.0, standard_uncertainty=0.01, distribution="rectangular"),
        "tilt": Quantity(value=0.0, standard_uncertainty=0.01),
    }

    def model(**x: np.ndarray) -> np.ndarray:
        common = x["supplied"] * x["separation"] / (x["voltage"] * np.cos(x["tilt"]))
        out = x["unit"]
        out /= x["fall"]
        out *= x["weight"]
        out *= common
        return out

    start = time.process_time()
    found = monte_carlo_many(model, individual, shared, trials=trials, rng=2)
    seconds = time.process_time() - start
    assert found.shape == (particles, 4)
    return seconds


def one_run(rows: int) -> float:
    """Best of five: CPU seconds to read and convert one run."""
    rng = np.random.default_rng(3)
    page = {
        "state": [f"s{i // 5}" for i in range(rows)],
        "V": np.where(np.arange(rows) % 10 == 0, 0.0, 227.0),
        "div": np.where(np.arange(rows) % 10 == 0, -60.0, rng.integers(-40, 40, size=rows)),
        "t": np.full(rows, 10.0),
    }
    bench = {"plates": {"separation": "4.2 mm"}, "sphere": {"weight": "5e-14 N"}}
    best = float("inf")
    for _ in range(5):
        start = time.process_time()
        Run(page, bench).charges()
        best = min(best, time.process_time() - start)
    return best


def main(arguments: list[str] | None = None) -> None:
    """Print the figures, and write them when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    particles, trials, rows = (20, 500, 50) if options.tiny else (10_000, 10_000, 1_000)
    seconds = many_particles(particles, trials)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    lines = [
        "CPU time of one core.",
        "",
        "| what | figure | promise |",
        "|---|---|---|",
        f"| {particles} particles by {trials} trials | {seconds:.1f} s | 15 s |",
        f"| their largest memory | {memory:.0f} MB | 1000 MB |",
        f"| a run of {rows} rows, read and converted | {1000 * one_run(rows):.0f} ms | 50 ms |",
    ]
    print("\n".join(lines))
    keep(options.write, "charge_speed", "Speed of the conversion", lines)


if __name__ == "__main__":
    main()
