"""The one table of power: how many readings show steps, by simulation.

``python -m benchmarks.study_plan --store`` makes it again. Power is the share of samples that the
verdict calls "steps"; whole numbers are uniform on −4 … 4, and nothing is known but the readings.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from quantize._support.validation import FloatArray

ALPHAS = (0.10, 0.05, 0.02, 0.01)
"""Levels at which the stored table counts."""
REPEATS = (1, 2, 4)
"""Readings of each state that the stored table has, and that plans compare."""
TABLE = "power_table.json"
_NEAREST = 4
"""Sizes through which a line is drawn where a power is reached."""
SIMULATED = (
    "That number was simulated for whole numbers from -4 to 4, counted from a known zero, with "
    "normal errors of one unknown size."
)
"""What the stored table holds for: behind every sentence with a number from it."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Curve:
    """Power = Φ(intercept + slope·x), with the covariance of the two.

    `first` and `last` are the smallest and largest x that were simulated.
    """

    intercept: float
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    first: float
    last: float

    def reaches(self, power: float) -> tuple[float, float]:
        """The x of this power, and its standard error (by the delta method)."""
        from scipy.special import ndtri

        x = (float(ndtri(power)) - self.intercept) / self.slope
        gradient = np.array([-1.0, -x]) / self.slope
        return x, float(np.sqrt(gradient @ np.array(self.covariance) @ gradient))


def fit_curve(x: ArrayLike, hits: ArrayLike, samples: ArrayLike) -> Curve:
    """Maximum-likelihood probit line through shares (Finney, *Probit Analysis*, 1971, chapter 4).

    Half a sample is added on either side (as if each share had been seen once more, divided), so
    that shares of 0 and 1 do not carry the line away.
    """
    from scipy.special import log_ndtr

    at = np.asarray(x, dtype=float)
    k = np.asarray(hits, dtype=float) + 0.5
    m = np.asarray(samples, dtype=float) + 1.0
    centre, scale = float(at.mean()), float(np.ptp(at)) or 1.0
    design, parameters = np.stack([np.ones_like(at), (at - centre) / scale]), np.zeros(2)
    # Fisher scoring; the information matrix is also the inverse covariance.
    for _ in range(100):
        eta = np.clip(parameters @ design, -8.0, 8.0)
        density = np.exp(-0.5 * eta**2) / np.sqrt(2 * np.pi)
        lower, upper = np.exp(log_ndtr(eta)), np.exp(log_ndtr(-eta))
        weight = m * density**2 / (lower * upper)
        information = (design * weight) @ design.T
        gradient = design @ ((k - m * lower) * density / (lower * upper))
        step = np.linalg.solve(information, gradient)
        parameters = parameters + np.clip(step, -2.0, 2.0)
        if float(np.abs(step).max()) < 1e-10:
            break
    back = np.array([[1.0, -centre / scale], [0.0, 1 / scale]])
    intercept, slope = back @ parameters
    (a, b), (c, d) = (back @ np.linalg.inv(information) @ back.T).tolist()
    return Curve(
        intercept=float(intercept),
        slope=float(slope),
        covariance=((a, b), (c, d)),
        first=float(at.min()),
        last=float(at.max()),
    )


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Rising:
    """Power that rises with x in any shape: no probit line holds from few to many readings.

    Isotonic regression (Barlow and others, *Statistical Inference under Order Restrictions*, 1972).
    """

    x: FloatArray
    hits: FloatArray
    samples: FloatArray
    power: FloatArray

    @classmethod
    def of(cls, x: ArrayLike, hits: ArrayLike, samples: ArrayLike) -> Rising:
        """From hits among samples at rising x."""
        from scipy.optimize import isotonic_regression

        at, k, m = (np.asarray(each, dtype=np.float64) for each in (x, hits, samples))
        return cls(x=at, hits=k, samples=m, power=isotonic_regression(k / m, weights=m).x)

    def reaches(self, power: float) -> tuple[float, float]:
        """The x of this power, and its standard error, by a probit line through what is nearest."""
        above = np.flatnonzero(self.power >= power)
        at = self.x[above[0]] if above.size else self.x[-1]
        near = np.sort(np.argsort(np.abs(self.x - at), kind="stable")[:_NEAREST])
        return fit_curve(self.x[near], self.hits[near], self.samples[near]).reaches(power)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Estimate:
    """A number with its standard error, on a log scale; NaN beyond what was simulated."""

    log: float
    error: float

    @property
    def value(self) -> float:
        """The number itself."""
        return float(np.exp(self.log))

    def ends(self) -> tuple[float, float]:
        """95 % interval."""
        half = 1.96 * self.error
        return float(np.exp(self.log - half)), float(np.exp(self.log + half))


UNKNOWN = Estimate(log=float("nan"), error=float("nan"))


