"""Periodogram: how well the phases of the readings agree at each trial unit."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Protocol, Unpack, runtime_checkable

import numpy as np
import numpy.typing as npt

from quantize._support import validation
from quantize._support.errors import InputError, explained
from quantize._support.results import NormalUnit, Result
from quantize._support.validation import Columns, FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.comb.assignments import pull_on_unit
from quantize.comb.sums import (
    ComplexArray,
    SumsBetween,
    blocks,
    neighbours,
    sums_at,
    sums_at_many_units,
    unit_circle,
)
from quantize.comb.unit_range import (
    UnitRange,
    enough_oversampling,
    nearer_offset,
    trial_frequencies,
    unit_range_for,
)
from quantize.readings import Readings, as_readings
from quantize.recording import with_shared_rounding

if TYPE_CHECKING:
    import pandas as pd

_MOST_ALTERNATIVES = 10
_BLOCK = 2**14
_MANY_READINGS = 20_000
_GOLDEN, _SECTIONS = 0.5 * (5**0.5 - 1), 11
"""With more, peaks are refined from the sums on the grid instead of from every reading anew."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Periodogram(NormalUnit, Result):
    """Result of `periodogram`.

    Attributes
    ----------
    unit : float
        The trial unit with the largest statistic, refined between the grid points.
    unit_err : float
        Its standard error, by the sandwich formula for the maximum of an estimating function,
        with the rounding error that readings of one level share (see `Readings.steps`). It takes
        the peak as the right one: see `alternatives`. NaN where the statistic has no
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
    unit_range: UnitRange
    settings: dict[str, Any]
    readings: Readings

    def _headline(self) -> str:
        name = "power" if self.settings["offset"] == "free" else "score"
        return f"unit {self.unit:.6g} ± {self.unit_err:.2g}, {name} {self.statistic:.4g}"


@runtime_checkable
class HasPeriodogram(Protocol):
    """Counts or sums of readings that know their own periodogram."""

    def _periodogram(
        self, unit_range: Any, *, offset: Any, harmonics: int, oversampling: float, trial_units: Any
    ) -> Periodogram: ...


@explained(Columns)
def periodogram(
    readings: Readings | HasPeriodogram | npt.ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Literal["zero", "free"] | float = "zero",
    harmonics: int = 1,
    oversampling: float = 5.0,
    trial_units: npt.ArrayLike | None = None,
    **columns: Unpack[Columns],
) -> Periodogram:
    r"""Score every trial unit by how well the phases of the readings agree.

    Parameters
    ----------
    readings : Readings, Histogram, Spectrum or array_like, shape (n,)
        The measured values. Readings with sigmas count in proportion to 1/sigma**2. Counts in bins
        (`Histogram`) are corrected for the width of the bins. A `Spectrum` brings its own trial
        units and offset.
    unit_range : (float, float), optional
        Smallest and largest trial unit, in the readings' own unit. Left out, `default_unit_range`
        chooses them from span, sigma and resolution.
    offset : {"zero", "free"} or float
        Where the multiples of the unit are counted from. A number is subtracted from the readings
        first. With "free" it is unknown, and the phase-free power decides.
    harmonics : int
        Number of harmonics of 1/u that are added up, at least 1. One suits broad errors (sigma/u
        above 0.2), more suit sharp combs.
    oversampling : float
        Trial units per cycle of the fastest relative phase, at least 2: the higher it is, the
        finer the grid.
    trial_units : array_like, shape (m,), optional
        Units above zero to be tried instead of the uniform grid in 1/u; `unit_range` is then their
        extent.
    **columns
        `sigma`, `state`, `resolution` or `unit_name` of plain values, as in `Readings`.

    Returns
    -------
    Periodogram
        The best unit with its standard error, the statistic at every trial unit, and the rival
        units.

    Raises
    ------
    InputError
        For readings, ranges or grids that cannot be used, or a grid that would not fit in memory.

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
    if isinstance(readings, HasPeriodogram) and not columns:
        return readings._periodogram(
            unit_range,
            offset=offset,
            harmonics=harmonics,
            oversampling=oversampling,
            trial_units=trial_units,
        )
    # Equal readings have a score at any unit, but no range of their own.
    bare = unit_range is not None or trial_units is not None
    data = as_readings(readings, least=1 if bare else 2, columns=columns)
    mode, start = validation.offset_mode(offset)
    m = validation.count("harmonics", harmonics)
    os = enough_oversampling(oversampling)
    view = _View.of(data, start, harmonics=m, free=mode == "free")
    if trial_units is not None:
        f = 1 / own_grid(trial_units)
        unit_range = UnitRange(
            low=float(1 / f[-1]), high=float(1 / f[0]), chosen=False, reason="the grid given"
        )
        sums = view.sums(f)
    else:
        unit_range = unit_range_for(data, unit_range)
        remedy = nearer_offset(view.reach, data.span)
        f = trial_frequencies(unit_range, view.reach * m, os, remedy=remedy)
        sums, between = view.sums_on_grid(f, os)
        view = dataclasses.replace(view, between=between)
    settings = {"offset": offset, "harmonics": m, "oversampling": os}
    return _result(
        view, f, sums, unit_range=unit_range, settings=settings, readings=data, start=start
    )


