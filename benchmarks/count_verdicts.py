"""Verdicts on counts for data whose truth is known: combs, smooth data, levels anywhere.

Run with ``python -m benchmarks.count_verdicts``. Seed 83. Every replicate is drawn anew, levels
anywhere included; levels of those stand at least 1.4 apart, so that they can be seen apart.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

import quantize as qz
from benchmarks.tables import keep

SEED = 83
GAIN = 7.3
Draw = Callable[[np.random.Generator, int], np.ndarray]


def detector(s0: float, s1: float, mean: float = 2.2, share: float = 0.0) -> Draw:
    """Poisson electrons under noise that grows with them, and a flat share."""

    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        k = rng.poisson(mean, size=n)
        x = 12 + GAIN * k + rng.normal(size=n) * np.sqrt(s0**2 + s1**2 * k)
        return np.where(rng.random(n) < share, rng.uniform(0, 80, n), x)

    return draw


def geometric(rng: np.random.Generator, n: int) -> np.ndarray:
    """Numbers that fall off by a half each, scatter 0.15 of the unit."""
    return 12 + GAIN * (rng.geometric(0.5, n) - 1) + 0.15 * GAIN * rng.normal(size=n)


def anywhere(levels: int, sigma: float = 0.4) -> Draw:
    """So many levels, uniform over 40, at least 1.4 apart, with random shares."""

    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        while True:
            places = np.sort(rng.uniform(0, 40, size=levels))
            if levels < 2 or np.diff(places).min() > 1.4:
                break
        share = rng.dirichlet(np.full(levels, 3.0))
        return rng.choice(places, size=n, p=share) + sigma * rng.normal(size=n)

    return draw


COMBS: dict[str, Draw] = {
    "electrons, sigma/u .07 growing": detector(0.5, 0.4),
    "electrons, sigma/u .20 growing": detector(1.5, 0.6),
    "electrons, sigma/u .30": detector(2.2, 0.3),
    "electrons, sigma/u .35": detector(2.555, 0.0),
    "electrons, sigma/u .07, 20 % flat": detector(0.5, 0.4, share=0.2),
    "electrons, mean 6, sigma/u .15 growing": detector(1.1, 0.4, mean=6.0),
    "geometric, sigma/u .15": geometric,
}
OTHERS: dict[str, Draw] = {
    "normal": lambda rng, n: rng.normal(20, 5, n),
    "exponential": lambda rng, n: rng.exponential(8, n),
    "uniform": lambda rng, n: rng.uniform(0, 40, n),
    "lognormal": lambda rng, n: rng.lognormal(2, 0.6, n),
    "gamma": lambda rng, n: rng.gamma(2.0, 5.0, n),
    "Student t, 3 degrees": lambda rng, n: 20 + 3 * rng.standard_t(3, n),
    "two lumps": lambda rng, n: np.where(rng.random(n) < 0.4, 10.0, 24.0) + rng.normal(size=n),
    **{f"{k} levels anywhere": anywhere(k) for k in (3, 4, 5, 6, 8)},
}


def row(name: str, draw: Draw, n: int, runs: int, offset: str, comb: bool) -> str:
    """One line of the table."""
    rng = np.random.default_rng([SEED, n, len(name)])
    unit_range = (3.0, 20.0) if comb else (1.6, 20.0)
    found = []
    start = time.process_time()
    for _ in range(runs):
        found.append(qz.null.analyze_counts(draw(rng, n), unit_range, offset=offset))
    seconds = (time.process_time() - start) / runs
    verdicts = [f.verdict for f in found]
    counts = " | ".join(
        f"{verdicts.count(v) / runs:.2f}" for v in ("steps", "no steps", "cannot tell")
    )
    tail = "| | |"
    if comb:
        z = np.array([(f.unit - GAIN) / f.unit_err for f in found])
        right = np.abs(np.array([f.unit for f in found]) / GAIN - 1) < 0.03
        z = z[right]
        cover = float(np.mean(np.abs(z) < 1.96)) if z.size else float("nan")
        tail = f"| {right.mean():.2f} | {z.std():.2f}, {cover:.2f} |"
    return f"| {name} | {offset} | {n:.0e} | {counts} {tail} {seconds:.2f} |".replace("e+0", "e")


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="two runs of a few families")
    parser.add_argument("--runs", type=int, default=60, help="data sets a line (60)")
    parser.add_argument("--quick", action="store_true", help="leave out 1e6 readings")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    runs = 2 if options.tiny else options.runs
    lines = [
        f"{runs} data sets a line, a sixth of that at 1e6 readings; alpha "
        ".05. A share of false steps of .05 has a standard error of "
        f"{np.sqrt(0.05 * 0.95 / runs):.3f}. *right*: unit within 3 %. *z*: standard deviation of "
        "(unit − truth)/error, and share within 1.96, of the right ones. Seconds of one core, "
        "drawing included.",
        "",
        "| data | offset | n | steps | no steps | cannot tell | right | z | s |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    sizes = [(20_000, runs)] if options.tiny else [(20_000, runs), (100_000, runs)]
    large = [] if options.tiny or options.quick else [(1_000_000, max(runs // 6, 2))]
    with threadpool_limits(1):
        for name, draw in list(COMBS.items())[: 2 if options.tiny else None]:
            for n, r in sizes + large:
                lines.append(row(name, draw, n, r, "free", True))
                print(lines[-1], flush=True)
        for name, draw in list(OTHERS.items())[:: 4 if options.tiny else 1]:
            for offset in ("zero", "free"):
                for n, r in sizes[:1] + large:
                    lines.append(row(name, draw, n, r, offset, False))
                    print(lines[-1], flush=True)
    keep(options.write, "count_verdicts", "Verdicts on counts", lines)


if __name__ == "__main__":
    main()
