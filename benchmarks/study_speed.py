"""What the engine of studies costs, and what a second worker brings.

Run with ``python -m benchmarks.study_speed``; ``--write docs/tables`` writes the table. The
estimator works for a fixed number of processor milliseconds, so that what is measured is the
engine. Overhead per task is the time of a process pool of one, beyond the time spent in samples,
over the number of tasks. The cluster needs the packages dask and distributed.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.tables import keep
from quantize import Readings, compare_estimators
from quantize._support import chunks

SAMPLES = 400
MILLISECONDS = 20.0
SHORT = 0.02  # seconds of work in a task where the overhead is measured


def busy(readings: Readings, unit_range: Any) -> float:
    """Works for `MILLISECONDS` of processor time."""
    begin = time.thread_time()
    total = 0.0
    while time.thread_time() - begin < MILLISECONDS / 1000:
        total += float(np.sum(np.cos(readings.values)))
    return total


def warm_up(_: int) -> int:
    """Load what a worker needs, and take long enough for each worker to get one."""
    from quantize.studies import replicates

    replicates.load_libraries()
    time.sleep(0.5)
    return os.getpid()


def seconds(executor: Executor, samples: int) -> float:
    """Wall time of a study on an executor that is warm."""
    begin = time.perf_counter()
    compare_estimators(
        busy, {"n": 10}, replicates=samples, rng=1, workers=executor, time_limit=None
    )
    return time.perf_counter() - begin


@contextmanager
def pool(number: int) -> Iterator[Executor]:
    """Spawned processes, warm."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(number, mp_context=context) as executor:
        list(executor.map(warm_up, range(2 * number)))
        yield executor


@contextmanager
def cluster(number: int) -> Iterator[Executor]:
    """Worker processes of a cluster on loopback, warm."""
    import distributed

    warnings.simplefilter("ignore")
    with (
        distributed.LocalCluster(
            n_workers=number, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
        ) as workers,
        distributed.Client(workers) as client,
    ):
        client.run(warm_up, 0)
        yield client.get_executor(pure=False)


class Counting(Executor):
    """Counts what is submitted."""

    def __init__(self, executor: Executor) -> None:
        self.executor, self.tasks = executor, 0
        self._max_workers = getattr(executor, "_max_workers", 1)

    def submit(self, *arguments: Any, **named: Any) -> Any:
        """Pass it on."""
        self.tasks += 1
        return self.executor.submit(*arguments, **named)


def overhead(samples: int) -> tuple[float, int]:
    """Seconds of a task beyond the work in it, for many small tasks, and how many there were."""
    usual = chunks.SECONDS
    chunks.SECONDS = (SHORT, SHORT)
    try:
        with pool(1) as executor:
            counting = Counting(executor)
            wall = seconds(counting, samples)
    finally:
        chunks.SECONDS = usual
    spent = samples * MILLISECONDS / 1000
    return (wall - spent) / counting.tasks, counting.tasks


def gain(make: Callable[[int], Any], samples: int) -> tuple[float, float]:
    """Wall time with one worker and with two."""
    times = []
    for number in (1, 2):
        with make(number) as executor:
            times.append(seconds(executor, samples))
    return times[0], times[1]


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="a few samples")
    parser.add_argument("--samples", type=int, default=SAMPLES, help="samples of the study")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    samples = 40 if options.tiny else options.samples
    # What this process loads at its first study is no part of the engine.
    compare_estimators(busy, {"n": 10}, replicates=2, rng=1)
    extra, tasks = overhead(samples)
    lines = [
        f"{samples} samples of {MILLISECONDS:g} ms of processor time each, on {os.cpu_count()} "
        "cores; workers warm.",
        "",
        "| | one worker | two workers | ratio |",
        "|---|---|---|---|",
    ]
    engines: dict[str, Callable[[int], Any]] = {"process pool": pool}
    try:
        import distributed as _distributed  # noqa: F401

        engines["cluster on loopback"] = cluster
    except ImportError:
        lines.insert(1, "The cluster was not measured: the package distributed is missing.")
    for name, make in engines.items():
        one, two = gain(make, samples)
        lines.append(f"| {name} | {one:.2f} s | {two:.2f} s | {one / two:.2f} |")
        print(lines[-1], flush=True)
    lines += [
        "",
        f"Overhead of a task on a process pool of one, {tasks} tasks of {1000 * SHORT:g} ms: "
        f"{1000 * extra:.2f} ms each, simulation of the samples included.",
    ]
    print("\n".join(lines))
    keep(options.write, "study_speed", "Speed of studies", lines)


if __name__ == "__main__":
    main()
