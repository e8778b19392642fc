"""CPU time and size of the report page, from a finished analysis, in fresh interpreters.

Run with ``python -m benchmarks.report_speed``; the aims are 2 s for 50 readings, 5 MB for 50,000.
Readings of a known comb are put in the place of those of a small analysis, seed 1, so that nothing
but the report is timed. "First" counts what the first picture of a process imports.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
from pathlib import Path

from benchmarks.tables import keep

SIZES = (8, 50, 500, 50_000)
AIM = 2.0  # s, 50 readings
_PROBE = """
import dataclasses, json, sys, tempfile, time
import numpy as np
import quantize as qz
n = int(sys.argv[1])
charges = [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91, 59.12, 63.68, 68.65]
found = qz.analyze(charges, (2, 9), n_resamples=99, rng=1)
rng = np.random.default_rng(1)
k = rng.integers(1, 12, size=n)
readings = qz.Readings((found.unit * k + rng.normal(0, 0.2, size=n)).round(2))
chances = type(found.integer_probabilities)(
    {"reading": np.arange(n), "integer": k, "probability": np.ones(n)}
)
found = dataclasses.replace(
    found, readings=readings, integers=k.astype(np.int64), integer_probabilities=chances
)
times = []
with tempfile.TemporaryDirectory() as folder:
    for _ in range(2):
        begin = time.process_time()
        path = found.report(folder + "/a.html")
        times.append(time.process_time() - begin)
    print(json.dumps([*times, path.stat().st_size]))
"""


def measure(n: int) -> tuple[float, float, int]:
    """Seconds of the first and the second report in a process, and the size of the page."""
    done = subprocess.run(
        [sys.executable, "-c", _PROBE, str(n)], capture_output=True, text=True, check=True
    )
    first, again, size = json.loads(done.stdout)
    return float(first), float(again), int(size)


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one small page, once")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    sizes, runs = ((8,), 1) if options.tiny else (SIZES, 3)
    lines = [
        f"Median CPU time of `report` alone, from a finished analysis, in {runs} processes.",
        "",
        "| readings | first in a process, s | again, s | page, kB |",
        "|---|---|---|---|",
    ]
    for n in sizes:
        found = [measure(n) for _ in range(runs)]
        first, again, size = (statistics.median(column) for column in zip(*found, strict=True))
        lines.append(f"| {n:,} | {first:.2f} | {again:.2f} | {size / 1000:.0f} |")
    lines += ["", f"The aims are {AIM:g} s for 50 readings and 5,000 kB for 50,000."]
    print("\n".join(lines))
    keep(options.write, "report_speed", "Report: time and size", lines)


if __name__ == "__main__":
    main()