def _result(
    view: _View, f: FloatArray, sums: list[ComplexArray], *, start: float, **of_input: Any
) -> Periodogram:
    """What was found at the frequencies `f`; the readings of `view` are those less `start`."""
    power = _power(sums, view.norm)
    from_zero = [s * unit_circle(k * f * view.origin) for k, s in enumerate(sums, start=1)]
    score = _score(from_zero, view.norm)
    ranked = refined_peaks(view.statistic, f, power if view.free else score)
    best, statistic = ranked[0]
    tolerance = 0.2 / best / max(view.reach, 1e-300)
    rows = [{"unit": float(1 / g), "statistic": float(s)} for g, s in ranked]
    return Periodogram(
        unit=float(1 / best),
        unit_err=view.standard_error(best),
        offset=float(start + view.best_offset(best)),
        statistic=float(statistic),
        trial_units=1 / f,
        score=score,
        power=power,
        alternatives=rivals.table(rows, min(tolerance, 0.1)),
        **of_input,
    )


def refined_peaks(
    statistic: Callable[[FloatArray], FloatArray],
    f: FloatArray,
    values: FloatArray,
    most: int = _MOST_ALTERNATIVES,
) -> list[tuple[float, float]]:
    """(frequency, statistic) of the highest local maxima of `values`, refined, best first.

    Golden sections between the neighbours on the grid, of all maxima at once, then `_vertices`.
    """
    inner = np.r_[True, values[1:] >= values[:-1]] & np.r_[values[:-1] > values[1:], True]
    where: IntArray = np.flatnonzero(inner)
    where = where[np.argsort(-values[where], kind="stable")[: 2 * most]]
    low, high = f[np.maximum(where - 1, 0)], f[np.minimum(where + 1, f.size - 1)]
    ends, width = (low, high), high - low
    left, right = high - _GOLDEN * width, low + _GOLDEN * width
    at_left, at_right = statistic(left), statistic(right)
    for _ in range(_SECTIONS):
        lower = at_left > at_right
        low, high = np.where(lower, low, left), np.where(lower, right, high)
        kept, at_kept = np.where(lower, left, right), np.where(lower, at_left, at_right)
        inside = low + high - kept
        at_inside = statistic(inside)
        left, right = np.where(lower, inside, kept), np.where(lower, kept, inside)
        at_left, at_right = np.where(lower, at_inside, at_kept), np.where(lower, at_kept, at_inside)
    at = _vertices(statistic, 0.5 * (low + high), 0.5 * (high - low))
    at = np.clip(_vertices(statistic, at, 1e-4 * width), *ends)
    found = statistic(at)
    better = found > values[where]
    place, height = np.where(better, at, f[where]), np.where(better, found, values[where])
    order = np.argsort(-height, kind="stable")[:most]
    return list(zip(place[order].tolist(), height[order].tolist(), strict=True))


def _vertices(
    statistic: Callable[[FloatArray], FloatArray], f: FloatArray, step: FloatArray
) -> FloatArray:
    """The tops of the parabolas through three points about maxima.

    A search by values alone ends within the root of their rounding error, at which the residuals
    of sharp readings are far from settled.
    """
    below, here, above = statistic(np.concatenate([f - step, f, f + step])).reshape(3, -1)
    bend = below - 2 * here + above
    near = (bend < 0) & (np.abs(below - above) < -2 * bend)
    shift = np.where(near, below - above, 0.0) / np.where(near, bend, 1.0)
    return f + 0.5 * step * shift


def own_grid(trial_units: npt.ArrayLike) -> FloatArray:
    """Trial units that were given, checked, the largest first."""
    grid = validation.float_array("trial_units", trial_units)
    if grid.size == 0 or grid.min() <= 0:
        raise InputError("`trial_units` must hold at least one unit, and each must be above zero.")
    return np.sort(grid)[::-1]


def _score(sums: list[ComplexArray], norm: float) -> FloatArray:
    return np.asarray(np.sqrt(2 / norm / len(sums)) * np.sum([s.real for s in sums], axis=0))


