"""Seconds for the analysis of a thousand particles in one call, and against a plain loop.

Run with ``python -m benchmarks.many_groups``; ``--write docs/tables`` writes the table. Every
particle has 20 invented readings, k from −4 to 4, sigma/unit 0.1 (every fourth has no unit at all),
from the seed 20; 999 resamples each. The plain loop is `analyze` on a part of them, one after the
other, in the same process.
"""

from __future__ import annotations

import argparse
import os
import platform
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import quantize as qz
from benchmarks.tables import keep

_SEED = 20
_READINGS = 20


def invented(groups: int) -> pd.DataFrame:
    """A table of so many particles."""
    rng = np.random.default_rng(_SEED)
    samples = []
    for i in range(groups):
        k = rng.integers(-4, 5, size=_READINGS) if i % 4 else rng.normal(scale=2.6, size=_READINGS)
        unit = rng.uniform(3, 9)
        samples.append(unit * (k + 0.1 * rng.normal(size=_READINGS)))
    return pd.DataFrame(
        {"particle": np.repeat(np.arange(groups), _READINGS), "divisions": np.concatenate(samples)}
    )


def plain_loop(table: pd.DataFrame, groups: int, resamples: int) -> float:
    """Seconds a particle of `analyze`, one particle after the other."""
    samples = [sample.to_numpy() for _, sample in table.groupby("particle")["divisions"]][:groups]
    start = time.perf_counter()
    for sample in samples:
        qz.analyze(sample, n_resamples=resamples, rng=1)
    return (time.perf_counter() - start) / groups


def seconds(table: pd.DataFrame, resamples: int, workers: Any) -> tuple[float, Any]:
    """Seconds for the whole table, and what was found."""
    start = time.perf_counter()
    found = qz.analyze_groups(
        table,
        by="particle",
        value="divisions",
        n_resamples=resamples,
        rng=_SEED,
        workers=workers,
    )
    return time.perf_counter() - start, found


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="eight particles, few resamples")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    groups, part, resamples = (8, 4, 49) if options.tiny else (1000, 100, 999)
    os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    table = invented(groups)
    plain_loop(table, 2, 49)
    alone = plain_loop(table, part, resamples)
    lines = [
        f"{groups:,} particles of {_READINGS} readings, {resamples} resamples each; "
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"numpy {np.__version__}. Target: 60 s on one core.",
        "",
        "| way | seconds | ms a particle | times a plain loop |",
        "|---|---|---|---|",
        f"| `analyze` in a loop ({part} particles, scaled up) | {alone * groups:.1f} | "
        f"{1000 * alone:.1f} | 1 |",
    ]
    first: Any = None
    for workers in (1, 2):
        taken, found = seconds(table, resamples, workers)
        lines.append(
            f"| `analyze_groups`, {workers} worker{'s' if workers > 1 else ''} | {taken:.1f} | "
            f"{1000 * taken / groups:.1f} | {taken / (alone * groups):.2f} |"
        )
        print(lines[-1], flush=True)
        if first is not None and not first.table.equals(found.table):
            raise SystemExit("the answers depend on the number of workers")
        first = found
    verdicts = ", ".join(f"{number:,} {verdict}" for verdict, number in first.counts.items())
    lines += ["", f"Both gave the same to the bit: {verdicts}; {len(first.failed)} not analysed."]
    print("\n".join(lines))
    keep(options.write, "many_groups", "Thousands of particles", lines)


if __name__ == "__main__":
    main()
