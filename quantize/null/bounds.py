r"""Analytic bounds: how often data without steps show a harmonic, or levels, this regular.

At one unit, and for many readings of any size, the cosine score is a standard normal deviate and
the phase-free power exponential. Over a range both are smooth random functions of the frequency
1/u, and the chance that one ever passes a height is at most the chance that it starts above it plus
the mean number of times that it climbs through it (Rice).

Residuals of levels are smooth functions of the frequency as well; there the set to be entered is a
tube round the equally spaced levels (Hotelling, Am. J. Math. 61:440, 1939).
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, Offset
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.readings import Readings, as_readings

_SMALLEST = 1e-300
"""Smallest bound that is returned."""
_LEAST_ROOM = 0.05
"""Part of a unit, at least, that the distance of two levels is taken to vary in."""
_SAME_SIZE = 0.1
"""Sizes nearer than this part of a unit are one."""


def p_value_bound(
    height: float,
    readings: Readings | ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Offset = 0.0,
) -> float:
    r"""Largest chance that readings of any size, as many and as wide as these, score this high.

    With the offset fixed `height` is the largest cosine score S over the range and

    .. math:: P \le \left(\tfrac12 + \Delta f \sqrt{\overline{x^2}}\right) e^{-S^2/2} ;

    with a free one it is the largest phase-free power z and

    .. math:: P \le e^{-z} + \Delta f \sqrt{4\pi z\, \mathrm{var}(x)}\, e^{-z} ,

    :math:`\Delta f = 1/u_\mathrm{low} - 1/u_\mathrm{high}`. It is a bound for many readings and a
    smooth spread of sizes; readings in clusters pass it easily, and nothing rests on it alone.
    Readings of one charge state count as one of their size, with their weights added: the bound
    is too high where they scatter by as much as a unit.

    Parameters
    ----------
    height : float
        Largest cosine score over the range, or largest phase-free power for a free offset.
    readings : Readings or array_like, shape (n,)
        They say how many there are, how wide they lie and how they are weighted, and no more.
    unit_range : (float, float), optional
        Smallest and largest unit, in the unit of the readings; by default that of
        `default_unit_range`.
    offset : {"zero", "free"} or float
        Where the comb starts: at zero, anywhere, or at a known place in the unit of the readings.

    Returns
    -------
    float
        Upper bound of the p-value, at most 1.

    Raises
    ------
    InputError
        For input that cannot be used.

    References
    ----------
    Rice, Bell System Technical Journal 24:46 (1945), section 3.3; for the free offset, Davies,
    Biometrika 74:33 (1987), and Baluev, MNRAS 385:1279 (2008), eq. 6.

    Examples
    --------
    >>> round(p_value_bound(4.0, [1.0, 2.0, 4.0, 7.0], (0.5, 2.0)), 4)
    0.0023
    """
    height = validation.number("height", height)
    data = as_readings(readings)
    mode, b = validation.offset_mode(offset)
    unit_range, free = unit_range_for(data, unit_range), mode == "free"
    x, w = data.values - b, data.weights
    if data.state is not None:
        weight: FloatArray = np.bincount(data.state, w).astype(float)
        shrunk = float(w @ w / (weight @ weight))
        height *= shrunk if free else math.sqrt(shrunk)
        x, w = np.bincount(data.state, w * x) / weight, weight
    return chance_of(height, x, w**2, unit_range, free=free)


def height_for(
    p_value: float,
    readings: Readings | ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Offset = 0.0,
) -> float:
    """The height at which `p_value_bound` is `p_value`: its inverse.

    Parameters
    ----------
    p_value : float
        The bound that is wanted, above 0 and at most 0.5.
    readings : Readings or array_like, shape (n,)
        They say how many there are, how wide they lie and how they are weighted, and no more.
    unit_range : (float, float), optional
        Smallest and largest unit, in the unit of the readings; by default that of
        `default_unit_range`.
    offset : {"zero", "free"} or float
        Where the comb starts: at zero, anywhere, or at a known place in the unit of the readings.

    Returns
    -------
    float
        Cosine score, or phase-free power for a free offset.

    Raises
    ------
    InputError
        For a `p_value` outside (0, 0.5].

    Examples
    --------
    >>> height = height_for(0.01, [1.0, 2.0, 4.0, 7.0], (0.5, 2.0))
    >>> round(p_value_bound(height, [1.0, 2.0, 4.0, 7.0], (0.5, 2.0)), 6)
    0.01
    """
    from scipy.optimize import brentq

    wanted = validation.number("p_value", p_value)
    if not 0 < wanted <= 0.5:
        raise InputError(f"`p_value` is {wanted:g}; give a share above 0 and at most 0.5.")
    data = as_readings(readings)

    def miss(height: float) -> float:
        return float(np.log(p_value_bound(height, data, unit_range, offset=offset) / wanted))

    # The bound falls from one; it is below any p wanted at a height of 2·log(1/p) and more.
    high = 2.0
    while miss(high) > 0:
        high *= 1.5
    return float(brentq(miss, 1e-9, high, xtol=1e-12))


def chance_of(
    height: float, x: FloatArray, weight: FloatArray, unit_range: UnitRange, *, free: bool
) -> float:
    """The bound for distances x from the offset, each with this part of the weight."""
    share = weight / np.sum(weight)
    if free:
        spread = float(np.sqrt(np.sum(share * (x - np.sum(share * x)) ** 2)))
        return rayleigh_bound(max(height, 0.0), spread, frequencies(unit_range))
    return score_bound(height, float(np.sqrt(np.sum(share * x**2))), frequencies(unit_range))


def frequencies(unit_range: UnitRange) -> tuple[float, float]:
    """Lowest and highest 1/unit of the range."""
    return 1 / unit_range.high, 1 / unit_range.low


def _chance(log_p: float) -> float:
    return min(1.0, max(math.exp(max(log_p, -690.0)), _SMALLEST))


def rayleigh_bound(power: float, spread: float, frequencies: tuple[float, float]) -> float:
    """Chance that uniform phases reach this power at any frequency of the range, at most.

    Parameters
    ----------
    power : float
        Rayleigh power, exponential with mean one at a single frequency.
    spread : float
        Standard deviation of the readings.
    frequencies : (float, float)
        Lowest and highest 1/unit.

    References
    ----------
    Davies, Biometrika 74:33 (1987); Baluev, MNRAS 385:1279 (2008), equation 6.

    Examples
    --------
    >>> round(rayleigh_bound(20.0, 5.0, (1.0, 3.0)), 9)
    3.29e-07
    """
    width = (frequencies[1] - frequencies[0]) * spread * math.sqrt(4 * math.pi)
    log_p = -power + math.log1p(width * math.sqrt(max(power, 0.0)))
    return _chance(log_p)


def score_bound(score: float, reach: float, frequencies: tuple[float, float]) -> float:
    """Chance that uniform phases reach this cosine score at any frequency of the range, at most.

    Parameters
    ----------
    score : float
        Standard normal at a single frequency.
    reach : float
        Root mean square distance of the readings from the offset.
    frequencies : (float, float)
        Lowest and highest 1/unit.

    References
    ----------
    Rice, Bell Syst. Tech. J. 24:46 (1945), equation 3.3-11, for the rate of up-crossings.

    Examples
    --------
    >>> round(score_bound(6.0, 5.0, (1.0, 3.0)), 9)
    1.6e-07
    """
    rate = (frequencies[1] - frequencies[0]) * reach
    log_p = -0.5 * score**2 + math.log(rate + 0.5) if score > 0 else 0.0
    return _chance(log_p)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Spacing:
    """How near levels stand to equal distances, and how often chance brings them as near.

    Attributes
    ----------
    p_value : float
        Bound on the chance that levels anywhere come as near at any unit of the range.
    levels : int
        Levels that count: all with a free offset, different non-zero distances from a fixed one.
    residual : float
        Root mean square distance from the nearest multiple, in units.
    integers : tuple of int
    """

    p_value: float
    levels: int
    residual: float
    integers: tuple[int, ...]


def equal_spacing(
    positions: FloatArray,
    unit: float,
    frequencies: tuple[float, float],
    *,
    offset: float | None,
    closest: float,
) -> Spacing:
    r"""Bound on the chance that levels placed anywhere are as nearly equally spaced as these.

    Parameters
    ----------
    positions : numpy.ndarray, shape (K,)
        Levels that were seen, in the readings' unit.
    unit : float
        The unit to which they are held.
    frequencies : (float, float)
        Lowest and highest 1/unit that were tried.
    offset : float or None
        Fixed offset, or None where it is free.
    closest : float
        Distance below which two levels would not have been seen apart.

    Notes
    -----
    Levels anywhere have independent uniform phases at a given unit. With a free offset the K
    phases that come within a root sum of squares :math:`\rho` of their mean fill
    :math:`\sqrt K V_{K-1}(\rho)` of all, and as the frequency runs through :math:`\Delta f` the
    point of phases enters that tube at most
    :math:`\Delta f\,\lVert y-\bar y\rVert\sqrt K V_{K-2}(\rho)` times on average; with a fixed
    offset :math:`V_K(\rho)` and :math:`\Delta f\,\lVert y\rVert V_{K-1}(\rho)`. V is the volume of
    a ball. Levels that must keep apart to be seen are more regular than uniform ones; each
    distance is taken to have only 1 − closest/unit of a unit to vary in.
    """
    y = np.asarray(positions, float) - (0.0 if offset is None else offset)
    free = offset is None
    if not free:
        # Sizes that differ by more than a tenth of the unit, without those near zero.
        y = np.sort(np.abs(y))
        y = y[y > 0.5 * unit]
        y = y[np.diff(y, prepend=-np.inf) > _SAME_SIZE * unit]
    k = y.size
    if k < 3:
        return Spacing(p_value=1.0, levels=k, residual=math.nan, integers=())
    cycles = y / unit
    if free:
        cycles = cycles - _mean_phase(cycles)
    whole = np.rint(cycles)
    away = cycles - whole
    if free:
        away -= away.mean()
    rho = float(np.sqrt(np.sum(away**2)))
    lever = float(np.linalg.norm(y - y.mean() if free else y))
    width = frequencies[1] - frequencies[0]
    dimensions = k - 1 if free else k
    inside = _ball(dimensions, rho)
    entries = width * lever * _ball(dimensions - 1, rho)
    room = max(1 - closest / unit, _LEAST_ROOM)
    log_p = math.log(max(inside + entries, _SMALLEST)) - (dimensions - 1) * math.log(room)
    if free:
        log_p += 0.5 * math.log(k)
    return Spacing(
        p_value=_chance(log_p),
        levels=k,
        residual=rho / math.sqrt(k),
        integers=tuple(int(v) for v in whole),
    )


def residual_over(positions: FloatArray, units: FloatArray, *, offset: float | None) -> FloatArray:
    """Root mean square distance of the levels from the nearest multiples, for each unit."""
    cycles = (positions - (0.0 if offset is None else offset)) / np.asarray(units, float)[:, None]
    if offset is None:
        cycles = cycles - _mean_phase(cycles)[:, None]
    away = cycles - np.rint(cycles)
    return np.asarray(np.sqrt(np.mean(away**2, axis=1)))


def _mean_phase(cycles: FloatArray) -> Any:
    return np.angle(np.exp(2j * np.pi * cycles).sum(axis=-1)) / (2 * np.pi)


def _ball(dimensions: int, radius: float) -> float:
    """Volume of a ball."""
    half, log_radius = 0.5 * dimensions, math.log(max(radius, 1e-30))
    return math.exp(half * math.log(math.pi) - math.lgamma(half + 1) + dimensions * log_radius)
