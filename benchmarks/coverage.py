"""Coverage of the mixture's 95 % set at fixed truths, and how it fails where the model is wrong.

{runs} samples a cell; a coverage of 0.95 is known to ± {half:.2f}. The unit is 1, whole numbers are
uniform on 1 … 8, sigma is unknown to the fit, units from 0.3 to 3 are tried; a column for each
sigma/unit. Seeds 21 and 22.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import stats

import quantize as qz
from benchmarks.accuracy import is_fraction
from benchmarks.combs import comb, one_to_eight
from benchmarks.runner import Array, Lines, Options, Rng, benchmark, head, holds, number, row, told
from quantize.model.mixture import MixtureFit

SIZES = (5, 10, 20, 50, 100, 200)
SPREADS = (0.02, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
UNIT_RANGE = (0.3, 3.0)
TOLERANCE = 0.05
TITLES = {
    "Coverage of the 95 % set": 2,
    "Coverage among samples on which the right mode has more than half of the posterior": 2,
    "Mean posterior share of the right mode": 2,
    "Share of samples whose best unit is a half or a third of the true one": 3,
}
"""The tables, and their digits."""


def share_at_one(fit: MixtureFit) -> float:
    """Share of the mode at 1."""
    near = np.abs(np.exp(fit.marginal.log_unit) - 1) < TOLERANCE
    return float(fit.marginal.mass[near].sum())


def plane_cell(n: int, spread: float, runs: int) -> list[float]:
    """The numbers of `TITLES`."""
    rng, found = np.random.default_rng([21, n, round(100 * spread)]), []
    for _ in range(runs):
        fit = qz.fit_mixture(comb(one_to_eight, spread)(rng, n), UNIT_RANGE)
        found.append((holds(fit, 1), share_at_one(fit), is_fraction(fit.unit, TOLERANCE)))
    held, share, part = (np.array(column) for column in zip(*found, strict=True))
    sure = share > 0.5
    among = held[sure].mean() if sure.sum() >= 20 else np.nan
    return [held.mean(), among, share.mean(), part.mean()]


SIGMA = 0.1
Errors = Callable[[Array, Rng], Array]


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


PLAIN, OUTLIERS = qz.MixtureModel(), qz.MixtureModel(outliers="free")
REMEDIES: dict[str, tuple[Errors, qz.MixtureModel]] = {
    "nothing wrong": (_normal, PLAIN),
    "heavy tails (t, 3 degrees)": (_heavy, PLAIN),
    "heavy tails, outliers allowed": (_heavy, OUTLIERS),
    "offset 0.1 unit, fitted as zero": (_shifted, PLAIN),
    "offset 0.1 unit, offset free": (_shifted, qz.MixtureModel(offset="free")),
    "one in ten misread": (_misread, PLAIN),
    "one in ten misread, outliers allowed": (_misread, OUTLIERS),
    "error grows with the reading": (_growing, PLAIN),
    "error grows, and the model's does": (_growing, qz.MixtureModel(noise="proportional")),
}


def failures(n: int, runs: int) -> Lines:
    """What the plain model says where it is wrong, and the model that is right."""
    for name, (errors, model) in REMEDIES.items():
        rng = np.random.default_rng([22, n, *errors.__name__.encode()])
        fits = [
            qz.fit_mixture(errors(one_to_eight(rng, n), rng), UNIT_RANGE, model=model)
            for _ in range(runs)
        ]
        pulls = [(f.unit - 1) / f.unit_err for f in fits if abs(f.unit - 1) < TOLERANCE]
        pull = (np.mean(pulls), np.std(pulls)) if len(pulls) > 1 else (np.nan, np.nan)
        held = np.mean([holds(fit, 1) for fit in fits])
        right = np.mean(np.abs(np.array([fit.unit for fit in fits]) - 1) < TOLERANCE)
        yield row(name, n, right, held, *pull, digits=2)


@benchmark("Coverage of the posterior set", number("--runs", 200, 2))
def main(options: Options) -> Lines:
    runs, sizes, spreads = options.runs, options.first(SIZES, 2), options.first(SPREADS, 2)
    half = stats.norm.ppf(0.975) * np.sqrt(0.95 * 0.05 / runs)
    yield from told(__doc__, options, half=half)
    cells = {(n, s): plane_cell(n, s, runs) for n in sizes for s in spreads}
    for i, (title, digits) in enumerate(TITLES.items()):
        yield from (f"## {title}", "", *head("readings", *(f"{s:.2f}" for s in spreads)))
        for n in sizes:
            values = (cells[n, s][i] for s in spreads)
            yield row(n, *("" if np.isnan(v) else v for v in values), digits=digits)
        yield ""
    runs = max(runs // 2, 2)
    yield from (
        "## Where the model is wrong",
        "",
        f"{runs} samples a line, sigma 0.1 of the unit. The pull is the error of the unit over its "
        "stated standard error.",
        "",
    )
    names = ("truth, and what is fitted", "readings", "right unit", "95 % set holds")
    yield from (*head(*names, "pull, mean", "sd"), *failures(10, runs))
