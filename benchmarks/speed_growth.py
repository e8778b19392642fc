"""How the time of a periodogram grows with readings and units, and where the two ways cross."""

from __future__ import annotations

import os
import platform
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np

from quantize.comb import sums
from quantize.comb.sums import harmonic_sums
from quantize.null.counts import MANY


def machine() -> str:
    """What the figures were measured on."""
    name = platform.machine()
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as file:
            name = next(
                line.split(":")[1].strip() for line in file if line.startswith("model name")
            )
    except (OSError, StopIteration):
        pass
    packages = ", ".join(
        f"{package} {version(package)}" for package in ("numpy", "scipy", "astropy", "finufft")
    )
    return (
        f"One core, {name}; Python {platform.python_version()}, {packages}. Best of several runs; "
        "ratios are of times in the same run." + _load()
    )


def _load() -> str:
    try:
        load = os.getloadavg()[0]
    except (AttributeError, OSError):
        return ""
    return f" Load of the machine when the run began: {load:.1f} on {os.cpu_count()} cores."


def seconds(n: int, size: int, runs: int) -> float:
    """Least time of the sums that `periodogram` makes."""
    x = np.random.default_rng(3).uniform(0, 20, n)
    w = np.ones(n)
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        sums.sums_at_many_units(x, w, 0.1, 0.002, size)
        times.append(time.perf_counter() - start)
    return min(times)


def growth_lines(folder: Path | None, *, tiny: bool) -> list[str]:
    """Exponents of growth, the crossover, and the picture."""
    runs = 1 if tiny else 5
    top = 4 if tiny else 7
    readings = [int(10 ** (k / 2)) for k in range(2, 2 * top + 1)]
    units = [int(10 ** (k / 2)) for k in range(4, 2 * top - 1)]
    by_readings = [seconds(n, 20_000, runs) for n in readings]
    by_units = [seconds(10_000, m, runs) for m in units]
    half = len(readings) - 5
    slope_n = _slope(readings[half:], by_readings[half:])
    last = max(len(units) - 5, 0)
    slope_m = _slope(units[last:], by_units[last:])
    pair, exponential, value, mode = _constants(tiny)
    lines = [
        "## Growth",
        "",
        f"Time grows as the power {slope_n:.2f} of the number of readings ({readings[half]} to "
        f"{readings[-1]}, 20,000 units) and as the power {slope_m:.2f} of the number of units "
        f"({units[last]} to {units[-1]}, 10,000 readings); the target is at most 1.05 for both.",
        "",
        "![Time against readings and units](../_static/growth.svg)",
        "",
        "The level evidence of `analyze` is a recursion over pairs of readings, O(n²) in time. It "
        "weighs a random part of larger samples, and above "
        f"{MANY:,} readings `analyze` hands over to counts in bins, whose time beyond one pass "
        "over the readings does not depend on their number.",
        "",
        "The choice between block kernel and nonuniform FFT compares two costs. Constants fitted "
        "in this run, with those in `quantize/comb/large/sums.py` in brackets, in nanoseconds: "
        f"block, a reading and unit {1e9 * pair:.2f} ({1e9 * sums._BLOCK_PAIR:.2f}), an "
        f"exponential {1e9 * exponential:.0f} ({1e9 * sums._BLOCK_EXPONENTIAL:.0f}); FFT, a "
        f"reading {1e9 * value:.0f} ({1e9 * sums._FFT_VALUE:.0f}), a unit {1e9 * mode:.0f} "
        f"({1e9 * sums._FFT_MODE:.0f}).",
    ]
    if folder is not None:
        _draw(folder.parent / "_static" / "growth.svg", readings, by_readings, units, by_units)
    return lines


def _slope(sizes: list[int], times: list[float]) -> float:
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])


def _constants(tiny: bool) -> tuple[float, float, float, float]:
    """Costs of the two ways by least squares over some sizes, relative errors weighed alike."""
    sizes = [(300, 2000), (1000, 1000), (1000, 20_000), (10_000, 100), (10_000, 3000)]
    sizes += [] if tiny else [(100_000, 300), (30_000, 10_000)]
    block, fft, left, right = [], [], [], []
    for n, m in sizes:
        x = np.random.default_rng(3).uniform(0, 20, n)
        w = np.ones(n)
        one = min(
            _timed(lambda x=x, w=w, m=m: harmonic_sums(x, w, 0.1, 0.002, m)) for _ in range(5)
        )
        two = min(
            _timed(lambda x=x, w=w, m=m: sums.nonuniform_fft(x, w, 0.1003, 0.002, m))
            for _ in range(5)
        )
        block.append(1.0)
        left.append([n * m / one, 2 * n * np.sqrt(m) / one])
        fft.append((two - sums._FFT_CALL) / two)
        right.append([n / two, m / two])
    from scipy.optimize import nnls

    pair, exponential = nnls(np.array(left), np.array(block))[0]
    value, mode = nnls(np.array(right), np.maximum(fft, 0.05))[0]
    return float(pair), float(exponential), float(value), float(mode)


def _timed(work: object) -> float:
    start = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - start


def _draw(
    path: Path,
    readings: list[int],
    by_readings: list[float],
    units: list[int],
    by_units: list[float],
) -> None:
    from quantize.show.plots import style

    axes = style.new_axes()
    with style.look():
        axes.loglog(
            readings, by_readings, "o-", color=style.DATA, ms=4, label="readings (20,000 units)"
        )
        axes.loglog(
            units, by_units, "s--", color=style.ACCENT, ms=4, label="units (10,000 readings)"
        )
        axes.loglog(
            [1e4, 1e6], [3e-3, 3e-1], color=style.RULE, lw=1.0, ls=":", label="in proportion"
        )
        axes.set_xlabel("number of readings, or of trial units")
        axes.set_ylabel("seconds")
        axes.set_title("Time of the sums behind a periodogram")
        axes.legend(loc="upper left", fontsize=8)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(style.picture(axes, "svg"))
