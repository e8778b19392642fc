"""Speed as ratios to named peers and to the bare library call underneath, in one run, on one core.

Run with ``python -m benchmarks.speed``. ``--large`` adds 1e8 readings from a parquet file of 800 MB
in a temporary folder. Seed 71. Best of several runs each; all with one thread.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

import quantize as qz
from benchmarks.speed_growth import growth_lines, machine
from benchmarks.tables import keep
from quantize.comb import sums
from quantize.comb.sums import harmonic_sums

SEED = 71
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
Row = tuple[str, str, str, str]


def best(work: Callable[[], object], runs: int) -> float:
    """Least seconds of some runs."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def small_rows(n: int, size: int, runs: int, target: str) -> list[Row]:
    """The block kernel against astropy's fast mode and scipy, at equal sizes."""
    from astropy.timeseries import LombScargle
    from scipy.signal import lombscargle

    rng = np.random.default_rng(SEED)
    x, w = rng.uniform(0, 20, n), np.ones(n)
    y = rng.normal(size=n)
    f = 0.1 + 0.002 * np.arange(size)
    own = best(lambda: harmonic_sums(x, w, 0.1, 0.002, size), 3 * runs)
    fast = best(
        lambda: LombScargle(x, y).power(f, method="fast", assume_regular_frequency=True), runs
    )
    scipys = best(lambda: lombscargle(x, y, 2 * np.pi * f), max(runs // 3, 1))
    rate = n * size / own / 1e6
    return [
        (
            f"periodogram, {n} readings, {size} units, numpy only",
            f"{1e3 * own:.3g} ms, {rate:.0f} million value-units/s",
            f"{fast / own:.0f} × astropy fast, {scipys / own:.0f} × scipy.signal.lombscargle",
            target,
        )
    ]


def middle_rows(n: int, size: int, runs: int, peers: bool) -> list[Row]:
    """Many readings: the sums and the whole periodogram against the bare nonuniform FFT."""
    import finufft

    rng = np.random.default_rng(SEED)
    x, w = rng.uniform(0, 20, n), np.ones(n)
    first, step = 0.1, 0.2 / 20
    angle = 2 * np.pi * (x * step - np.rint(x * step))
    strengths = w.astype(complex)
    bare = best(
        lambda: finufft.nufft1d1(angle, strengths, size, eps=sums.ACCURACY, isign=1, nthreads=1),
        runs,
    )
    own = best(lambda: sums.sums_at_many_units(x, w, first, step, size), runs)
    unit_range = (1 / (first + size * step), 1 / first)
    whole = best(lambda: qz.periodogram(x, unit_range), max(runs // 2, 1))
    ratio = f"{own / bare:.2f} of the bare finufft call ({1e3 * bare:.0f} ms)"
    if peers:
        from astropy.timeseries import LombScargle

        y = rng.normal(size=n)
        f = first + step * np.arange(size)
        fast = best(
            lambda: LombScargle(x, y).power(f, method="fast", assume_regular_frequency=True), 1
        )
        ratio += f"; {fast / own:.0f} × astropy fast"
    label = f"{n:.0e} readings, {size:.0e} units".replace("e+0", "e")
    return [
        (
            f"sums, {label}, conversions included",
            f"{1e3 * own:.0f} ms",
            ratio,
            "≤ 1.3 of the bare call; ≥ 60 × astropy fast",
        ),
        (
            f"`periodogram`, {label}, peaks and errors included",
            f"{whole:.2f} s",
            f"{whole / bare:.1f} of the bare finufft call",
            "",
        ),
    ]


def spectrum_readings(rng: np.random.Generator, n: int) -> np.ndarray:
    """Charges of a detector in weak light, invented."""
    k = rng.poisson(2.2, size=n)
    return 12 + 7.3 * k + rng.normal(size=n) * np.sqrt(0.5**2 + 0.4**2 * k)


def answer_rows(n: int, units: int, runs: int) -> list[Row]:
    """The whole answer, from the readings to the verdict."""
    x = spectrum_readings(np.random.default_rng(SEED), n)
    window = (0.0, 110.0)
    # As many trial units as asked for, at five for each cycle over the window.
    low = 1 / (1 / 20 + units / (5 * 110))
    found = qz.null.analyze_counts(x, (low, 20), offset="free", window=window)
    seconds = best(lambda: qz.null.analyze_counts(x, (low, 20), offset="free", window=window), runs)
    size = found.fit.sums.frequencies.size
    return [
        (
            f"{n:.0e} readings, {size} units, whole answer".replace("e+0", "e"),
            f"{seconds:.2f} s; {found.verdict}, {found.unit:.4f} ± {found.unit_err:.1g} "
            "(truth 7.3)",
            f"p ≤ {found.p_value:.1g} by the analytic bound",
            "≤ 5 s",
        )
    ]


_READ = """
import json, resource, sys, time
import numpy as np

def peak_mebibytes():
    # ru_maxrss would begin with the peak of the process that started this one.
    try:
        with open("/proc/self/status") as file:
            return next(int(line.split()[1]) for line in file if line.startswith("VmHWM")) / 1024
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

path, do, units = sys.argv[1], sys.argv[2], int(sys.argv[3])
import pyarrow.parquet as pq, finufft, quantize as qz
flow = qz.counts.Spectrum((0.0, 110.0), (1 / (1 / 20 + units / 550), 20.0), offset="free")
flow.empty().update(np.linspace(1, 100, 2**20)).total
start = time.perf_counter()
if do == "read":
    with pq.ParquetFile(path, pre_buffer=False) as file:
        for batch in file.iter_batches(2**20, columns=["charge"]):
            batch.column(0).to_numpy(zero_copy_only=False)
    out = {}
elif do == "kernel":
    x = np.random.default_rng(0).uniform(-3, 3, 2**20)
    c = np.ones(2**20, complex)
    size = flow.grid.size
    rows = pq.ParquetFile(path).metadata.num_rows
    for _ in range(-(-rows // 2**20)):
        finufft.nufft1d1(x, c, size, eps=1e-9, isign=1, nthreads=1)
    out = {}
else:
    flow.read_parquet(path, workers=None)
    found = qz.null.analyze_counts(flow)
    out = {"total": flow.total, "unit": found.unit, "unit_err": found.unit_err,
           "verdict": found.verdict, "p": found.p_value, "units": int(flow.trial_units.size)}
out["seconds"] = time.perf_counter() - start
out["MiB"] = peak_mebibytes()
print(json.dumps(out))
"""

_DASK = """
import json, sys, time, warnings
import quantize as qz

def main():
    path, units = sys.argv[1], int(sys.argv[2])
    import distributed
    warnings.simplefilter("ignore")
    out = {}
    for n in (1, 2):
        cluster = distributed.LocalCluster(n_workers=n, threads_per_worker=1, processes=True,
                                           host="127.0.0.1", dashboard_address=None)
        client = distributed.Client(cluster)
        flow = qz.counts.Spectrum((0.0, 110.0), (1 / (1 / 20 + units / 550), 20.0), offset="free")
        flow.empty().read_parquet(path, row_groups=range(2 * n), workers=client)
        start = time.perf_counter()
        flow.read_parquet(path, workers=client)
        out[n] = time.perf_counter() - start
        client.close(); cluster.close()
    print(json.dumps(out))

if __name__ == "__main__":
    main()
"""


def file_rows(n: int, units: int) -> list[Row]:
    """From a parquet file: memory, time beside reading and the bare kernel, two workers."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "run.parquet")
        rng = np.random.default_rng(SEED)
        schema = pa.schema([("charge", pa.float64())])
        block = min(2**20, n // 8)
        with pq.ParquetWriter(path, schema, compression="NONE", use_dictionary=False) as writer:
            for start in range(0, n, block):
                x = spectrum_readings(rng, min(block, n - start))
                writer.write_table(pa.table({"charge": x}, schema=schema), row_group_size=block)
        mega = path.stat().st_size / 1e6
        read, kernel, whole = (_child(_READ, path, do, units) for do in ("read", "kernel", "all"))
        script = Path(folder, "two.py")
        script.write_text(_DASK, encoding="utf-8")
        dask = _child(None, script, path, units)
    floor = read["seconds"] + kernel["seconds"]
    label = f"{n:.0e} readings from parquet ({mega:.0f} MB), {whole['units']} units".replace(
        "e+0", "e"
    )
    return [
        (
            f"{label}, spectrum, estimate and verdict",
            f"{whole['seconds']:.1f} s; {whole['verdict']}, {whole['unit']:.5f} ± "
            f"{whole['unit_err']:.1g} (truth 7.3)",
            f"{whole['seconds'] / floor:.2f} of reading ({read['seconds']:.1f} s) and one pass of "
            f"the bare kernel ({kernel['seconds']:.1f} s)",
            "≤ 2",
        ),
        ("the same, memory", f"{whole['MiB']:.0f} MiB", "", "< 1024 MiB"),
        (
            "the same, two Dask workers",
            f"{dask['2']:.1f} s against {dask['1']:.1f} s",
            f"{dask['1'] / dask['2']:.2f} × one",
            "≥ 1.6",
        ),
    ]


def _child(code: str | None, *arguments: object) -> dict[str, float]:
    command = [sys.executable, *(["-c", code] if code else []), *map(str, arguments)]
    done = subprocess.run(
        command, capture_output=True, text=True, check=True, env=os.environ | _ONE_THREAD
    )
    found: dict[str, float] = json.loads(done.stdout.strip().splitlines()[-1])
    return found


def command_rows(runs: int) -> list[Row]:
    """Starting the command line beside importing numpy, CPU time."""

    def cpu(*command: str) -> float:
        probe = (
            "import resource, subprocess, sys; subprocess.run(sys.argv[1:], check=True, "
            "stdout=subprocess.DEVNULL); r = resource.getrusage(resource.RUSAGE_CHILDREN); "
            "print(r.ru_utime + r.ru_stime)"
        )
        done = subprocess.run(
            [sys.executable, "-c", probe, *command], capture_output=True, text=True, check=True
        )
        return float(done.stdout)

    start = [sys.executable, "-c", "from quantize.cli import main; main()"]
    numpys = min(cpu(sys.executable, "-c", "import numpy") for _ in range(runs))
    rows: list[Row] = []
    for option in ("--version", "--help"):
        own = min(cpu(*start, option) for _ in range(runs))
        rows.append(
            (
                f"`quantize {option}`",
                f"{1e3 * own:.0f} ms of CPU",
                f'{own / numpys:.2f} × `python -c "import numpy"`',
                "< 2",
            )
        )
    return rows


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="small sizes, one run each")
    parser.add_argument("--large", action="store_true", help="also 1e8 readings from a file")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    with threadpool_limits(1):
        lines = measured(options)
    print("\n".join(lines))
    keep(options.write, "speed", "Speed and scale", lines)


def measured(options: argparse.Namespace) -> list[str]:
    """The lines of the table."""
    runs = 1 if options.tiny else 7
    fast = "≥ 1000; ≥ 20 × astropy fast, ≥ 60 × scipy"
    rows = small_rows(60, 2000 if options.tiny else 20_000, runs, fast)
    rows += small_rows(20, 2000 if options.tiny else 20_000, runs, "≥ 800")
    n = 20_000 if options.tiny else 1_000_000
    rows += middle_rows(n, n // 10, runs, True)
    rows += answer_rows(n, 10_000, 1 if options.tiny else 3)
    rows += command_rows(2 if options.tiny else 7)
    if options.large or options.tiny:
        rows += file_rows(100_000 if options.tiny else 100_000_000, 10_000)
    lines = [machine(), "", "| work | measured | ratio | target |", "|---|---|---|---|"]
    lines += [f"| {' | '.join(row)} |" for row in rows]
    return [*lines, "", *growth_lines(options.write, tiny=options.tiny)]


if __name__ == "__main__":
    main()
