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
from quantize.null.occupancy import SHARE_NAMES, log_norm, log_seats, seat
from quantize.null.teeth import comb_likelihood

LEVELS_AT_ZERO = 3
"""Distinct non-zero absolute integers needed with the offset at zero."""
LEVELS_FREE = 5
"""Distinct integers needed with a free offset."""

SAME_ENVELOPE = "continuous: whatever the envelope"
"""Comb against continuum where both have one and the same smooth envelope: it then cancels, and the
ratio is that of the phases alone."""

NULLS: tuple[str, ...] = (
    SAME_ENVELOPE,
    "continuous: uniform",
    *(f"continuous: histogram, {name}" for name in SHARE_NAMES[1:]),
    "continuous: tight uniform",
    "continuous: normal",
    "continuous: skewed",
    "continuous: beta",
    "continuous: broad lumps",
    *(f"lumpy: {name}" for name in SHARE_NAMES),
    "mixed: levels and background",
    "unequal: lumps of their own widths",
)
"""Every null but the mirrored ones, which are weighed only where there is something to mirror."""

_NEGLIGIBLE = 10.0
"""Units whose share of the comb's evidence is below exp(-10) of the best one's are left out of the
comparison unit by unit: there both sides fail, and by how much they differ says nothing."""
_MOST_GROUPS = 48
"""Readings on more levels than this are as good as a continuum, and are taken as one."""


@dataclasses.dataclass(frozen=True)
class Placement:
    """Log evidences of one data set.

    Attributes
    ----------
    log_ratios : dict
        Log Bayes factor of the comb over each null.
    log_comb : float
        Log evidence of the comb with enough occupied teeth.
    log_everything : float
        The same with any number of them.
    unit, density : arrays, shape (U,)
        Units and their posterior shares given a comb.
    best : int
        Position of the most probable unit.
    integers : array, shape (n,)
        Teeth of the sorted values at that unit.
    free : bool
        Whether the offset was free.
    """

    log_ratios: dict[str, float]
    log_comb: float
    log_everything: float
    unit: FloatArray
    density: FloatArray
    best: int
    integers: IntArray
    free: bool


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
    total, total_seated = float(log_sum_exp(counted)), float(log_sum_exp(seated))

    best, everything = int(np.argmax(log_comb)), float(log_sum_exp(log_comb))
    found = Placement(
        log_ratios=dict.fromkeys(NULLS, -np.inf),
        log_comb=total,
        log_everything=everything,
        unit=comb.unit,
        density=np.exp(log_comb - everything)
        if np.isfinite(everything)
        else np.zeros(log_comb.size),
        best=best,
        integers=comb.integers[best],
        free=free,
    )
    if not np.isfinite(total_seated):
        return found

    sigma_evidence = float(log_sum_exp(log_prior))
    phases = log_sum_exp(comb.log_likelihood + log_prior) + n * np.log(comb.unit)
    log_phase = float(log_sum_exp(np.where(enough, phases, -np.inf))) - sigma_evidence
    ratios = {SAME_ENVELOPE: log_phase}

    likely = counted >= np.max(counted) - _NEGLIGIBLE
    continuum = (-n * np.log(comb.unit) + sigma_evidence)[likely]
    by_unit = {"continuous: uniform": continuum - n * np.log(seating.teeth[likely])}
    for a, name in enumerate(SHARE_NAMES[1:], start=1):
        by_unit[f"continuous: histogram, {name}"] = continuum + seating.log_shares[a][likely]
    nulls = {name: total - _averaged(counted[likely], null) for name, null in by_unit.items()}
    window = float(np.ptp(values)) * (n + 1) / (n - 1)
    envelopes = {
        "continuous: tight uniform": log_uniform(values),
        "continuous: normal": log_normal(values, window),
        "continuous: skewed": log_skewed(values),
    }
    others = {
        "continuous: beta": log_beta(values),
        "continuous: broad lumps": log_broad_lumps(values),
    }
    nulls |= {name: value + sigma_evidence for name, value in (envelopes | others).items()}
    # The comb, too, may have an envelope instead of shares: that of a null, kept at the teeth.
    enveloped = log_phase + float(log_mean_exp(np.array(list(envelopes.values())))) + sigma_evidence
    richest = float(np.logaddexp(total, enveloped) - np.log(2))
    ratios |= {name: richest - null for name, null in nulls.items()}

    best = int(np.argmax(log_comb))
    likely = seated >= np.max(seated) - _NEGLIGIBLE
    unit, integers, teeth = comb.unit[likely], comb.integers[likely], seating.teeth[likely]
    lumpy = _nulls_by_unit(values, factor, sigma, log_prior, unit, teeth)
    if free:
        k = comb.integers[best]
        zero = np.average(values - comb.unit[best] * k, weights=1 / factor)
        centre = float(zero + 0.5 * comb.unit[best] * (k[0] + k[-1]))
        # The centre is uniform on the window, and the readings tell it to sigma/sqrt(n).
        told = np.log(sigma * np.sqrt(2 * np.pi / np.sum(1 / factor)) / window)
        lumpy |= _mirrored(values - centre, factor, sigma, log_prior + told, unit, teeth // 2 + 1)
    elif values[0] < 0 < values[-1]:
        reach = np.maximum(np.abs(integers[:, 0]), np.abs(integers[:, -1])) + 1
        lumpy |= _mirrored(values, factor, sigma, log_prior, unit, reach)
    ratios |= {name: _averaged(seated[likely], null) for name, null in lumpy.items()}
    any_number = log_any_number(values, factor, sigma, window)
    ratios["mixed: levels and background"] = total_seated - float(
        log_sum_exp(any_number + log_prior)
    )
    span = float(np.ptp(values))
    widths = np.geomspace(max(sigma[0], span / 400) if sigma.size > 1 else span / 400, span / 2, 14)
    ratios["unequal: lumps of their own widths"] = (
        total_seated - log_own_widths(values, widths, window) - sigma_evidence
    )
    return dataclasses.replace(found, log_ratios=ratios)


def _averaged(comb: FloatArray, null: FloatArray) -> float:
    """Log of the average of comb/null over the units; a null too small for a number is left out."""
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
    most = min(n, int(np.max(teeth)), _MOST_GROUPS)
    sums = log_partition_sums(values, factor, sigma, log_seats(n), most)
    sums = log_sum_exp(np.moveaxis(sums + log_prior[:, None, None], 0, -1))
    different, where = np.unique(teeth, return_inverse=True)
    falling = log_falling(different, most)
    norm = log_norm(different, n)
    groups = np.arange(most + 1)
    length = np.log(teeth * unit)
    continuum = np.where(teeth > most, float(log_sum_exp(log_prior)) - n * length, -np.inf)
    out = {}
    for a, name in enumerate(SHARE_NAMES):
        anywhere = (sums[a] + falling)[where] - groups * length[:, None]
        levels = log_sum_exp(anywhere) + norm[a][where]
        out[f"{kind}: {name}"] = np.logaddexp(levels, continuum)
    return out


def _mirrored(
    values: FloatArray,
    factor: FloatArray,
    sigma: FloatArray,
    log_prior: FloatArray,
    unit: FloatArray,
    sizes: IntArray,
) -> dict[str, FloatArray]:
    """`sizes` levels anywhere with their mirror images; every reading picks its sign by a coin."""
    order = np.argsort(np.abs(values), kind="stable")
    nulls = _nulls_by_unit(
        np.abs(values)[order], factor[order], sigma, log_prior, unit, sizes, "mirrored"
    )
    coins = values.size * np.log(2)
    return {name: null - coins for name, null in nulls.items()}
