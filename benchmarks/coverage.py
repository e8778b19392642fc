"""Coverage of the mixture's 95 % set at fixed truths, and how it fails where the model is wrong.

Run with ``python -m benchmarks.coverage``; ``--write docs/tables`` writes the table. The unit is 1,
whole numbers are uniform on 1 … 8, sigma is unknown to the fit, units from 0.3 to 3 are tried.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy import stats

import quantize as qz
from benchmarks.tables import keep
from quantize.model.mixture import MixtureFit

SIZES = (5, 10, 20, 50, 100, 200)
SPREADS = (0.02, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
UNIT_RANGE = (0.3, 3.0)
TOLERANCE = 0.05


def judged(fit: MixtureFit) -> tuple[bool, float, float]:
    """Whether the 95 % set holds 1, the share of the mode at 1, and the best unit."""
    rows = fit.interval(0.95)
    near = np.abs(np.exp(fit.marginal.log_unit) - 1) < TOLERANCE
    holds = bool(np.any((rows[:, 0] <= 1) & (rows[:, 1] >= 1)))
    return holds, float(fit.marginal.mass[near].sum()), fit.unit


def plane_cell(n: int, spread: float, runs: int) -> list[float]:
    """Coverage, coverage where the right mode has more than half, its mean share, share of u/2."""
    rng = np.random.default_rng([21, n, round(100 * spread)])
    found = []
    for _ in range(runs):
        x = rng.integers(1, 9, size=n) + spread * rng.normal(size=n)
        found.append(judged(qz.fit_mixture(x, UNIT_RANGE)))
    holds, share, unit = (np.array(column) for column in zip(*found, strict=True))
    sure = share > 0.5
    fractions = (np.abs(2 * unit - 1) < TOLERANCE) | (np.abs(3 * unit - 1) < TOLERANCE)
    among = float(holds[sure].mean()) if sure.sum() >= 20 else np.nan
    return [float(holds.mean()), among, float(share.mean()), float(fractions.mean())]


def plane(sizes: tuple[int, ...], spreads: tuple[float, ...], runs: int) -> list[str]:
    """One table for each of the four numbers."""
    titles = (
        "Coverage of the 95 % set",
        "Coverage among samples on which the right mode has more than half of the posterior",
        "Mean posterior share of the right mode",
        "Share of samples whose best unit is a half or a third of the true one",
    )
    cells = {(n, s): plane_cell(n, s, runs) for n in sizes for s in spreads}
    lines = []
    for i, title in enumerate(titles):
        lines += [
            f"## {title}",
            "",
            "| readings | " + " | ".join(f"{s:.2f}" for s in spreads) + " |",
        ]
        lines.append("|---" * (1 + len(spreads)) + "|")
        for n in sizes:
            row = [cells[n, s][i] for s in spreads]
            shown = ["" if np.isnan(v) else f"{v:.2f}" if i < 3 else f"{v:.3f}" for v in row]
            lines.append(f"| {n} | " + " | ".join(shown) + " |")
        lines.append("")
    return lines


Errors = Callable[[np.ndarray, np.random.Generator], np.ndarray]
SIGMA = 0.1


def _normal(k: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return k + SIGMA * rng.normal(size=k.size)


def _heavy(k: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return k + SIGMA * rng.standard_t(3, size=k.size)


def _shifted(k: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return _normal(k, rng) + 0.1


def _misread(k: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    wrong = rng.random(k.size) < 0.1
    return np.where(wrong, rng.uniform(0.5, 8.5, size=k.size), _normal(k, rng))


def _growing(k: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return k + np.hypot(0.05, 0.03 * k) * rng.normal(size=k.size)


def failures(sizes: tuple[int, ...], runs: int) -> list[str]:
    """What the plain model says where it is wrong, and the model that is right."""
    remedies: list[tuple[str, Errors, qz.MixtureModel | None]] = [
        ("nothing wrong", _normal, None),
        ("heavy tails (t, 3 degrees)", _heavy, None),
        ("heavy tails, outliers allowed", _heavy, qz.MixtureModel(outliers="free")),
        ("offset 0.1 unit, fitted as zero", _shifted, None),
        ("offset 0.1 unit, offset free", _shifted, qz.MixtureModel(offset="free")),
        ("one in ten misread", _misread, None),
        ("one in ten misread, outliers allowed", _misread, qz.MixtureModel(outliers="free")),
        ("error grows with the reading", _growing, None),
        ("error grows, and the model's does", _growing, qz.MixtureModel(noise="proportional")),
    ]
    lines = [
        "## Where the model is wrong",
        "",
        f"{runs} samples a line, sigma 0.1 of the unit. The pull is the error of the unit over its "
        "stated standard error.",
        "",
        "| truth, and what is fitted | readings | right unit | 95 % set holds | pull, mean | sd |",
        "|---|---|---|---|---|---|",
    ]
    for n in sizes:
        for name, errors, model in remedies:
            rng = np.random.default_rng([22, n, *errors.__name__.encode()])
            found, pulls = [], []
            for _ in range(runs):
                x = errors(rng.integers(1, 9, size=n).astype(float), rng)
                fit = qz.fit_mixture(x, UNIT_RANGE, model=model)
                found.append(judged(fit))
                if abs(fit.unit - 1) < TOLERANCE:
                    pulls.append((fit.unit - 1) / fit.unit_err)
            holds, _, unit = (np.array(column) for column in zip(*found, strict=True))
            right = np.mean(np.abs(unit - 1) < TOLERANCE)
            mean, sd = (np.mean(pulls), np.std(pulls)) if len(pulls) > 1 else (np.nan, np.nan)
            lines.append(
                f"| {name} | {n} | {right:.2f} | {np.mean(holds):.2f} | {mean:.2f} | {sd:.2f} |"
            )
            print(lines[-1], flush=True)
    return lines


def main(arguments: list[str] | None = None) -> None:
    """Simulate, and print or write the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="two samples a cell, four cells")
    parser.add_argument("--runs", type=int, default=200, help="samples a cell")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    runs = 2 if options.tiny else options.runs
    sizes, spreads = (SIZES[:2], SPREADS[:2]) if options.tiny else (SIZES, SPREADS)
    half = stats.norm.ppf(0.975) * np.sqrt(0.95 * 0.05 / runs)
    lines = [
        f"{runs} samples a cell; a coverage of 0.95 is known to ± {half:.2f}.",
        "",
        *plane(sizes, spreads, runs),
    ]
    print("\n".join(lines), flush=True)
    lines += failures((10,), max(runs // 2, 2))
    keep(options.write, "coverage", "Coverage of the posterior set", lines)


if __name__ == "__main__":
    main()
