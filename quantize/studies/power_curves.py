"""Power as a curve: a probit line through simulated shares, and where it reaches what is wished."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import json
from collections.abc import Iterator, Sequence
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from quantize._support.validation import FloatArray
from quantize.studies.summary import binomial_interval

ALPHAS = (0.10, 0.05, 0.02, 0.01)
"""Levels at which the stored table counts."""
TABLE = "power_table.json"


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

    def power(self, x: ArrayLike) -> FloatArray:
        """Power at x."""
        from scipy.special import ndtr

        power: FloatArray = ndtr(self.intercept + self.slope * np.asarray(x, dtype=float))
        return power

    def reaches(self, power: float) -> tuple[float, float]:
        """The x of this power, and its standard error (by the delta method)."""
        from scipy.special import ndtri

        x = (float(ndtri(power)) - self.intercept) / self.slope
        gradient = np.array([-1.0, -x]) / self.slope
        return x, float(np.sqrt(gradient @ np.array(self.covariance) @ gradient))


def fit_curve(x: Sequence[float], hits: Sequence[int], pages: Sequence[int]) -> Curve:
    """Maximum-likelihood probit line through shares.

    Half a page is added on either side (as if each share had been seen once more, divided), so that
    shares of 0 and 1 do not carry the line away.

    References
    ----------
    Finney, *Probit Analysis*, 3rd ed., Cambridge 1971, chapter 4.

    Examples
    --------
    >>> curve = fit_curve([1.0, 2.0, 3.0], [20, 50, 80], [100, 100, 100])
    >>> round(curve.reaches(0.5)[0], 3)
    2.0
    """
    from scipy.special import log_ndtr

    at = np.asarray(x, dtype=float)
    k = np.asarray(hits, dtype=float) + 0.5
    m = np.asarray(pages, dtype=float) + 1.0
    centre, scale = float(at.mean()), float(np.ptp(at)) or 1.0
    z = (at - centre) / scale
    parameters = np.zeros(2)
    # Fisher scoring; the information matrix is also the inverse covariance.
    for _ in range(100):
        eta = np.clip(parameters[0] + parameters[1] * z, -8.0, 8.0)
        density = np.exp(-0.5 * eta**2) / np.sqrt(2 * np.pi)
        lower, upper = np.exp(log_ndtr(eta)), np.exp(log_ndtr(-eta))
        weight = m * density**2 / (lower * upper)
        design = np.stack([np.ones_like(z), z])
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


@contextlib.contextmanager
def using(table: dict[str, Any]) -> Iterator[None]:
    """Answer from another table for a while."""
    _own.append(table)
    stored_curves.cache_clear()
    try:
        yield
    finally:
        _own.remove(table)
        stored_curves.cache_clear()


_own: list[dict[str, Any]] = []


def stored() -> dict[str, Any]:
    """The stored simulations; ``python -m benchmarks.study_plan`` makes them again."""
    return _own[-1] if _own else _shipped()


@functools.cache
def _shipped() -> dict[str, Any]:
    text = files("quantize.studies").joinpath(TABLE).read_text(encoding="utf-8")
    table: dict[str, Any] = json.loads(text)
    return table


def share_of(spread: float, m: int, n: float, hits: int, pages: int) -> dict[str, float]:
    """A simulated share as a row of `Plan.curves`."""
    low, high = binomial_interval(hits, pages)
    return {
        "sigma_over_unit": spread,
        "repeats": m,
        "readings": n,
        "power": hits / pages,
        "low": low,
        "high": high,
    }


def stored_shares(alpha: float) -> list[dict[str, float]]:
    """Every share of the stored table at one of `ALPHAS`."""
    column = ALPHAS.index(alpha)
    return [
        share_of(cell["sigma_over_unit"], cell["repeats"], n, row[column], pages)
        for cell in stored()["cells"]
        for n, row, pages in zip(cell["n"], cell["hits"], cell["pages"], strict=True)
    ]


@functools.cache
def stored_curves(alpha: float) -> dict[tuple[int, float], Curve]:
    """Power against log n for (repeats, sigma/unit), at one of `ALPHAS`."""
    column = ALPHAS.index(alpha)
    return {
        (cell["repeats"], cell["sigma_over_unit"]): fit_curve(
            np.log(cell["n"]).tolist(), [row[column] for row in cell["hits"]], cell["pages"]
        )
        for cell in stored()["cells"]
    }


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
        return float(np.exp(self.log - 1.96 * self.error)), float(
            np.exp(self.log + 1.96 * self.error)
        )


UNKNOWN = Estimate(log=float("nan"), error=float("nan"))


def from_table(sigma_over_unit: float, repeats: int, power: float, alpha: float) -> Estimate:
    """Readings for a power, interpolated in sigma/unit between the stored curves.

    The logarithm of the number of readings is interpolated by straight lines; its error is that
    of the simulations and that of the interpolation, as measured.
    """
    curves = {s: curve for (m, s), curve in stored_curves(alpha).items() if m == repeats}
    places = np.array(sorted(curves))
    if not places.size or sigma_over_unit > places[-1]:
        return UNKNOWN
    at = max(sigma_over_unit, float(places[0]))
    logs, errors = np.array([curves[s].reaches(power) for s in places.tolist()]).T
    # Power that no number of readings reached is not to be had by drawing the line on.
    lasts = np.array([curves[s].last for s in places.tolist()])
    logs = np.where(logs > lasts + np.log(1.5), np.nan, logs)
    log = float(np.interp(at, places, logs))
    error = float(np.interp(at, places, errors))
    between = 0.0 if np.any(np.isclose(places, at)) else float(stored()["interpolation"])
    return Estimate(log=log, error=float(np.hypot(error, between)))


def sharpest(n: float, repeats: int, power: float, alpha: float) -> float:
    """The largest sigma/unit at which n readings reach the power; NaN where none in the table."""
    curves = {s: curve for (m, s), curve in stored_curves(alpha).items() if m == repeats}
    places = sorted(curves)
    logs = [from_table(s, repeats, power, alpha).log for s in places]
    known = [(log, s) for log, s in zip(logs, places, strict=True) if np.isfinite(log)]
    if not known or np.log(n) < known[0][0]:
        return float("nan")
    needed, spreads = zip(*known, strict=True)
    return float(np.interp(np.log(n), np.maximum.accumulate(needed), spreads))
