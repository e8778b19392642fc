"""Verdicts on counts for data whose truth is known: combs, smooth data, levels anywhere.

{runs} data sets a line, a sixth of that at 1e6 readings, each drawn anew, levels anywhere included;
alpha .05, seed 83. A share of false steps of .05 has a standard error of {error:.3f}. *right*: unit
within 3 %. *z*: standard deviation of (unit − truth)/error, and share within 1.96, of the right
ones. Seconds of one core, drawing included.
"""

from __future__ import annotations

import time

import numpy as np
from threadpoolctl import threadpool_limits

import quantize as qz
from benchmarks.runner import Array, Family, Lines, Options, Rng, benchmark, number, row, told

GAIN = 7.3


def detector(s0: float, s1: float, mean: float = 2.2, share: float = 0.0) -> Family:
    """Poisson electrons under noise that grows with them, and a flat share."""

    def draw(rng: Rng, n: int) -> Array:
        k = rng.poisson(mean, size=n)
        x = 12 + GAIN * k + rng.normal(size=n) * np.sqrt(s0**2 + s1**2 * k)
        return np.where(rng.random(n) < share, rng.uniform(0, 80, n), x)

    return draw


def geometric(rng: Rng, n: int) -> Array:
    """Numbers that fall off by a half each, scatter 0.15 of the unit."""
    return 12 + GAIN * (rng.geometric(0.5, n) - 1) + 0.15 * GAIN * rng.normal(size=n)


def anywhere(levels: int, sigma: float = 0.4) -> Family:
    """So many levels, uniform over 40, with random shares; 1.4 apart at least, to be told apart."""

    def draw(rng: Rng, n: int) -> Array:
        while True:
            places = np.sort(rng.uniform(0, 40, size=levels))
            if np.diff(places).min() > 1.4:
                break
        share = rng.dirichlet(np.full(levels, 3.0))
        return rng.choice(places, size=n, p=share) + sigma * rng.normal(size=n)

    return draw


COMBS: dict[str, Family] = {
    "electrons, sigma/u .07 growing": detector(0.5, 0.4),
    "electrons, sigma/u .20 growing": detector(1.5, 0.6),
    "electrons, sigma/u .30": detector(2.2, 0.3),
    "electrons, sigma/u .35": detector(2.555, 0.0),
    "electrons, sigma/u .07, 20 % flat": detector(0.5, 0.4, share=0.2),
    "electrons, mean 6, sigma/u .15 growing": detector(1.1, 0.4, mean=6.0),
    "geometric, sigma/u .15": geometric,
}
OTHERS: dict[str, Family] = {
    "normal": lambda rng, n: rng.normal(20, 5, n),
    "exponential": lambda rng, n: rng.exponential(8, n),
    "uniform": lambda rng, n: rng.uniform(0, 40, n),
    "lognormal": lambda rng, n: rng.lognormal(2, 0.6, n),
    "gamma": lambda rng, n: rng.gamma(2.0, 5.0, n),
    "Student t, 3 degrees": lambda rng, n: 20 + 3 * rng.standard_t(3, n),
    "two lumps": lambda rng, n: np.where(rng.random(n) < 0.4, 10.0, 24.0) + rng.normal(size=n),
    **{f"{k} levels anywhere": anywhere(k) for k in (3, 4, 5, 6, 8)},
}


def line(name: str, n: int, runs: int, offset: str) -> str:
    """One line of the table."""
    comb, rng = name in COMBS, np.random.default_rng([83, n, len(name)])
    unit_range, draw = (3.0 if comb else 1.6, 20.0), (COMBS | OTHERS)[name]
    start = time.process_time()
    found = [qz.null.analyze_counts(draw(rng, n), unit_range, offset=offset) for _ in range(runs)]
    seconds = (time.process_time() - start) / runs
    verdicts = [f.verdict for f in found]
    counts = (verdicts.count(v) / runs for v in ("steps", "no steps", "cannot tell"))
    tail: tuple[object, ...] = ("", "")
    if comb:
        unit, error = np.array([(f.unit, f.unit_err) for f in found]).T
        right = np.abs(unit / GAIN - 1) < 0.03
        z = ((unit - GAIN) / error)[right]
        cover = float(np.mean(np.abs(z) < 1.96)) if z.size else float("nan")
        tail = (right.mean(), f"{z.std():.2f}, {cover:.2f}")
    size = f"{n:.0e}".replace("e+0", "e")
    return row(name, offset, size, *counts, *tail, seconds, digits=2)


@benchmark("Verdicts on counts", number("--runs", 60, 2, "data sets a line"))
def main(options: Options) -> Lines:
    runs, tiny = options.runs, options.tiny
    names = ("data", "offset", "n", "steps", "no steps", "cannot tell", "right", "z", "s")
    yield from told(__doc__, options, *names, error=np.sqrt(0.05 * 0.95 / runs))
    large = [] if tiny else [(1_000_000, max(runs // 6, 2))]
    sizes = [(20_000, runs), *([] if tiny else [(100_000, runs)]), *large]
    with threadpool_limits(1):
        for name in options.first(COMBS, 2):
            yield from (line(name, n, r, "free") for n, r in sizes)
        for name in list(OTHERS)[:: 4 if tiny else 1]:
            for offset in ("zero", "free"):
                yield from (line(name, n, r, offset) for n, r in sizes[:1] + large)
