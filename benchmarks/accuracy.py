"""How often each estimator finds the right unit, and how good the stated intervals are.

Share of {runs} simulated samples whose unit is right; standard error at most {error:.3f}. Whole
numbers are uniform on the range given, errors normal, the truth is a unit of 1; seed 1. "State
twice" reads every state twice, sigma unknown. The last columns are about the mixture with sigma
unknown.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

import quantize as qz
from benchmarks.runner import Array, Lines, Options, Rng, benchmark, holds, number, row, told


class Condition(NamedTuple):
    """One cell: readings, sigma/unit, whole numbers from `first` to `last`, range, tolerance."""

    n: int
    spread: float
    first: int = 1
    last: int = 8
    unit_range: tuple[float, float] = (0.3, 3.0)
    tolerance: float = 0.05

    def readings(self, rng: Rng) -> tuple[Array, Array]:
        """One sample, and its whole numbers."""
        k = rng.integers(self.first, self.last + 1, size=self.n)
        return k + self.spread * rng.normal(size=self.n), k


SIGNED = (-4, 4, (0.4, 2.5), 0.07)
CONDITIONS = (
    *(Condition(*pair) for pair in ((10, 0.10), (10, 0.20), (20, 0.25), (40, 0.30), (100, 0.30))),
    Condition(12, 0.20, *SIGNED),
    Condition(20, 0.20, *SIGNED),
)
COLUMNS = ("cosine score", "power", "least squares", "sigma known", "sigma unknown", "state twice")


def is_fraction(unit: Array, tolerance: float) -> Array:
    """Whether a unit is a half or a third of the true one, 1."""
    off = np.abs(np.asarray(unit)[..., None] / np.array([1 / 2, 1 / 3]) - 1)
    return np.any(off < tolerance, axis=-1)


def one_page(condition: Condition, rng: Rng) -> tuple[list[float], bool, float]:
    """Units by each estimator, whether the 95 % set of the mixture holds 1, and its unit."""
    units, (x, k) = condition.unit_range, condition.readings(rng)
    again = k + condition.spread * rng.normal(size=condition.n)
    unknown = qz.fit_mixture(x, units)
    twice = qz.Readings(np.concatenate([x, again]), state=np.tile(np.arange(condition.n), 2))
    found = (
        qz.periodogram(x, units),
        qz.periodogram(x, units, offset="free"),
        qz.fit_comb(x, units),
        qz.fit_mixture(x, units, sigma_range=condition.spread),
        unknown,
        qz.fit_mixture(twice, units),
    )
    return [fit.unit for fit in found], holds(unknown, 1.0), unknown.unit


@benchmark("Accuracy of the estimators", number("--runs", 300, 3))
def main(options: Options) -> Lines:
    names = ("readings", "sigma/unit", "integers", *COLUMNS, "95 % set holds", "u/2, u/3")
    yield from told(__doc__, options, *names, error=0.5 / np.sqrt(options.runs))
    for c in options.first(CONDITIONS, 2):
        rng = np.random.default_rng([1, c.n, round(100 * c.spread)])
        pages = [one_page(c, rng) for _ in range(options.runs)]
        units, held, best = (np.array(column) for column in zip(*pages, strict=True))
        right = np.mean(np.abs(units - 1) < c.tolerance, axis=0)
        part = f"{np.mean(is_fraction(best, c.tolerance)):.3f}"
        place = (c.n, c.spread, f"{c.first} … {c.last}")
        yield row(*place, *right, np.mean(held), part, digits=2)
