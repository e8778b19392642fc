"""Comb fit: least squares in the unit (and offset) with the whole numbers unknown."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Unpack

import numpy as np
import numpy.typing as npt

from quantize._support import validation
from quantize._support.errors import InputError, explained
from quantize._support.results import Result
from quantize._support.validation import Columns, FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.comb import assignments
from quantize.comb.sums import blocks
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.readings import Readings, as_readings
from quantize.recording import with_shared_rounding

if TYPE_CHECKING:
    import pandas as pd

_MOST_ALTERNATIVES = 10
_FIRST_PLACES = 4096
_SURE = 0.99
_TRUNCATION = 0.01
_TUNING = {"huber": 1.345, "cauchy": 2.385}
"""Tuning constants with 95 % efficiency at the normal (Huber 1981; Holland and Welsch 1977)."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CombFit(Result):
    """Result of `fit_comb`.

    Attributes
    ----------
    unit, unit_err : float
        The unit and its standard error, *given the integers*, with the rounding error that readings
        of one level share (see `Readings.steps`). This error, that of the offset, sigma and the
        confidences are NaN where there are no more readings than parameters.
    offset, offset_err : float
        The offset, and its standard error (0 where it was fixed).
    sigma : float
        Standard deviation of a reading about its tooth (of unit weight).
    integers : numpy.ndarray of int, shape (n,)
        The whole number of each reading.
    residuals : numpy.ndarray, shape (n,)
        values − offset − unit·integers.
    integers_sure : bool
        False where some integer is in doubt at the fitted sigma; `unit_err` is then too small.
    integer_confidence : numpy.ndarray, shape (n,)
        Probability of each integer at the fitted unit and sigma.
    criterion : float
        Residual variance (that of rounding included) in units of unit**2; about 1/12 when there
        is no comb at all.
    alternatives : pandas.DataFrame
        Distinct assignments, best first: unit, criterion, relation to the best.
    """

    _private: ClassVar[tuple[str, ...]] = ("readings",)

    unit: float
    unit_err: float
    offset: float
    offset_err: float
    sigma: float
    integers: IntArray
    residuals: FloatArray
    integers_sure: bool
    integer_confidence: FloatArray
    criterion: float
    alternatives: pd.DataFrame
    unit_range: UnitRange
    settings: dict[str, Any]
    readings: Readings

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Student-t interval for the unit given the integers, one row (low, high)."""
        from scipy.stats import t

        free = max(len(self.readings) - (2 if self.settings["offset"] == "free" else 1), 1)
        half = float(t.ppf(0.5 + validation.fraction("prob", prob) / 2, free)) * self.unit_err
        return np.array([[self.unit - half, self.unit + half]])

    def _headline(self) -> str:
        doubt = "" if self.integers_sure else " (given integers that are in doubt)"
        return f"unit {self.unit:.6g} ± {self.unit_err:.2g}{doubt}"


@explained(Columns)
def fit_comb(
    readings: Readings | npt.ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Literal["zero", "free"] | float = "zero",
    loss: Literal["linear", "huber", "cauchy"] = "linear",
    **columns: Unpack[Columns],
) -> CombFit:
    """Least-squares unit, global over a range of units, the whole numbers unknown.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        The measured values. Sigmas, where given, weight them by 1/sigma**2.
    unit_range : (float, float), optional
        Smallest and largest unit, in the readings' own unit. Left out, `default_unit_range` chooses
        them from span, sigma and resolution.
    offset : {"zero", "free"} or float
        Where the multiples of the unit are counted from. With "free" it is fitted.
    loss : {"linear", "huber", "cauchy"}
        What a residual costs. "linear" is least squares. The others cut the influence of
        readings far from their tooth, by iteratively reweighted least squares from the best
        assignments.
    **columns
        `sigma`, `state`, `resolution` or `unit_name` of plain values, as in `Readings`.

    Returns
    -------
    CombFit
        The unit and the offset with their standard errors, the whole numbers, the residuals, and
        the rival assignments.

    Raises
    ------
    InputError
        For input that cannot be used, or a range in which no reading reaches its first tooth.

    Notes
    -----
    Every assignment of whole numbers in the range is visited (`quantize.comb.assignments`); the
    one with the smallest residual variance in units of u² is taken, and u is its least-squares
    value Σwxk/Σwk², with standard error sigma/sqrt(Σwk²), which is the Cramér–Rao bound for known
    integers. Where readings were rounded to steps that are coarse beside their scatter, readings
    of one whole number share most of that error, and it is added for each level once.

    References
    ----------
    Broadbent, Biometrika 42:45 (1955) and 43:32 (1956), for the lumped variance.

    Examples
    --------
    >>> import quantize as qz
    >>> found = qz.fit_comb([2.1, 3.9, 6.0, 8.1, 9.9, 14.0], (1.2, 5))
    >>> found.integers.tolist()
    [1, 2, 3, 4, 5, 7]
    """
    data = as_readings(readings, columns=columns)
    mode, b = validation.offset_mode(offset)
    validation.choice("loss", loss, ("linear", *_TUNING))
    free = mode == "free"
    unit_range = unit_range_for(data, unit_range)
    x = data.values - b
    w = data.weights
    grain = rounding_variance(data)
    search = assignments.free_offset if free else assignments.fixed_offset
    found = search(x, w, unit_range.low, unit_range.high, grain=grain)
    if found.unit.size == 0:
        raise InputError(
            f"`unit_range` ({unit_range.low:g}, {unit_range.high:g}) holds no unit that fits these "
            "readings: every reading is nearer to zero than half a unit; lower the range."
        )
    fits = _distinct_fits(x, w, found, unit_range, grain=grain, free=free, loss=loss)
    best = fits[0]
    n_parameters = 2 if free else 1
    degrees = x.size - n_parameters
    weights = w * best.robust_weight
    scatter = float(np.sum(weights * best.residual**2))
    sigma = float(np.sqrt(max(scatter / degrees, grain))) if degrees > 0 else float("nan")
    unit_err, offset_err = _standard_errors(x, best.k, weights, sigma, data.rounding_step, free)
    confidence = _confidence(best.residual, best.unit, sigma / np.sqrt(w))
    reach = float(np.ptp(x)) if free else float(np.abs(x).max())
    rows = [{"unit": fit.unit, "criterion": fit.criterion} for fit in fits]
    return CombFit(
        unit=best.unit,
        unit_err=unit_err,
        offset=b + best.offset,
        offset_err=offset_err,
        sigma=sigma,
        integers=best.k.astype(np.int64),
        residuals=best.residual,
        integers_sure=bool(np.all(confidence > _SURE)),
        integer_confidence=confidence,
        criterion=best.criterion,
        alternatives=rivals.table(rows, min(0.2 * best.unit / reach, 0.1)),
        unit_range=unit_range,
        settings={"offset": offset, "loss": loss},
        readings=data,
    )


def candidate_combs(
    readings: Readings, unit_range: UnitRange, offset: Literal["zero", "free"] | float, *, most: int
) -> FloatArray:
    """Units and offsets of the best assignments, shape (at most `most`, 2); none if none fits."""
    try:
        found = fit_comb(readings, unit_range, offset=offset)
    except InputError:
        return np.empty((0, 2))
    units = found.alternatives["unit"].to_numpy()[:most]
    return np.column_stack([units, np.full(units.size, found.offset)])


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class _Fit:
    unit: float
    offset: float
    k: FloatArray
    residual: FloatArray
    robust_weight: FloatArray
    criterion: float


def _distinct_fits(
    x: FloatArray,
    w: FloatArray,
    found: assignments.Candidates,
    unit_range: UnitRange,
    *,
    grain: float,
    free: bool,
    loss: str,
) -> list[_Fit]:
    """Settle the most promising assignments and keep one fit a unit, best first."""
    # A robust loss may promote an assignment that a wild reading spoils for least squares.
    tries = 40 if loss == "linear" else 400
    criterion = found.criterion if loss == "linear" else _bounded_criterion(x, w, found)
    fits: list[_Fit] = []
    width = 0.2 / (np.ptp(x) if free else np.abs(x).max())
    for places in _best_first(criterion):
        for known in fits:
            places = places[np.abs(1 / known.unit - 1 / found.unit[places]) >= width]
        while places.size:
            f, c = float(found.frequency[places[0]]), float(found.phase[places[0]])
            places = places[1:]
            fit = _settle(x, w, f, c, grain=grain, free=free, loss=loss)
            if fit is None or not unit_range.low <= fit.unit <= unit_range.high:
                continue
            tries -= 1
            if all(abs(1 / other.unit - 1 / fit.unit) >= width for other in fits):
                fits.append(fit)
                places = places[np.abs(1 / fit.unit - 1 / found.unit[places]) >= width]
            if tries == 0 or len(fits) == 3 * _MOST_ALTERNATIVES:
                return sorted(fits, key=lambda fit: fit.criterion)[:_MOST_ALTERNATIVES]
    return sorted(fits, key=lambda fit: fit.criterion)[:_MOST_ALTERNATIVES]


def _best_first(criterion: FloatArray) -> Iterator[IntArray]:
    """Places in ascending order of the criterion, in growing parts: few are asked for."""
    left, size = np.arange(criterion.size), _FIRST_PLACES
    while left.size:
        value = criterion[left]
        limit = np.partition(value, size)[size] if size < left.size else np.inf
        first = ~(value > limit)
        yield left[first][np.argsort(value[first], kind="stable")]
        left, size = left[~first], 4 * size


def _bounded_criterion(x: FloatArray, w: FloatArray, found: assignments.Candidates) -> FloatArray:
    """Mean of the phase's squared distance to its tooth, cut off at a tenth."""
    out = np.empty(found.unit.size)
    for part in blocks(out.size, 2**20 // x.size):
        cycles = np.multiply.outer(found.frequency[part], x) - found.phase[part, None]
        squared = (cycles - np.rint(cycles)) ** 2
        out[part] = np.minimum(squared, _TRUNCATION) @ w / np.sum(w)
    return out


def _settle(
    x: FloatArray, w: FloatArray, f: float, c: float, *, grain: float, free: bool, loss: str
) -> _Fit | None:
    """Least squares for the assignment at (f, c); the robust losses reweight and reassign."""
    k = np.rint(x * f - c)
    robust = np.ones(x.size)
    for _ in range(30):
        solved = _solve(x, k, w * robust, free)
        if solved is None:
            return None
        unit, offset = solved
        residual = x - offset - unit * k
        if loss == "linear":
            break
        k = np.rint((x - offset) / unit)
        residual = x - offset - unit * k
        scale = 1.4826 * float(np.median(np.abs(residual) * np.sqrt(w))) or 1e-12 * unit
        size = np.abs(residual) * np.sqrt(w) / (scale * _TUNING[loss])
        robust = 1 / np.maximum(size, 1) if loss == "huber" else 1 / (1 + size**2)
        # A wild reading far from zero is a lever even when it happens to sit on a tooth.
        lever = np.abs(k - np.median(k))
        lever_scale = 1.4826 * float(np.median(lever)) or 1.0
        robust = robust / np.maximum(1, lever / (4 * lever_scale)) ** 2
    lumped = (residual / unit) ** 2
    if loss != "linear":
        # Truncated, so that giving up half of the readings is never worth a coarser comb.
        lumped = np.minimum(lumped, _TRUNCATION)
    criterion = float(np.sum(lumped * w) / np.sum(w)) + grain / unit**2
    if free:
        whole = np.floor(offset / unit)
        offset, k = offset - whole * unit, k + whole
    return _Fit(
        unit=unit, offset=offset, k=k, residual=residual, robust_weight=robust, criterion=criterion
    )


def _solve(x: FloatArray, k: FloatArray, w: FloatArray, free: bool) -> tuple[float, float] | None:
    if not free:
        skk = float(np.sum(w * k**2))
        unit = float(np.sum(w * x * k)) / skk if skk > 0 else 0.0
        return (unit, 0.0) if unit > 0 else None
    x0, k0 = np.average(x, weights=w), np.average(k, weights=w)
    skk = float(np.sum(w * (k - k0) ** 2))
    unit = float(np.sum(w * (x - x0) * (k - k0))) / skk if skk > 0 else 0.0
    return (unit, float(x0 - unit * k0)) if unit > 0 else None


def rounding_variance(readings: Readings) -> float:
    """Variance of rounding to the recorded step; it keeps u/2 from tying with u on exact data."""
    step = readings.rounding_step
    if step is None:
        step = 1e-9 * readings.reach
    return step**2 / 12


def _standard_errors(
    x: FloatArray, k: FloatArray, w: FloatArray, sigma: float, step: float | None, free: bool
) -> tuple[float, float]:
    """Those of unit and offset, with the rounding error that readings of one level share."""
    pull = assignments.pull_on_unit(k, w, free=free)
    if not free:
        unit_err = sigma / float(np.sqrt(np.sum(w * k**2)))
        return with_shared_rounding(unit_err, x, k, pull, step), 0.0
    k0 = np.average(k, weights=w)
    spread = float(np.sum(w * (k - k0) ** 2))
    unit_err = sigma / float(np.sqrt(spread))
    offset_err = sigma * float(np.sqrt(1 / np.sum(w) + k0**2 / spread))
    on_offset = w / np.sum(w) - k0 * pull
    return (
        with_shared_rounding(unit_err, x, k, pull, step),
        with_shared_rounding(offset_err, x, k, on_offset, step),
    )


def _confidence(residual: FloatArray, unit: float, sigma: FloatArray) -> FloatArray:
    """Normal probability of each integer against its neighbours, all equally likely before."""
    if not np.all(sigma > 0):
        return np.ones(residual.size)
    shifts = unit * np.arange(-6, 7)
    exponent = -0.5 * ((residual[:, None] - shifts) / sigma[:, None]) ** 2
    weight = np.exp(exponent - exponent.max(axis=1, keepdims=True))
    return np.asarray(weight[:, 6] / weight.sum(axis=1))
