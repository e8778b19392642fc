"""Which prior of sigma, and which rule, names the right unit most often where sigma is unknown.

Share of {runs} simulated samples whose unit is right, by prior of sigma and rule; standard error at
most {error:.3f}. Samples are those of ``benchmarks.accuracy``, seed 7. The likelihood is tabulated
on a dense grid of unit and sigma/unit, phases to 1/800 of a unit, so that all see the same numbers.
Columns: readings, sigma/unit, whole numbers. The last column is the largest share of a cell for
which u/2 or u/3 is called the best.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchmarks.accuracy import CONDITIONS, Condition, is_fraction
from benchmarks.runner import Array, Lines, Options, benchmark, number, row, told
from quantize.comb.window import log_unit_excess
from quantize.comb.wrapped import log_wrapped_normal
from quantize.model import sigma_prior

UNITS = 3000
RATIOS = np.exp(np.linspace(np.log(0.02), np.log(5.0), 60))
_PHASES = 400
_TABLE = np.stack(
    [log_wrapped_normal((np.arange(_PHASES) + 0.5) / (2 * _PHASES), r) for r in RATIOS], axis=1
)
Prior = Callable[[Array, float], Array]
Rule = Callable[[Array, Array, float], int]


def log_likelihood(x: Array, unit: Array) -> Array:
    """Σ log density at every unit (rows) and sigma/unit (columns), whole units counted."""
    cycles = x / unit[:, None]
    place = np.minimum((np.abs(cycles - np.rint(cycles)) * 2 * _PHASES).astype(int), _PHASES - 1)
    flat = (place + np.arange(unit.size)[:, None] * _PHASES).ravel()
    counts = np.bincount(flat, minlength=unit.size * _PHASES).reshape(unit.size, _PHASES)
    excess = log_unit_excess(unit, np.full(unit.size, 0.25), float(np.ptp(x)), x.size)
    return counts @ _TABLE - x.size * excess[:, None]


def cut_at(ratio: float) -> Prior:
    """Log-uniform in sigma/unit, falling off about `ratio`, the same at every unit."""

    def prior(unit: Array, spread: float) -> Array:
        taper = sigma_prior.log_taper(RATIOS * sigma_prior.LARGEST_RATIO / ratio)
        return np.tile(taper - np.logaddexp.reduce(taper), (unit.size, 1))

    return prior


def common(unit: Array, spread: float) -> Array:
    """Log-uniform in sigma alone, up to half of the largest unit."""
    sigma = RATIOS * unit[:, None]
    inside = (sigma <= unit.max() / 2) & (sigma >= unit.min() / 15)
    return np.where(inside, 0.0, -np.inf)


def known_ratio(unit: Array, spread: float) -> Array:
    """sigma/unit known: more than anyone can know without the unit."""
    nearest = np.argmin(np.abs(np.log(RATIOS / spread)))
    return np.tile(np.where(np.arange(RATIOS.size) == nearest, 0.0, -np.inf), (unit.size, 1))


def known_sigma(unit: Array, spread: float) -> Array:
    """sigma known: linear weights between the two nearest ratios."""
    place = np.interp(np.log(spread / unit), np.log(RATIOS), np.arange(RATIOS.size))
    weight = np.maximum(1 - np.abs(place[:, None] - np.arange(RATIOS.size)), 0)
    with np.errstate(divide="ignore"):
        return np.log(weight)


def flat_in_unit(unit: Array, spread: float) -> Array:
    """The prior of the library with the unit itself uniform, not its logarithm."""
    return cut_at(sigma_prior.LARGEST_RATIO)(unit, spread) + np.log(unit)[:, None]


def highest(log_mass: Array, log_unit: Array, reach: float) -> int:
    """The highest density in log unit."""
    return int(np.argmax(log_mass))


def within(width: Prior) -> Rule:
    """The most probability within ± `width` of log unit."""

    def rule(log_mass: Array, log_unit: Array, reach: float) -> int:
        running = np.concatenate([[0.0], np.cumsum(np.exp(log_mass - log_mass.max()))])
        half = width(np.exp(log_unit), reach)
        first = np.searchsorted(log_unit, log_unit - half)
        last = np.searchsorted(log_unit, log_unit + half, side="right")
        return int(np.argmax(running[last] - running[first]))

    return rule


same_numbers = within(lambda unit, reach: np.minimum(0.2 * unit / reach, 0.2))
three_percent = within(lambda unit, reach: np.full(unit.size, 0.03))

ROWS: dict[str, tuple[Prior, Rule]] = {
    "sigma known": (known_sigma, same_numbers),
    "sigma/unit known": (known_ratio, same_numbers),
    "one prior for every unit; highest density": (common, highest),
    "one prior for every unit; same numbers": (common, same_numbers),
    **{
        f"cut at {at:g}; same numbers{taken}": (cut_at(at), same_numbers)
        for at, taken in ((0.25, ""), (0.35, " (taken)"), (0.5, ""), (2.0, ""))
    },
    "cut at 0.35; highest density": (cut_at(0.35), highest),
    "cut at 0.35; within 3 %": (cut_at(0.35), three_percent),
    "cut at 0.35, flat in unit; same numbers": (flat_in_unit, same_numbers),
    "cut at 0.35, flat in unit; within 3 %": (flat_in_unit, three_percent),
}


def found(condition: Condition, runs: int) -> Array:
    """Units by every row of the table, shape (runs, rows)."""
    log_unit = np.linspace(*np.log(condition.unit_range), UNITS)
    unit = np.exp(log_unit)
    rng = np.random.default_rng([7, condition.n, round(100 * condition.spread)])
    priors = {prior: prior(unit, condition.spread) for prior, _ in ROWS.values()}
    out = np.empty((runs, len(ROWS)))
    for i in range(runs):
        x, _ = condition.readings(rng)
        known = log_likelihood(x, unit)
        mass = {p: np.logaddexp.reduce(known + table, axis=1) for p, table in priors.items()}
        reach = float(np.abs(x).max())
        out[i] = [unit[rule(mass[prior], log_unit, reach)] for prior, rule in ROWS.values()]
    return out


@benchmark("Choosing the unit where sigma is unknown", number("--runs", 400, 2))
def main(options: Options) -> Lines:
    conditions = options.first(CONDITIONS[1:], 2)
    names = (f"{c.n} at {c.spread:.2f}, {c.first} … {c.last}" for c in conditions)
    about = {"error": 0.5 / np.sqrt(options.runs)}
    yield from told(__doc__, options, "prior of sigma; rule", *names, "u/2, u/3", **about)
    units = [found(c, options.runs) for c in conditions]
    by = list(zip(conditions, units, strict=True))
    right = np.array([np.mean(np.abs(u - 1) < c.tolerance, axis=0) for c, u in by])
    part = np.array([np.mean(is_fraction(u, c.tolerance), axis=0) for c, u in by])
    for name, shares, most in zip(ROWS, right.T, part.max(axis=0), strict=True):
        yield row(name, *shares, f"{most:.3f}", digits=2)