class PowerTable:
    """Simulated shares at places of sigma/unit and repeats, and what follows from them.

    In each cell of the content are numbers of readings, the samples at each, and how many of them
    show steps at each of `ALPHAS`.
    """

    def __init__(self, content: dict[str, Any]) -> None:
        self.content = content
        self._curves: dict[tuple[int, float], dict[float, Rising]] = {}

    def shares(self, alpha: float) -> Iterator[tuple[float, int, int, int, int]]:
        """Every share at one of `ALPHAS`: sigma/unit, repeats, readings, hits, samples."""
        column = ALPHAS.index(alpha)
        for cell in self.content["cells"]:
            for n, row, samples in zip(cell["n"], cell["hits"], cell["pages"], strict=True):
                yield cell["sigma_over_unit"], cell["repeats"], n, row[column], samples

    def curves(self, repeats: int, alpha: float) -> dict[float, Rising]:
        """Power against log n for each sigma/unit, the smallest first, at one of `ALPHAS`."""
        if (repeats, alpha) not in self._curves:
            column = ALPHAS.index(alpha)
            cells = [cell for cell in self.content["cells"] if cell["repeats"] == repeats]
            self._curves[repeats, alpha] = {
                cell["sigma_over_unit"]: Rising.of(
                    np.log(cell["n"]), [row[column] for row in cell["hits"]], cell["pages"]
                )
                for cell in sorted(cells, key=lambda cell: float(cell["sigma_over_unit"]))
            }
        return self._curves[repeats, alpha]

    def readings(
        self, sigma_over_unit: float, repeats: int, power: float, alpha: float
    ) -> Estimate:
        """Readings for a power, interpolated in sigma/unit between the curves.

        The logarithm of the number is interpolated by straight lines; its error is that of the
        simulations and that of the interpolation, as measured.
        """
        curves = self.curves(repeats, alpha)
        places = np.array(list(curves))
        if not places.size or sigma_over_unit > places[-1]:
            return UNKNOWN
        at = max(sigma_over_unit, float(places[0]))
        logs, errors = np.array([curve.reaches(power) for curve in curves.values()]).T
        # Power that no number of readings reached is not to be had by drawing a line on.
        lasts = np.array([curve.x[-1] for curve in curves.values()])
        logs = np.where(logs > lasts + np.log(1.5), np.nan, logs)
        log = float(np.interp(at, places, logs))
        error = float(np.interp(at, places, errors))
        between = 0.0 if np.any(np.isclose(places, at)) else float(self.content["interpolation"])
        return Estimate(log=log, error=float(np.hypot(error, between)))

    def power(self, sigma_over_unit: float, repeats: int, n: float, alpha: float) -> float:
        """Power of n readings, interpolated in sigma/unit between the curves."""
        curves = self.curves(repeats, alpha)
        if sigma_over_unit > max(curves):
            return math.nan
        powers = [np.interp(np.log(n), curve.x, curve.power) for curve in curves.values()]
        return float(np.interp(sigma_over_unit, list(curves), powers))

    def sharpest(self, n: float, repeats: int, power: float, alpha: float) -> Estimate:
        """The largest sigma/unit at which n readings reach the power."""
        places = list(self.curves(repeats, alpha))
        logs = [self.readings(s, repeats, power, alpha).log for s in places]
        known = [(log, s) for log, s in zip(logs, places, strict=True) if np.isfinite(log)]
        if not known or np.log(n) < known[0][0]:
            return UNKNOWN
        needed, spreads = zip(*known, strict=True)
        spread = float(np.interp(np.log(n), np.maximum.accumulate(needed), spreads))
        # The error of log n, carried over to the logarithm of sigma/unit.
        below, here = (self.readings(spread * f, repeats, power, alpha) for f in (0.95, 1.0))
        slope = (here.log - below.log) / -np.log(0.95)
        return Estimate(log=float(np.log(spread)), error=float(here.error / max(slope, 0.1)))


@functools.cache
def stored() -> PowerTable:
    """The table that the library brings."""
    text = files("quantize.null").joinpath(TABLE).read_text(encoding="utf-8")
    return PowerTable(json.loads(text))


def power_of(readings: float, spread: float, repeats: int = 1, alpha: float = 0.05) -> float:
    """Share of samples of so many readings that show steps of this sigma/unit; NaN if not known."""
    most, level = _design(repeats, alpha)
    return stored().power(spread, most, readings * most / repeats, level) if level else math.nan


def readings_needed(
    spread: float, repeats: int = 1, alpha: float = 0.05, *, without: float = 0
) -> int | None:
    """Readings that show steps of this sigma/unit in four cases out of five; None if none do.

    Each charge state is read `repeats` times; beyond the table, as many states are needed as with
    the most repeats that it has, and no number is known at a lower level than its own. Where
    `without` readings have not shown them it is four out of five of such cases, in which more are
    needed: those that show steps then are taken to be all who would have shown them before.
    """
    most, level = _design(repeats, alpha)
    if level is None:
        return None
    shown = min(power_of(without, spread, repeats, alpha), 1 - 1e-9) if without else 0.0
    found = stored().readings(spread, most, 1 - 0.2 * (1 - shown), level)
    return repeats * int(np.ceil(found.value / most - 1e-9)) if np.isfinite(found.log) else None


def _design(repeats: int, alpha: float) -> tuple[int, float | None]:
    """Repeats and level in the table."""
    level = max((a for a in ALPHAS if a <= alpha), default=None)
    return max(m for m in REPEATS if m <= repeats), level
