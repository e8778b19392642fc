"""Coverage of the mixture's 95 % set at fixed truths, and how it fails where the model is wrong.

The unit is 1, whole numbers are uniform on 1 … 8, sigma is unknown to the fit, units from 0.3 to 3
are tried; seeds 21 and 22.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from scipy import stats

import quantize as qz
from benchmarks.accuracy import is_fraction
from benchmarks.runner import Array, Rng, benchmark, head, holds, number, row
from quantize.model.mixture import MixtureFit

SIZES = (5, 10, 20, 50, 100, 200)
SPREADS = (0.02, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
UNIT_RANGE = (0.3, 3.0)
TOLERANCE = 0.05
TITLES = (
    "Coverage of the 95 % set",
    "Coverage among samples on which the right mode has more than half of the posterior",
    "Mean posterior share of the right mode",
    "Share of samples whose best unit is a half or a third of the true one",
)


def share_at_one(fit: MixtureFit) -> float:
    """Share of the mode at 1."""
    near = np.abs(np.exp(fit.marginal.log_unit) - 1) < TOLERANCE
    return float(fit.marginal.mass[near].sum())


def plane_cell(n: int, spread: float, runs: int) -> list[float]:
    """The numbers of `TITLES`."""
    rng, found = np.random.default_rng([21, n, round(100 * spread)]), []
    for _ in range(runs):
        x = rng.integers(1, 9, size=n) + spread * rng.normal(size=n)
        fit = qz.fit_mixture(x, UNIT_RANGE)
        found.append((holds(fit, 1), share_at_one(fit), is_fraction(fit.unit, TOLERANCE)))
    held, share, part = (np.array(column) for column in zip(*found, strict=True))
    sure = share > 0.5
    among = held[sure].mean() if sure.sum() >= 20 else np.nan
    return [held.mean(), among, share.mean(), part.mean()]


def plane(sizes: tuple[int, ...], spreads: tuple[float, ...], runs: int) -> Iterator[str]:
    """One table for each of the four numbers."""
    cells = {(n, s): plane_cell(n, s, runs) for n in sizes for s in spreads}
    for i, title in enumerate(TITLES):
        yield from (f"## {title}", "", *head("readings", *(f"{s:.2f}" for s in spreads)))
        for n in sizes:
            values = (cells[n, s][i] for s in spreads)
            shown = ["" if np.isnan(v) else f"{v:.2f}" if i < 3 else f"{v:.3f}" for v in values]
            yield f"| {n} | " + " | ".join(shown) + " |"
        yield ""


SIGMA = 0.1


def _normal(k: Array, rng: Rng) -> Array:
    return k + SIGMA * rng.normal(size=k.size)


def _heavy(k: Array, rng: Rng) -> Array:
    return k + SIGMA * rng.standard_t(3, size=k.size)


def _shifted(k: Array, rng: Rng) -> Array:
    return _normal(k, rng) + 0.1


def _misread(k: Array, rng: Rng) -> Array:
    wrong = rng.random(k.size) < 0.1
    return np.where(wrong, rng.uniform(0.5, 8.5, size=k.size), _normal(k, rng))


def _growing(k: Array, rng: Rng) -> Array:
    return k + np.hypot(0.05, 0.03 * k) * rng.normal(size=k.size)


OUTLIERS = qz.MixtureModel(outliers="free")
REMEDIES: tuple[tuple[str, Callable[[Array, Rng], Array], qz.MixtureModel | None], ...] = (
    ("nothing wrong", _normal, None),
    ("heavy tails (t, 3 degrees)", _heavy, None),
    ("heavy tails, outliers allowed", _heavy, OUTLIERS),
    ("offset 0.1 unit, fitted as zero", _shifted, None),
    ("offset 0.1 unit, offset free", _shifted, qz.MixtureModel(offset="free")),
    ("one in ten misread", _misread, None),
    ("one in ten misread, outliers allowed", _misread, OUTLIERS),
    ("error grows with the reading", _growing, None),
    ("error grows, and the model's does", _growing, qz.MixtureModel(noise="proportional")),
)


def failures(n: int, runs: int) -> Iterator[str]:
    """What the plain model says where it is wrong, and the model that is right."""
    for name, errors, model in REMEDIES:
        rng = np.random.default_rng([22, n, *errors.__name__.encode()])
        units, held, pulls = [], [], []
        for _ in range(runs):
            x = errors(rng.integers(1, 9, size=n).astype(float), rng)
            fit = qz.fit_mixture(x, UNIT_RANGE, model=model)
            units.append(fit.unit)
            held.append(holds(fit, 1))
            if abs(fit.unit - 1) < TOLERANCE:
                pulls.append((fit.unit - 1) / fit.unit_err)
        right = np.mean(np.abs(np.array(units) - 1) < TOLERANCE)
        pull = (np.mean(pulls), np.std(pulls)) if len(pulls) > 1 else (np.nan, np.nan)
        yield row(name, n, *(f"{value:.2f}" for value in (right, np.mean(held), *pull)))


@benchmark("Coverage of the posterior set", number("--runs", 200, 2))
def main(options: Any) -> Iterator[str]:
    runs, part = options.runs, slice(2 if options.tiny else None)
    half = stats.norm.ppf(0.975) * np.sqrt(0.95 * 0.05 / runs)
    yield from (f"{runs} samples a cell; a coverage of 0.95 is known to ± {half:.2f}.", "")
    yield from plane(SIZES[part], SPREADS[part], runs)
    runs = max(runs // 2, 2)
    yield from ("## Where the model is wrong", "")
    yield (
        f"{runs} samples a line, sigma 0.1 of the unit. The pull is the error of the unit over its "
        "stated standard error."
    )
    names = ("truth, and what is fitted", "readings", "right unit", "95 % set holds")
    yield from ("", *head(*names, "pull, mean", "sd"), *failures(10, runs))


if __name__ == "__main__":
    main()
