"""Periodogram: how well the phases of the readings agree at each trial unit."""

from __future__ import annotations

import dataclasses
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.comb.band import Band, band_for, nearer_offset, trial_frequencies
from quantize.comb.kernel import ComplexArray
from quantize.comb.sums import sums_at_many_units
from quantize.comb.sums_between import SumsBetween, neighbours
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

_MOST_ALTERNATIVES = 10
_MANY_READINGS = 20_000
"""With more, peaks are refined from the sums on the grid instead of from every reading anew."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Periodogram(Result):
    """Result of `periodogram`.

    Attributes
    ----------
    unit : float
        The trial unit with the largest statistic, refined between the grid points.
    unit_err : float
        Its standard error, by the sandwich formula for the maximum of an estimating function.
        It takes the peak as the right one: see `alternatives`. NaN where the statistic has no
        curvature, as at an end of the range or for a single reading with a free offset.
    offset : float
        The offset assumed (fixed) or found (free, in [0, unit)).
    statistic : float
        The largest score (fixed offset) or power (free offset).
    trial_units, score, power : numpy.ndarray, shape (m,)
        The grid, from the largest unit to the smallest. `score` is signed, is standard normal
        at any one unit when there are no steps, and takes the fixed offset (zero if free).
        `power` does not depend on the phase and is never negative.
    alternatives : pandas.DataFrame
        The highest distinct peaks: unit, statistic, relation to the best.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings",)

    unit: float
    unit_err: float
    offset: float
    statistic: float
    trial_units: FloatArray
    score: FloatArray
    power: FloatArray
    alternatives: pd.DataFrame
    band: Band
    settings: dict[str, Any]
    readings: Readings

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Normal interval for the unit, one row (low, high)."""
        half = NormalDist().inv_cdf(0.5 + validation.fraction("prob", prob) / 2) * self.unit_err
        return np.array([[self.unit - half, self.unit + half]])

    def _headline(self) -> str:
        name = "power" if self.settings["offset"] == "free" else "score"
        return f"unit {self.unit:.6g} ± {self.unit_err:.2g}, {name} {self.statistic:.4g}"


def periodogram(
    readings: Any,
    unit_range: Any = None,
    *,
    offset: str | float = "zero",
    harmonics: int = 1,
    oversampling: float = 5.0,
    trial_units: Any = None,
) -> Periodogram:
    r"""Score every trial unit by how well the phases of the readings agree.

    Parameters
    ----------
    readings : Readings, Histogram, Spectrum or array_like, shape (n,)
        Readings with sigmas count in proportion to 1/sigma**2. Counts in bins are corrected for
        the width of the bins. A `Spectrum` brings its own trial units and offset.
    unit_range : (float, float), optional
        Smallest and largest unit, in the readings' own unit. See `default_band` for the rule
        that chooses one.
    offset : {"zero", "free"} or float
        Where the comb starts. A number is subtracted first. With "free" the phase-free power
        decides.
    harmonics : int
        Number of harmonics of 1/u that are added up. One suits broad errors (sigma/u above 0.2),
        more suit sharp combs.
    oversampling : float
        Trial units per turn of the fastest relative phase, at least 2.
    trial_units : array_like, optional
        An own grid instead of the uniform one in 1/u; `unit_range` is then its extent.

    Returns
    -------
    Periodogram

    Raises
    ------
    InputError
        For readings, ranges or grids that cannot be used.

    Notes
    -----
    With weights w and phases :math:`2\pi x/u` the score is
    :math:`\sqrt{2/\sum w^2}\,\sum w\cos(2\pi x/u)`, for equal weights the cosine quantogram; the
    power is :math:`|\sum w e^{2\pi i x/u}|^2/\sum w^2`, the Rayleigh z. With m harmonics the
    scores are added and divided by sqrt(m), the powers are added (half of Z²_m).

    References
    ----------
    Kendall, Phil. Trans. R. Soc. A 276:231 (1974), for the score; Mardia and Jupp, *Directional
    Statistics*, 2000, section 6.3, for the Rayleigh statistic; de Jager et al., A&A 221:180
    (1989), for several harmonics.

    Examples
    --------
    >>> import quantize as qz
    >>> found = qz.periodogram([2.1, 3.9, 6.0, 8.1, 9.9, 14.0], (1.2, 5))
    >>> round(found.unit, 2)
    2.0
    """
    if hasattr(readings, "_periodogram"):
        found: Periodogram = readings._periodogram(
            unit_range,
            offset=offset,
            harmonics=harmonics,
            oversampling=oversampling,
            trial_units=trial_units,
        )
        return found
    # Equal readings have a score at any unit, but no range of their own.
    bare = unit_range is not None or trial_units is not None
    data = as_readings(readings, least=1 if bare else 2)
    mode, b = validation.offset_mode(offset)
    m = validation.count("harmonics", harmonics)
    os = validation.number("oversampling", oversampling)
    if os < 2:
        raise InputError(f"`oversampling` is {os:g}; at least 2 is needed to see every peak.")
    x = data.values - b
    # Power does not depend on the origin; counting from the middle keeps the digits.
    origin = 0.5 * (x.min() + x.max()) if mode == "free" else 0.0
    reach = data.span if mode == "free" else float(max(x.max(), 0.0) - min(x.min(), 0.0))
    w = np.ones(len(data)) if data.sigma is None else _relative_weights(data.sigma)
    between: tuple[SumsBetween, ...] = ()
    if trial_units is not None:
        f = 1 / _own_grid(trial_units)
        band = Band(
            low=float(1 / f[-1]), high=float(1 / f[0]), chosen=False, reason="the grid given"
        )
        sums = [_sums_at(x - origin, w, k * f) for k in range(1, m + 1)]
    else:
        band = band_for(data, unit_range)
        f = trial_frequencies(band, reach * m, os, remedy=nearer_offset(reach, data.span))
        step = (f[-1] - f[0]) / (f.size - 1)
        spare = neighbours(os) if len(data) > _MANY_READINGS else 0
        wide = [
            sums_at_many_units(
                x - origin, w, k * (f[0] - spare * step), k * step, f.size + 2 * spare
            )
            for k in range(1, m + 1)
        ]
        sums = [s[spare : spare + f.size] for s in wide]
        if spare:
            middle = 0.5 * float(x.min() + x.max()) - origin
            between = tuple(
                SumsBetween(
                    first=float(f[0] - spare * step),
                    step=float(step),
                    sums=s,
                    centre=k * middle,
                    oversampling=os * m / k,
                )
                for k, s in enumerate(wide, start=1)
            )
    norm = float(np.sum(w**2))
    power = _power(sums, norm)
    score = _score([s * _turn(k * f * origin) for k, s in enumerate(sums, start=1)], norm)
    view = _View(
        x=x, w=w, norm=norm, harmonics=m, free=mode == "free", origin=origin, between=between
    )
    ranked = view.peaks(f, power if view.free else score)
    best = ranked[0]
    unit = 1 / best[0]
    tolerance = 0.2 * unit / max(reach, 1e-300)
    rows = [{"unit": float(1 / g), "statistic": float(s)} for g, s in ranked]
    return Periodogram(
        unit=float(unit),
        unit_err=view.standard_error(best[0]),
        offset=float(b + view.best_offset(best[0])),
        statistic=float(best[1]),
        trial_units=1 / f,
        score=score,
        power=power,
        alternatives=rivals.table(rows, min(tolerance, 0.1)),
        band=band,
        settings={"offset": offset, "harmonics": m, "oversampling": os},
        readings=data,
    )


def _relative_weights(sigma: FloatArray) -> FloatArray:
    weights: FloatArray = (sigma.min() / sigma) ** 2
    return weights


def _own_grid(trial_units: Any) -> FloatArray:
    grid = validation.float_array("trial_units", trial_units)
    if grid.size == 0 or grid.min() <= 0:
        raise InputError("`trial_units` must hold at least one unit, and each must be above zero.")
    return np.sort(grid)[::-1]


def _sums_at(x: FloatArray, w: FloatArray, f: FloatArray) -> ComplexArray:
    """The plain sum, in blocks of trial frequencies."""
    out = np.empty(f.size, dtype=np.complex128)
    block = max(1, 2**20 // x.size)
    for start in range(0, f.size, block):
        out[start : start + block] = _turn(np.multiply.outer(f[start : start + block], x)) @ w
    return out


def _turn(turns: FloatArray) -> ComplexArray:
    on_circle: ComplexArray = np.exp(2j * np.pi * (turns - np.rint(turns)))
    return on_circle


def _score(sums: list[ComplexArray], norm: float) -> FloatArray:
    total: FloatArray = np.sum([s.real for s in sums], axis=0)
    score: FloatArray = np.sqrt(2 / norm / len(sums)) * total
    return score


def _power(sums: list[ComplexArray], norm: float) -> FloatArray:
    total: FloatArray = np.sum([s.real**2 + s.imag**2 for s in sums], axis=0)
    power: FloatArray = total / norm
    return power


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class _View:
    """The statistic as a function of one frequency, for refining peaks and for their errors."""

    x: FloatArray
    w: FloatArray
    norm: float
    harmonics: int
    free: bool
    origin: float
    between: tuple[SumsBetween, ...] = ()

    def _sums(self, f: float) -> list[ComplexArray]:
        if self.between:
            return [sums.at(np.array([f])) for sums in self.between]
        x = self.x - self.origin
        return [_sums_at(x, self.w, np.array([k * f])) for k in range(1, self.harmonics + 1)]

    def statistic(self, f: float) -> float:
        sums = self._sums(f)
        return float((_power if self.free else _score)(sums, self.norm)[0])

    def peaks(self, f: FloatArray, values: FloatArray) -> list[tuple[float, float]]:
        """(frequency, statistic) of the highest local maxima, refined, best first."""
        from scipy.optimize import minimize_scalar

        inner = np.r_[True, values[1:] >= values[:-1]] & np.r_[values[:-1] > values[1:], True]
        where: IntArray = np.flatnonzero(inner)
        order = np.argsort(-values[where], kind="stable")
        where = where[order[: 2 * _MOST_ALTERNATIVES]]
        found = []
        for i in where:
            low, high = f[max(i - 1, 0)], f[min(i + 1, f.size - 1)]
            best = (float(f[i]), float(values[i]))
            if high > low:
                refined = minimize_scalar(
                    lambda g: -self.statistic(g),
                    bounds=(low, high),
                    method="bounded",
                    options={"xatol": 1e-7 * (high - low)},
                )
                if -refined.fun > best[1]:
                    best = (float(refined.x), float(-refined.fun))
            found.append(best)
        found.sort(key=lambda peak: -peak[1])
        return found[:_MOST_ALTERNATIVES]

    def _direction(self, f: float) -> FloatArray:
        """Phase of each harmonic's sum at `f`; zero for a fixed offset."""
        if not self.free:
            return np.zeros(self.harmonics)
        return np.array([np.angle(sums[0]) for sums in self._sums(f)])

    def best_offset(self, f: float) -> float:
        if not self.free:
            return 0.0
        turn = self._direction(f)[0] / (2 * np.pi)
        return float((self.origin + turn / f) % (1 / f))

    def standard_error(self, f: float) -> float:
        """Sandwich estimate of the standard error of the unit 1/f."""
        x = self.x - self.origin
        psi, curvature = np.zeros(x.size), np.zeros(x.size)
        for k, turn in enumerate(self._direction(f), start=1):
            angle = 2 * np.pi * k * x * f - turn
            psi += k * np.sin(angle)
            curvature += k**2 * np.cos(angle)
        lever = x.copy()
        if self.free:
            total = float(np.sum(self.w * curvature))
            lever -= np.sum(self.w * curvature * x) / total if total > 0 else 0.0
        bread = 2 * np.pi * float(np.sum(self.w * curvature * lever**2))
        meat = float(np.sum((self.w * psi * lever) ** 2))
        return float(np.sqrt(meat) / bread / f**2) if bread > 0 else float("nan")
