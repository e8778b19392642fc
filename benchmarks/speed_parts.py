"""Parts of `benchmarks.speed`: how a row is measured, studies and a large file on workers, growth.

The estimator of the studies works for a fixed number of processor milliseconds, so that what is
measured is the engine.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import platform
import re
import sys
import time
import timeit
import warnings
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from importlib.metadata import version
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

import quantize as qz
from benchmarks.runner import ROOT, Lines, fresh
from quantize._support import chunks
from quantize.comb import sums
from quantize.null.counts import MANY

SETUP = """
import json, resource, subprocess, sys, time, warnings
import numpy as np
import quantize as qz
warnings.simplefilter("ignore")
rng = np.random.default_rng(1)
resamples = 99 if part < 1 else 9999
def size(n, least=8):
    return max(int(n * part), least)
def comb(n, s=0.1):
    return rng.integers(-4, 5, size=n) + s * rng.normal(size=n)
def largest():
    # ru_maxrss would begin with the peak of the process that started this one.
    try:
        with open("/proc/self/status") as file:
            return next(int(line.split()[1]) for line in file if line.startswith("VmHWM")) / 1024
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
def report(seconds, memory=0.0, said=""):
    print(json.dumps([seconds, memory, said]))
def limit(call):
    start = time.process_time()
    try:
        found = call()
        said = getattr(found, "verdict", None) or f"{len(found)} readings"
    except qz.InputError as error:
        said = "refused: " + str(error).replace(f"{folder}/", "")
    report(time.process_time() - start, largest(), said)
def measure(call, runs=3, clock=time.process_time, times=1, say=lambda found: ""):
    before, taken = largest(), []
    for _ in range(1 if part < 1 else runs):
        start = clock()
        found = call()
        taken.append(clock() - start)
    report(times * min(taken), largest() - before, say(found))
def started(*command):
    taken = []
    for _ in range(2 if part < 1 else 9):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *command], check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    report(min(taken))
"""
"""What each row begins with, in a process of its own, where `part` and `folder` are set."""


def measured(code: str, part: float, folder: Path, **how: Any) -> tuple[float, float, str]:
    """Seconds, MiB, and what came of a row, in a fresh interpreter."""
    done = fresh(f"part, folder = {part}, {str(folder)!r}\n{SETUP}{code}", cwd=ROOT, **how)
    if done.returncode:
        print(done.stderr, file=sys.stderr)
        return float("nan"), float("nan"), done.stderr.strip().splitlines()[-1][:100]
    found = json.loads(done.stdout.strip().splitlines()[-1])
    return float(found[0]), float(found[1]), str(found[2])


MILLISECONDS = 20.0
UNITS = (1 / (1 / 20 + 10_000 / 550), 20.0)
WINDOW = (0.0, 110.0)
_SHORT = 0.02  # seconds of work in a task where the overhead is measured


def busy(readings: qz.Readings, unit_range: Any) -> float:
    """Works for `MILLISECONDS` of processor time."""
    begin = time.thread_time()
    total = 0.0
    while time.thread_time() - begin < MILLISECONDS / 1000:
        total += float(np.sum(np.cos(readings.values)))
    return total


def _warm_up(_: int) -> int:
    """Load what a worker needs, and take long enough for each worker to get one."""
    from quantize.studies import replicates

    replicates.load_libraries()
    time.sleep(0.5)
    return os.getpid()


@contextlib.contextmanager
def pool(number: int) -> Iterator[Executor]:
    """Spawned processes, warm."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(number, mp_context=context) as executor:
        list(executor.map(_warm_up, range(2 * number)))
        yield executor


@contextlib.contextmanager
def cluster(number: int) -> Iterator[Any]:
    """A client of worker processes of a cluster on loopback, warm."""
    import distributed

    warnings.simplefilter("ignore")
    with (
        distributed.LocalCluster(
            n_workers=number, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
        ) as workers,
        distributed.Client(workers) as client,
    ):
        client.run(_warm_up, 0)
        yield client


def _study(executor: Any, samples: int) -> float:
    begin = time.perf_counter()
    qz.compare_estimators(
        busy, {"n": 10}, replicates=samples, rng=1, workers=executor, time_limit=None
    )
    return time.perf_counter() - begin


