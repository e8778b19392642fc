"""Marginal likelihoods of sizes of any kind: smooth envelopes, and heaps on round values."""

from __future__ import annotations

from math import lgamma

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.null.partitions import log_partition_sums
from quantize.null.sample import WIDEST

_LOG_2PI = float(np.log(2 * np.pi))
_WIDTHS = 14
"""Standard deviations of the normal envelope ..."""
_NARROWEST = 30
"""... from this part of the window to all of it."""
_SHIFTS = (0.02, 0.07, 0.25, 1.0)
"""Shifts of the lognormal envelope, in windows: nearly exponential to nearly normal."""
_MOST_LUMPS = 6
"""Broad lumps, at most ..."""
_LUMP_WIDTHS, _THINNEST_LUMP, _BROADEST_LUMP = 6, 12, 2
"""... of so many widths, from the first to the second part of the span."""
_BETA_SHAPES = (0.5, 1.0, 2.0, 4.0)
"""Each of the two shapes of the beta envelope."""
_ON_HEAPS = (0.1, 0.2, 0.3, 0.4, 0.5)
"""Shares of the readings on the comb, where at most half are ..."""
_ON_COMB = (0.6, 0.75, 0.9, 0.97, 1.0)
"""... and where most are."""
_HEAP_SPREADS = (0.001, 0.003, 0.01, 0.02, 0.05)
"""Spreads of the heaps, in units: rounding by hand."""
_COMB_SPREADS = np.concatenate([_HEAP_SPREADS, np.geomspace(0.07, WIDEST, 6)])
_HEAP_UNITS = 30
"""Units tried on either side of the best one ..."""
_NEARNESS = (1e-4, 0.2)
"""... which move the readings by so many cycles, the nearest and the farthest."""
_LEAST_DENSITY = 1e-12
"""Floor of the density of the phases."""


def log_mean_exp(terms: FloatArray, axis: int | None = None) -> FloatArray:
    """Log of the mean of the exponentials."""
    peak = np.max(terms, axis=axis, keepdims=True)
    peak = np.where(np.isfinite(peak), peak, 0.0)
    with np.errstate(divide="ignore"):
        out = np.log(np.mean(np.exp(terms - peak), axis=axis)) + np.squeeze(peak, axis=axis)
    return np.asarray(out)


def log_uniform(values: FloatArray) -> float:
    """A uniform density over the range, widened by (n + 1)/(n − 1) as for a uniform sample."""
    return -values.size * float(np.log(_window(values)))


def log_normal(values: FloatArray, window: float) -> float:
    """Normal: mean uniform over `window`, standard deviation log-uniform from window/30 to it."""
    n = values.size
    width = np.geomspace(window / _NARROWEST, window, _WIDTHS)
    squares = float(np.sum((values - values.mean()) ** 2))
    terms = (
        -0.5 * (n - 1) * (_LOG_2PI + 2 * np.log(width))
        - 0.5 * np.log(n)
        - 0.5 * squares / width**2
        - np.log(window)
    )
    return float(log_mean_exp(terms))


def log_skewed(values: FloatArray) -> float:
    """Shifted lognormal, either way round: four shifts from nearly exponential to nearly normal."""
    window = _window(values)
    terms = []
    for turned in (values, -values):
        above = turned - turned.min()
        for shift in _SHIFTS:
            logs = np.log(above + shift * window)
            terms.append(log_normal(logs, float(np.log1p(1 / shift))) - float(logs.sum()))
    return float(log_mean_exp(np.array(terms)))


def log_beta(values: FloatArray) -> float:
    """Beta densities on the range, a little widened: U-shaped, J-shaped, flat, humped.

    Two widenings are averaged: that of a uniform sample, and a tenth of it for densities that
    pile up at the ends.
    """
    n = values.size
    middle = 0.5 * (values[0] + values[-1])
    span = float(np.ptp(values))
    shapes = np.array(_BETA_SHAPES)
    log_gamma = np.array([lgamma(shape) for shape in shapes])
    log_sum_gamma = np.array([[lgamma(p + q) for q in shapes] for p in shapes])
    terms = []
    for window in (_window(values), span * (1 + 0.2 / (n - 1))):
        place = (values - middle) / window + 0.5
        terms.append(
            (shapes[:, None] - 1) * float(np.log(place).sum())
            + (shapes - 1) * float(np.log1p(-place).sum())
            + n * (log_sum_gamma - log_gamma[:, None] - log_gamma)
            - n * np.log(window)
        )
    return float(log_mean_exp(np.array(terms).ravel()))


