"""Time and memory of the main calls on one core.

Run with ``python -m benchmarks.analyze_speed``; ``--write docs/tables`` writes the table. Each row
is measured in a fresh interpreter; memory is the growth of the largest resident set over that of
the imports.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
from pathlib import Path

from benchmarks.tables import keep

_SETUP = """
import json, resource, sys, time
import numpy as np
import quantize as qz
from quantize.null.compare import compare_null
from quantize.null.evidence import level_evidence
rng = np.random.default_rng(1)
def comb(n, s=0.1):
    return rng.integers(-4, 5, size=n) + s * rng.normal(size=n)
warm = comb(8)
qz.analyze(warm, n_resamples=19)
def measure(call, repeat):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    times = []
    for _ in range(repeat):
        start = time.perf_counter(); call(); times.append(time.perf_counter() - start)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps([min(times), (after - before) / 1024]))
"""

ROWS = {
    "analyze, 50 readings, 9,999 resamples": (
        "x = comb(50); measure(lambda: qz.analyze(x, rng=1, n_resamples=RESAMPLES), 3)",
        "under 3 s, 100 MB",
    ),
    "analyze, 20 readings, 9,999 resamples": (
        "x = comb(20); measure(lambda: qz.analyze(x, rng=1, n_resamples=RESAMPLES), 3)",
        "",
    ),
    "largest cosine score, 60 readings, 2,000 units, 9,999 resamples": (
        "x = comb(60); high = np.ptp(x) / 2; low = high / (1 + 400 * high / 9); "
        "measure(lambda: compare_null(x, (low, high), null='smooth', rng=1, "
        "n_resamples=RESAMPLES), 3)",
        "1.5 s, 200 MB",
    ),
    "the same statistic, plain, by scipy.stats.monte_carlo_test, 99 resamples": (
        "from scipy.stats import monte_carlo_test; "
        "x = comb(60); high = np.ptp(x) / 2; low = high / (1 + 400 * high / 9); "
        "f = np.linspace(1 / high, 1 / low, 2000); "
        "top = lambda page: np.cos(2 * np.pi * np.outer(f, page)).sum(axis=1).max(); "
        "measure(lambda: monte_carlo_test(x, lambda size: rng.normal(0, 2.6, size=size), top, "
        "n_resamples=99, vectorized=False), 3)",
        "20 times slower, of 9,999",
    ),
    "mixture, 20 readings, sigma unknown": (
        "x = comb(20); measure(lambda: qz.fit_mixture(x, (0.4, 2.5)).log_bayes_factor, 20)",
        "30 ms",
    ),
    "mixture, 100 readings, sigma known": (
        "x = comb(100); measure(lambda: qz.fit_mixture(x, (0.4, 2.5), sigma_range=0.1), 10)",
        "0.2 s",
    ),
    "mixture, 100 readings, sigma unknown": (
        "x = comb(100); measure(lambda: qz.fit_mixture(x, (0.4, 2.5)), 10)",
        "1 s",
    ),
    "mixture, 20 readings, sigma unknown, offset free": (
        "x = comb(20); measure(lambda: qz.fit_mixture(x, (0.4, 2.5), offset='free'), 3)",
        "",
    ),
    "mixture and level evidence, 8 readings": (
        "x = comb(8); measure(lambda: level_evidence(qz.fit_mixture(x, (0.4, 4)).posterior), 10)",
        "10 ms",
    ),
    "mixture and level evidence, 20 readings": (
        "x = comb(20); measure(lambda: level_evidence(qz.fit_mixture(x, (0.4, 4)).posterior), 10)",
        "15 ms",
    ),
    "mixture and level evidence, 60 readings": (
        "x = comb(60); measure(lambda: level_evidence(qz.fit_mixture(x, (0.4, 4)).posterior), 10)",
        "35 ms",
    ),
    "mixture and level evidence, 200 readings": (
        "x = comb(200); measure(lambda: level_evidence(qz.fit_mixture(x, (0.4, 4)).posterior), 5)",
        "170 ms",
    ),
}


def measure(code: str, resamples: int) -> tuple[float, float]:
    """(seconds, MiB) of one row, in a fresh interpreter with one thread."""
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    done = subprocess.run(
        [sys.executable, "-c", _SETUP + code.replace("RESAMPLES", str(resamples))],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | threads,
    )
    seconds, mebibytes = json.loads(done.stdout)
    return float(seconds), float(mebibytes)


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="few resamples, four rows")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    rows = list(ROWS.items())[: 4 if options.tiny else None]
    lines = [
        f"Best of a few runs on one core; {platform.machine()}, Python "
        f"{platform.python_version()}.",
        "",
        "| work | seconds | memory above the imports, MiB | target |",
        "|---|---|---|---|",
    ]
    for name, (code, target) in rows:
        seconds, mebibytes = measure(code, 99 if options.tiny else 9999)
        lines.append(f"| {name} | {seconds:.3g} | {mebibytes:.0f} | {target} |")
        print(lines[-1], flush=True)
    keep(options.write, "analyze_speed", "Time and memory", lines)


if __name__ == "__main__":
    main()