def study(way: str, number: int, samples: int) -> float:
    """Seconds of a study on so many warm workers of a pool or a cluster."""
    # What this process loads at its first study is no part of the engine.
    qz.compare_estimators(busy, {"n": 10}, replicates=2, rng=1)
    with pool(number) if way == "pool" else cluster(number) as workers:
        return _study(workers if way == "pool" else workers.get_executor(pure=False), samples)


def overhead(samples: int) -> float:
    """Seconds of a short task beyond the work in it, the simulation of samples included."""
    chunks.SECONDS = (_SHORT, _SHORT)
    with pool(1) as executor, mock.patch.object(executor, "submit", wraps=executor.submit) as tasks:
        wall = _study(executor, samples)
    return (wall - samples * MILLISECONDS / 1000) / tasks.call_count


def parquet(folder: str, n: int) -> Path:
    """A file of so many invented charges of a detector in weak light; kept in the folder."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path, rng = Path(folder, f"{n}.parquet"), np.random.default_rng(1)
    if path.exists():
        return path
    schema = pa.schema([("charge", pa.float64())])
    block = min(2**20, n // 8)
    with pq.ParquetWriter(path, schema, compression="NONE", use_dictionary=False) as writer:
        for start in range(0, n, block):
            k = rng.poisson(2.2, size=min(block, n - start))
            x = 12 + 7.3 * k + rng.normal(size=k.size) * np.sqrt(0.5**2 + 0.4**2 * k)
            writer.write_table(pa.table({"charge": x}, schema=schema), row_group_size=block)
    return path


def spectrum() -> qz.counts.Spectrum:
    """An empty one, what it needs loaded."""
    flow = qz.counts.Spectrum(WINDOW, UNITS, offset="free")
    flow.empty().update(np.linspace(1, 100, 2**20))
    return flow


def read(path: Path) -> None:
    """One pass over the file."""
    import pyarrow.parquet as pq

    with pq.ParquetFile(path, pre_buffer=False) as file:
        for batch in file.iter_batches(2**20, columns=["charge"]):
            batch.column(0).to_numpy(zero_copy_only=False)


def kernel(path: Path) -> None:
    """The bare library call for as many readings."""
    import finufft
    import pyarrow.parquet as pq

    x, c = np.random.default_rng(1).uniform(-3, 3, 2**20), np.ones(2**20, complex)
    size = spectrum().grid.size
    for _ in range(-(-pq.ParquetFile(path).metadata.num_rows // 2**20)):
        finufft.nufft1d1(x, c, size, eps=1e-9, isign=1, nthreads=1)


def whole(path: Path, flow: qz.counts.Spectrum) -> Any:
    """Spectrum, estimate and verdict."""
    return qz.null.analyze_counts(flow.read_parquet(path, workers=None))


def on_cluster(path: Path, number: int) -> float:
    """Seconds of the spectrum of a file on so many workers of a cluster."""
    with cluster(number) as client:
        flow = spectrum()
        flow.empty().read_parquet(path, row_groups=range(2 * number), workers=client)
        begin = time.perf_counter()
        flow.read_parquet(path, workers=client)
        return time.perf_counter() - begin


def machine() -> str:
    """What the figures were measured on."""
    name, load = platform.machine(), "unknown"
    with contextlib.suppress(OSError):
        models = re.findall("model name.*: (.*)", Path("/proc/cpuinfo").read_text(encoding="utf-8"))
        name = models[0].strip() if models else name
    with contextlib.suppress(AttributeError, OSError):
        load = f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    packages = ("numpy", "scipy", "astropy", "finufft")
    return (
        f"{name}; Python {platform.python_version()}, "
        f"{', '.join(f'{package} {version(package)}' for package in packages)}. "
        f"Load of the machine when the run began: {load}."
    )


def seconds(
    n: int, size: int, runs: int, way: Any = sums.sums_at_many_units, first: float = 0.1
) -> float:
    """Least time of the sums that `periodogram` makes, or of one way to make them."""
    x, w = np.random.default_rng(3).uniform(0, 20, n), np.ones(n)
    return min(timeit.repeat(lambda: way(x, w, first, 0.002, size), number=1, repeat=runs))


def _slope(points: dict[int, float]) -> tuple[float, int, int]:
    """Power with which the time grows over the last five sizes, the first of them and the last."""
    sizes, times = list(points)[-5:], list(points.values())[-5:]
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0]), sizes[0], sizes[-1]


def growth_lines(folder: Path | None, *, tiny: bool) -> Lines:
    """Exponents of growth, the crossover, and the picture."""
    runs, top = (1, 4) if tiny else (5, 7)
    readings = [int(10 ** (k / 2)) for k in range(2, 2 * top + 1)]
    units = [int(10 ** (k / 2)) for k in range(4, 2 * top - 1)]
    by_readings = {n: seconds(n, 20_000, runs) for n in readings}
    by_units = {m: seconds(10_000, m, runs) for m in units}
    (slope_n, *ends_n), (slope_m, *ends_m) = _slope(by_readings), _slope(by_units)
    fitted = _constants(tiny)
    yield (
        f"## Growth\n\nTime grows as the power {slope_n:.2f} of the number of readings "
        f"({ends_n[0]} to {ends_n[1]}, 20,000 units) and as the power {slope_m:.2f} of the number "
        f"of units ({ends_m[0]} to {ends_m[1]}, 10,000 readings); the target is at most 1.05 for "
        "both.\n\n![Time against readings and units](../_static/growth.svg)\n\n"
        "The level evidence of `analyze` is a recursion over pairs of readings, O(n²) in time. It "
        f"weighs a random part of larger samples, and above {MANY:,} readings `analyze` hands over "
        "to counts in bins, whose time beyond one pass over the readings does not depend on their "
        "number.\n"
    )
    stored = (sums._BLOCK_PAIR, sums._BLOCK_EXPONENTIAL, sums._FFT_VALUE, sums._FFT_MODE)
    pair, exponential, value, mode = (
        f"{1e9 * now:.{digits}f} ({1e9 * before:.{digits}f})"
        for now, before, digits in zip(fitted, stored, (2, 0, 0, 0), strict=True)
    )
    yield (
        "The choice between block kernel and nonuniform FFT compares two costs. Constants fitted "
        "in this run, with those in `quantize/comb/sums.py` in brackets, in nanoseconds: "
        f"block, a reading and unit {pair}, an exponential {exponential}; FFT, a reading {value}, "
        f"a unit {mode}."
    )
    if folder is not None:
        _draw(folder.parent / "_static" / "growth.svg", by_readings, by_units)


def _constants(tiny: bool) -> tuple[float, ...]:
    """Costs of the two ways by least squares over some sizes, relative errors weighed alike."""
    sizes = [(300, 2000), (1000, 1000), (1000, 20_000), (10_000, 100), (10_000, 3000)]
    sizes += [] if tiny else [(100_000, 300), (30_000, 10_000)]
    from scipy.optimize import nnls

    n, m = np.array(sizes, float).T
    # The general transform: the frequencies begin between two steps.
    one, two = (
        np.array([seconds(*size, 5, way, first) for size in sizes])
        for way, first in ((sums.harmonic_sums, 0.1), (sums.nonuniform_fft, 0.1003))
    )
    block = nnls((np.array([n * m, 2 * n * np.sqrt(m)]) / one).T, np.ones(len(sizes)))[0]
    left = np.maximum(1 - sums._FFT_CALL / two, 0.05)
    return (*block, *nnls((np.array([n, m]) / two).T, left)[0])


def _draw(path: Path, by_readings: dict[int, float], by_units: dict[int, float]) -> None:
    from quantize.show.plots import style

    axes, (x, y) = style.new_axes(), zip((1e4, 3e-3), (1e6, 3e-1), strict=True)
    with style.look():
        for points, mark, color, label in (
            (by_readings, "o-", style.DATA, "readings (20,000 units)"),
            (by_units, "s--", style.ACCENT, "units (10,000 readings)"),
        ):
            axes.loglog(list(points), list(points.values()), mark, color=color, ms=4, label=label)
        axes.loglog(x, y, color=style.RULE, lw=1.0, ls=":", label="in proportion")
        axes.set_xlabel("number of readings, or of trial units")
        axes.set_ylabel("seconds")
        axes.set_title("Time of the sums behind a periodogram")
        axes.legend(loc="upper left", fontsize=8)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(style.picture(axes, "svg"))
