"""Analytic bounds: how often data without steps show a harmonic, or levels, this regular.

Both count the whole band of trial units. Powers and residuals are smooth functions of the
frequency 1/unit, so the chance that one passes a limit anywhere is at most the chance at one end
plus the expected number of entries on the way (Rice; Davies, Biometrika 74:33, 1987). For levels
the set to be entered is a tube round the equally spaced ones (Hotelling, Am. J. Math. 61:440,
1939).
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.validation import FloatArray

_SMALLEST = 1e-300


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
    return min(1.0, max(math.exp(max(log_p, -690.0)), _SMALLEST))


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
    return min(1.0, max(math.exp(max(log_p, -690.0)), _SMALLEST))


@dataclasses.dataclass(frozen=True, kw_only=True)
class Spacing:
    """How near levels stand to equal distances, and how often chance brings them as near.

    Attributes
    ----------
    p_value : float
        Bound on the chance that levels anywhere come as near at any unit of the band.
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
        y = _different_sizes(y, unit)
    k = y.size
    if k < 3:
        return Spacing(p_value=1.0, levels=k, residual=math.nan, integers=())
    turns = y / unit
    shift = _mean_phase(turns) if free else 0.0
    whole = np.rint(turns - shift)
    away = turns - shift - whole
    if free:
        away = away - away.mean()
    rho = float(np.sqrt(np.sum(away**2)))
    lever = float(np.linalg.norm(y - y.mean() if free else y))
    band = frequencies[1] - frequencies[0]
    dimensions = k - 1 if free else k
    inside = _ball(dimensions, rho)
    entries = band * lever * _ball(dimensions - 1, rho)
    room = max(1 - closest / unit, 0.05)
    log_p = math.log(max(inside + entries, _SMALLEST)) - (dimensions - 1) * math.log(room)
    if free:
        log_p += 0.5 * math.log(k)
    return Spacing(
        p_value=min(1.0, max(math.exp(max(log_p, -690.0)), _SMALLEST)),
        levels=k,
        residual=rho / math.sqrt(k),
        integers=tuple(int(v) for v in whole),
    )


def residual_over(positions: FloatArray, units: FloatArray, *, offset: float | None) -> FloatArray:
    """Root mean square distance of the levels from the nearest multiples, for each unit."""
    turns = (positions - (0.0 if offset is None else offset)) / np.asarray(units, float)[:, None]
    if offset is None:
        angle = np.angle(np.exp(2j * np.pi * turns).sum(axis=1)) / (2 * np.pi)
        turns = turns - angle[:, None]
    away = turns - np.rint(turns)
    out: FloatArray = np.sqrt(np.mean(away**2, axis=1))
    return out


def _mean_phase(turns: FloatArray) -> float:
    return float(np.angle(np.exp(2j * np.pi * turns).sum()) / (2 * np.pi))


def _different_sizes(y: FloatArray, unit: float) -> FloatArray:
    """Absolute sizes that differ by more than a tenth of the unit, without those near zero."""
    sizes = np.sort(np.abs(y))
    sizes = sizes[sizes > 0.5 * unit]
    if sizes.size == 0:
        return sizes
    keep = np.r_[True, np.diff(sizes) > 0.1 * unit]
    return sizes[keep]


def _ball(dimensions: int, radius: float) -> float:
    """Volume of a ball."""
    d = dimensions
    log_volume = 0.5 * d * math.log(math.pi) - math.lgamma(0.5 * d + 1)
    return math.exp(log_volume + d * math.log(max(radius, 1e-30))) if d > 0 else 1.0
