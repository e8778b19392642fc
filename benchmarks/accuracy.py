"""How often each estimator finds the right unit, and how good the stated intervals are.

Run with ``python -m benchmarks.accuracy``; ``--write docs/tables`` writes the table. Whole numbers
are uniform on the range given, errors normal, the truth is a unit of 1, and an estimate is right
within the tolerance given. The last columns are about the mixture with sigma unknown: how often its
95 % set holds the truth, and how often a half or a third of the unit is called the best.
"""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path

import numpy as np

import quantize as qz
from benchmarks.tables import keep


@dataclasses.dataclass(frozen=True)
class Condition:
    """One cell: readings, sigma/unit, whole numbers from `first` to `last`, range, tolerance."""

    n: int
    spread: float
    first: int = 1
    last: int = 8
    unit_range: tuple[float, float] = (0.3, 3.0)
    tolerance: float = 0.05


SIGNED = {"first": -4, "last": 4, "unit_range": (0.4, 2.5), "tolerance": 0.07}
CONDITIONS = (
    Condition(10, 0.10),
    Condition(10, 0.20),
    Condition(20, 0.25),
    Condition(40, 0.30),
    Condition(100, 0.30),
    Condition(12, 0.20, **SIGNED),  # type: ignore[arg-type]
    Condition(20, 0.20, **SIGNED),  # type: ignore[arg-type]
)
COLUMNS = ("cosine score", "power", "least squares", "sigma known", "sigma unknown", "state twice")


def one_page(condition: Condition, rng: np.random.Generator) -> tuple[list[float], float, float]:
    """Units by each estimator, whether the 95 % set holds 1, and the posterior share of 1."""
    low, high = condition.unit_range
    k = rng.integers(condition.first, condition.last + 1, size=condition.n)
    x = k + condition.spread * rng.normal(size=condition.n)
    again = k + condition.spread * rng.normal(size=condition.n)
    unknown = qz.fit_mixture(x, (low, high))
    twice = qz.Readings(np.concatenate([x, again]), state=np.tile(np.arange(condition.n), 2))
    units = [
        qz.periodogram(x, (low, high)).unit,
        qz.periodogram(x, (low, high), offset="free").unit,
        qz.fit_comb(x, (low, high)).unit,
        qz.fit_mixture(x, (low, high), sigma_range=condition.spread).unit,
        unknown.unit,
        qz.fit_mixture(twice, (low, high)).unit,
    ]
    rows = unknown.interval(0.95)
    holds = bool(np.any((rows[:, 0] <= 1) & (rows[:, 1] >= 1)))
    return units, float(holds), unknown.unit


def cell(condition: Condition, runs: int, seed: int) -> str:
    """One row of the table."""
    rng = np.random.default_rng([seed, condition.n, round(100 * condition.spread)])
    units, holds, best = [], [], []
    for _ in range(runs):
        found, inside, unit = one_page(condition, rng)
        units.append(found)
        holds.append(inside)
        best.append(unit)
    right = np.mean(np.abs(np.array(units) - 1) < condition.tolerance, axis=0)
    fractions = np.abs(np.array(best)[:, None] / np.array([1 / 2, 1 / 3]) - 1)
    submultiple = np.mean(np.any(fractions < condition.tolerance, axis=1))
    shares = " | ".join(f"{share:.2f}" for share in right)
    name = f"{condition.n} | {condition.spread:.2f} | {condition.first} … {condition.last}"
    return f"| {name} | {shares} | {np.mean(holds):.2f} | {submultiple:.3f} |"


def main(arguments: list[str] | None = None) -> None:
    """Simulate, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="three samples a cell, two cells")
    parser.add_argument("--runs", type=int, default=300, help="samples a cell")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    runs = 3 if options.tiny else options.runs
    conditions = CONDITIONS[:2] if options.tiny else CONDITIONS
    lines = [
        f"Share of {runs} simulated samples whose unit is right; standard error at most "
        f'{0.5 / np.sqrt(runs):.3f}. "State twice" reads every state twice, sigma unknown.',
        "",
        "| readings | sigma/unit | integers | "
        + " | ".join(COLUMNS)
        + " | 95 % set holds | u/2, u/3 |",
        "|---" * (3 + len(COLUMNS) + 2) + "|",
    ]
    for condition in conditions:
        lines.append(cell(condition, runs, seed=1))
        print(lines[-1], flush=True)
    keep(options.write, "accuracy", "Accuracy of the estimators", lines)


if __name__ == "__main__":
    main()