def _power(sums: list[ComplexArray], norm: float) -> FloatArray:
    return np.asarray(np.sum([s.real**2 + s.imag**2 for s in sums], axis=0) / norm)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class _View:
    """The statistic as a function of one frequency, for refining peaks and for their errors."""

    x: FloatArray
    w: FloatArray
    harmonics: int
    free: bool
    between: tuple[SumsBetween, ...] = ()
    step: float | None = None

    @classmethod
    def of(cls, data: Readings, start: float, *, harmonics: int, free: bool) -> _View:
        """That of readings whose multiples are counted from `start`."""
        step = data.rounding_step
        x = data.values - start
        return cls(x=x, w=data.weights, harmonics=harmonics, free=free, step=step)

    @functools.cached_property
    def norm(self) -> float:
        """Sum of the squared weights."""
        return float(self.w @ self.w)

    @functools.cached_property
    def origin(self) -> float:
        """Power does not depend on the origin; counting from the middle keeps the digits."""
        return 0.5 * float(self.x.min() + self.x.max()) if self.free else 0.0

    @property
    def reach(self) -> float:
        """Largest distance between two values, where the offset is fixed also from zero."""
        if self.free:
            return float(np.ptp(self.x))
        return float(max(self.x.max(), 0.0) - min(self.x.min(), 0.0))

    def sums(self, f: FloatArray) -> list[ComplexArray]:
        """The sums of every harmonic at any frequencies."""
        if self.between:
            return [sums.at(f) for sums in self.between]
        x = self.x - self.origin
        return [sums_at(x, self.w, k * f) for k in range(1, self.harmonics + 1)]

    def sums_on_grid(
        self, f: FloatArray, oversampling: float
    ) -> tuple[list[ComplexArray], tuple[SumsBetween, ...]]:
        """The sums at the frequencies of a grid and, for many readings, what lies between them."""
        x, m = self.x - self.origin, self.harmonics
        step = float(f[-1] - f[0]) / (f.size - 1)
        spare = neighbours(oversampling) if x.size > _MANY_READINGS else 0
        first, size = float(f[0]) - spare * step, f.size + 2 * spare
        orders = range(1, m + 1)
        wide = [sums_at_many_units(x, self.w, k * first, k * step, size) for k in orders]
        between: tuple[SumsBetween, ...] = ()
        if spare:
            middle = 0.5 * float(self.x.min() + self.x.max()) - self.origin
            between = tuple(
                SumsBetween(
                    first=first,
                    step=step,
                    sums=sums,
                    centre=k * middle,
                    oversampling=oversampling * m / k,
                )
                for k, sums in zip(orders, wide, strict=True)
            )
        return [sums[spare : spare + f.size] for sums in wide], between

    def statistic(self, f: FloatArray) -> FloatArray:
        """Score or power at any frequencies."""
        return (_power if self.free else _score)(self.sums(f), self.norm)

    def _direction(self, f: float) -> FloatArray:
        """Phase of each harmonic's sum at `f`; zero for a fixed offset."""
        if not self.free:
            return np.zeros(self.harmonics)
        return np.array([np.angle(sums[0]) for sums in self.sums(np.array([f]))])

    def best_offset(self, f: float) -> float:
        """The offset of the multiples of 1/f, in [0, 1/f); zero where it is fixed."""
        if not self.free:
            return 0.0
        cycles = self._direction(f)[0] / (2 * np.pi)
        return float((self.origin + cycles / f) % (1 / f))

    def standard_error(self, f: float) -> float:
        """Sandwich estimate of the standard error of the unit 1/f, shared rounding included."""
        directions = self._direction(f) / (2 * np.pi)
        # Sums of curvatures and of squared slopes, by the power of the reading.
        moments = np.zeros((2, 3))
        # Of so many that sums are interpolated, single precision says enough.
        precision = np.float32 if self.between else np.float64
        for part in blocks(self.x.size, _BLOCK):
            x, w = self.x[part] - self.origin, self.w[part]
            slope, curvature = np.zeros((2, x.size))
            for k, direction in enumerate(directions, start=1):
                cycles = k * f * x - direction
                angle = (2 * np.pi * (cycles - np.rint(cycles))).astype(precision)
                slope += k * np.sin(angle)
                curvature += k**2 * np.cos(angle)
            for moment, term in zip(moments, (w * curvature, np.square(w * slope)), strict=True):
                moment += term.sum(), term @ x, (term * x) @ x
        centre = moments[0, 1] / moments[0, 0] if self.free and moments[0, 0] > 0 else 0.0
        bread, meat = (moments @ [centre**2, -2 * centre, 1.0]).tolist()
        if bread <= 0:
            return float("nan")
        error = float(np.sqrt(max(meat, 0.0)) / (2 * np.pi * f**2) / bread)
        k = np.rint(f * (self.x - self.origin) - directions[0])
        pull = pull_on_unit(k, self.w, free=self.free)
        return with_shared_rounding(error, self.x, k, pull, self.step)