def log_broad_lumps(values: FloatArray, count: IntArray, inner: FloatArray) -> float:
    """One to six broad lumps of one width, anywhere, with flat shares.

    Each value stands for `count` levels, of which `inner` is the sum of squares about it.
    """
    n = int(count.sum())
    window = float(np.ptp(values)) * (n + 1) / (n - 1)
    span = float(np.ptp(values))
    width = np.geomspace(span / _THINNEST_LUMP, span / _BROADEST_LUMP, _LUMP_WIDTHS)
    seats = np.zeros((1, n + 1))
    seats[0, 1:] = np.cumsum(np.log(1.0 + np.arange(n)))
    most = min(values.size, _MOST_LUMPS)
    variance = np.square(width)[:, None] / count
    sums = log_partition_sums(values, variance, count, seats, most)[:, 0, :]
    within = -0.5 * (n - values.size) * (_LOG_2PI + 2 * np.log(width))
    within -= 0.5 * (np.log(count).sum() + inner.sum() / np.square(width))
    lumps = np.arange(1, _MOST_LUMPS + 1)
    groups = np.arange(most + 1)
    terms = (
        (sums + within[:, None])[:, None, :]
        + log_falling(lumps, most)
        - np.log(lumps[:, None] + np.arange(n)).sum(axis=1)[:, None]
        - groups * np.log(window)
    )
    return float(log_mean_exp(log_sum_exp(terms)))


def log_ratio_over_heaps(values: FloatArray, unit: float) -> float:
    """Log Bayes factor, near one unit: most readings on the comb, against at most half of them.

    The heaps are narrow (rounding by hand), the comb has a spread from 0.001 to 0.3 units, and
    the remaining readings of the heaped null are uniform in phase. Both sides average over the
    same units, closer and closer round `unit`.
    """
    reach = np.sqrt(np.sum(values**2)) or 1.0
    nearness = np.geomspace(*_NEARNESS, _HEAP_UNITS)
    frequency = 1 / unit + np.concatenate([-nearness, [0.0], nearness]) / reach
    cycles = values * frequency[frequency > 0, None]
    phase = np.abs(cycles - np.rint(cycles))
    comb, heaps = [], []
    for spread in _COMB_SPREADS:
        excess = np.maximum(_three_teeth(phase, spread), _LEAST_DENSITY) - 1
        comb += [np.log1p(share * excess).sum(axis=1) for share in _ON_COMB]
        if spread in _HEAP_SPREADS:
            heaps += [np.log1p(share * excess).sum(axis=1) for share in _ON_HEAPS]
    return float(log_mean_exp(np.array(comb).ravel()) - log_mean_exp(np.array(heaps).ravel()))


def _three_teeth(phase: FloatArray, spread: float) -> FloatArray:
    half = 0.5 / spread**2
    density: FloatArray = (
        np.exp(-(phase**2) * half)
        + np.exp(-((1 - phase) ** 2) * half)
        + np.exp(-((1 + phase) ** 2) * half)
    ) / (spread * np.sqrt(2 * np.pi))
    return density


def log_falling(levels: FloatArray | IntArray, most: int) -> FloatArray:
    """log K!/(K − J)! for J = 0..most, shape levels.shape + (most + 1,); -inf where J > K."""
    left = np.asarray(levels, float)[..., None] - np.arange(most)
    with np.errstate(divide="ignore"):
        steps = np.log(np.maximum(left, 0.0))
    zero = np.zeros((*left.shape[:-1], 1))
    out: FloatArray = np.concatenate([zero, np.cumsum(steps, axis=-1)], axis=-1)
    return out


def log_sum_exp(terms: FloatArray) -> FloatArray:
    """Log of the sum of the exponentials along the last axis."""
    peak = np.max(terms, axis=-1, keepdims=True)
    peak = np.where(np.isfinite(peak), peak, 0.0)
    with np.errstate(divide="ignore"):
        out: FloatArray = np.log(np.sum(np.exp(terms - peak), axis=-1)) + peak[..., 0]
    return out


def _window(values: FloatArray) -> float:
    n = values.size
    return float(np.ptp(values)) * (n + 1) / (n - 1)
