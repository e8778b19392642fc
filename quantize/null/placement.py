"""Evidence from where the levels stand: a comb against everything that is not one."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.null.cuts import log_any_number, log_own_widths, log_partition_sums
from quantize.null.envelopes import (
    log_beta,
    log_broad_lumps,
    log_falling,
    log_mean_exp,
    log_normal,
    log_skewed,
    log_sum_exp,
    log_uniform,
)
from quantize.null.occupancy import CONCENTRATIONS, log_norm, log_seats, seat
from quantize.null.teeth import comb_likelihood

LEVELS_AT_ZERO = 3
"""Distinct non-zero absolute integers needed with the offset at zero."""
LEVELS_FREE = 5
"""Distinct integers needed with a free offset."""

_NAMES = ("equal shares", "flat shares", "few favoured")


@dataclasses.dataclass(frozen=True)
class Placement:
    """Log evidences of one data set.

    Attributes
    ----------
    log_ratios : dict
        Log Bayes factor of the comb over each null.
    log_comb : float
        Log evidence of the comb with enough occupied teeth.
    enough_levels : float
        Probability, given a comb, that enough teeth are occupied.
    unit, density : arrays, shape (U,)
        Units and their posterior shares given a comb.
    best : int
        Position of the most probable unit.
    integers : array, shape (n,)
        Teeth of the sorted values at that unit.
    """

    log_ratios: dict[str, float]
    log_comb: float
    enough_levels: float
    unit: FloatArray
    density: FloatArray
    best: int
    integers: IntArray


def place(
    values: FloatArray,
    factor: FloatArray,
    sigma: FloatArray,
    log_prior: FloatArray,
    low: float,
    high: float,
    *,
    free: bool = False,
) -> Placement:
    """Weigh the comb against each null.

    Parameters
    ----------
    values : array, shape (n,), sorted
        Readings, or the means of charge states, less a fixed offset.
    factor : array, shape (n,)
        Variance of each in units of sigma².
    sigma, log_prior : arrays, shape (S,)
        Grid of sigma and the log of its prior mass, times the likelihood of the scatter inside
        the states.
    low, high : float
        Band of units, already cut to at most half the span.
    free : bool
        Whether the offset is free.
    """
    n = values.size
    comb = comb_likelihood(values, factor, sigma, low, high, free=free)
    seating = seat(comb.integers, free=free)
    shares = log_mean_exp(seating.log_shares, axis=0)
    log_comb = log_sum_exp(comb.log_likelihood + log_prior) + shares
    log_nearest = log_sum_exp(comb.log_nearest + log_prior) + shares
    enough = seating.coprime & (seating.occupied >= (LEVELS_FREE if free else LEVELS_AT_ZERO))
    counted = np.where(enough, log_comb, -np.inf)
    seated = np.where(enough, log_nearest, -np.inf)

    sigma_evidence = float(log_sum_exp(log_prior))
    nulls = _nulls_by_unit(values, factor, sigma, log_prior, comb.unit, seating.teeth)
    continuum = -n * np.log(comb.unit) + sigma_evidence
    ratios = {name: _averaged(seated, null) for name, null in nulls.items()}
    nulls = {}
    nulls["continuous: uniform"] = continuum - n * np.log(seating.teeth)
    for a, name in enumerate(_NAMES[1:], start=1):
        nulls[f"continuous: histogram, {name}"] = continuum + seating.log_shares[a]
    ratios |= {name: _averaged(counted, null) for name, null in nulls.items()}
    total = float(log_sum_exp(counted))
    total_seated = float(log_sum_exp(seated))
    window = float(np.ptp(values)) * (n + 1) / (n - 1)
    fixed = {
        "continuous: tight uniform": log_uniform(values),
        "continuous: normal": log_normal(values, window),
        "continuous: skewed": log_skewed(values),
        "continuous: beta": log_beta(values),
        "continuous: broad lumps": log_broad_lumps(values),
    }
    for name, value in fixed.items():
        ratios[name] = total - value - sigma_evidence
    if not free and values[0] < 0 < values[-1]:
        mirrored = _mirrored(values, factor, sigma, log_prior, comb.unit, comb.integers)
        for name, null in mirrored.items():
            ratios[name] = _averaged(seated, null)
    any_number = log_any_number(values, factor, sigma, window)
    ratios["mixed: levels and background"] = total_seated - float(
        log_sum_exp(any_number + log_prior)
    )
    span = float(np.ptp(values))
    widths = np.geomspace(max(sigma[0], span / 400) if sigma.size > 1 else span / 400, span / 2, 14)
    ratios["unequal: lumps of their own widths"] = (
        total_seated - log_own_widths(values, widths, window) - sigma_evidence
    )
    best = int(np.argmax(log_comb))
    everything = float(log_sum_exp(log_comb))
    return Placement(
        log_ratios=ratios,
        log_comb=total,
        enough_levels=float(np.exp(total - everything)),
        unit=comb.unit,
        density=np.exp(log_comb - everything),
        best=best,
        integers=comb.integers[best],
    )


def _averaged(comb: FloatArray, null: FloatArray) -> float:
    """Log of the average over units of comb/null; a null too small for a number counts nothing."""
    usable = np.isfinite(comb) & np.isfinite(null)
    return float(log_sum_exp(comb[usable] - null[usable])) if usable.any() else -np.inf


def _nulls_by_unit(
    values: FloatArray,
    factor: FloatArray,
    sigma: FloatArray,
    log_prior: FloatArray,
    unit: FloatArray,
    teeth: IntArray,
    kind: str = "lumpy",
) -> dict[str, FloatArray]:
    """Levels anywhere: as many as the comb has teeth, in the window that its teeth span."""
    n = values.size
    most = min(n, int(np.max(teeth)))
    sums = log_partition_sums(values, factor, sigma, log_seats(n), most)
    sums = log_sum_exp(np.moveaxis(sums + log_prior[:, None, None], 0, -1))
    different, where = np.unique(teeth, return_inverse=True)
    falling = log_falling(different, most)
    norm = log_norm(different, n)
    groups = np.arange(most + 1)
    length = np.log(teeth * unit)[:, None]
    out = {}
    for a, name in enumerate(_NAMES):
        anywhere = (sums[a] + falling)[where] - groups * length
        out[f"{kind}: {name}"] = log_sum_exp(anywhere) + norm[a][where]
    return out


def _mirrored(
    values: FloatArray,
    factor: FloatArray,
    sigma: FloatArray,
    log_prior: FloatArray,
    unit: FloatArray,
    integers: IntArray,
) -> dict[str, FloatArray]:
    """Levels anywhere, but each with its mirror image; every reading picks its sign by a coin."""
    order = np.argsort(np.abs(values), kind="stable")
    sizes = np.maximum(np.abs(integers[:, 0]), np.abs(integers[:, -1])) + 1
    nulls = _nulls_by_unit(
        np.abs(values)[order], factor[order], sigma, log_prior, unit, sizes, "mirrored"
    )
    coins = values.size * np.log(2)
    return {name: null - coins for name, null in nulls.items()}


assert len(_NAMES) == len(CONCENTRATIONS)
