"""Marginal likelihoods of sizes of any kind: smooth envelopes, and heaps on round values."""

from __future__ import annotations

import numpy as np
from scipy.special import betaln

from quantize._support.validation import FloatArray, IntArray
from quantize.null.choices import BETA_SHAPES, BLURRED, HEAP_SPREADS, NARROWEST, ON_COMB, SHIFTS
from quantize.null.occupancy import SHARE_NAMES, log_falling, log_norm, log_seats
from quantize.null.partitions import (
    LOG_2PI,
    log_mean_exp,
    log_partition_sums,
    log_sum_exp,
    widened_span,
)

WIDTHS = 14
"""Standard deviations of an envelope, or a lump, that are averaged over ..."""
_FEW_WIDTHS = 6
"""... those of broad lumps, and of a comb wider than a heap."""
_NEXT_TO_HEAPS = 0.07
"""Narrowest comb, in units, that is wider than any heap."""
_HEAP_UNITS = 30
"""Units tried on either side of the best one ..."""
_NEARNESS = (1e-4, 0.2)
"""... which move the readings by so many cycles, the nearest and the farthest."""
_LEAST_DENSITY = 1e-12
"""Floor of the density of the phases."""


def log_uniform(values: FloatArray) -> float:
    """A uniform density over the range, widened by (n + 1)/(n − 1) as for a uniform sample."""
    return -values.size * float(np.log(widened_span(values)))


def log_normal(values: FloatArray, window: float) -> float:
    """Normal: mean uniform over `window`, standard deviation log-uniform from window/30 to it."""
    n = values.size
    width = np.geomspace(window / NARROWEST["normal"], window, WIDTHS)
    squares = float(np.sum((values - values.mean()) ** 2))
    terms = (
        -0.5 * (n - 1) * (LOG_2PI + 2 * np.log(width))
        - 0.5 * np.log(n)
        - 0.5 * squares / width**2
        - np.log(window)
    )
    return float(log_mean_exp(terms))


def log_skewed(values: FloatArray) -> float:
    """Shifted lognormal, either way round: four shifts from nearly exponential to nearly normal."""
    window = widened_span(values)
    terms = []
    for turned in (values, -values):
        above = turned - turned.min()
        for shift in SHIFTS:
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
    shapes = np.array(BETA_SHAPES)
    terms = []
    for window in (widened_span(values), span * (1 + 0.2 / (n - 1))):
        place = (values - middle) / window + 0.5
        terms.append(
            (shapes[:, None] - 1) * float(np.log(place).sum())
            + (shapes - 1) * float(np.log1p(-place).sum())
            - n * (betaln(shapes[:, None], shapes) + np.log(window))
        )
    return float(log_mean_exp(np.array(terms).ravel()))


def log_broad_lumps(values: FloatArray, count: IntArray, inner: FloatArray) -> float:
    """Broad lumps of one width, anywhere, with flat shares: one to as many as fill the span.

    Each value stands for `count` levels, of which `inner` is the sum of squares about it.
    """
    n = int(count.sum())
    window = widened_span(values, n)
    span = float(np.ptp(values))
    width = np.geomspace(span / NARROWEST["broad lumps"], span / 2, _FEW_WIDTHS)
    # So many of the narrowest, two standard deviations wide, fill the span.
    fill = NARROWEST["broad lumps"] // 2
    flat = SHARE_NAMES.index("flat shares")
    most = min(values.size, fill)
    variance = np.square(width)[:, None] / count
    seats = log_seats(n)[[flat]]
    sums = log_partition_sums(values, variance, count, seats, most)[:, 0, :]
    within = -0.5 * (n - values.size) * (LOG_2PI + 2 * np.log(width))
    within -= 0.5 * (np.log(count).sum() + inner.sum() / np.square(width))
    lumps = np.arange(1, fill + 1)
    groups = np.arange(most + 1)
    terms = (
        (sums + within[:, None])[:, None, :]
        + log_falling(lumps, most)
        + log_norm(lumps, n)[flat][:, None]
        - groups * np.log(window)
    )
    return float(log_mean_exp(log_sum_exp(terms).ravel()))


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
    wider = np.geomspace(_NEXT_TO_HEAPS, BLURRED, _FEW_WIDTHS)
    for spread in (*HEAP_SPREADS, *wider):
        half = 0.5 / spread**2
        bells = sum(np.exp(-np.square(phase + tooth) * half) for tooth in (0, -1, 1))
        density = bells / (spread * np.sqrt(2 * np.pi))
        excess = np.maximum(density, _LEAST_DENSITY) - 1
        comb += [np.log1p(share * excess).sum(axis=1) for share in ON_COMB]
        if spread in HEAP_SPREADS:
            heaps += [np.log1p(tenths / 10 * excess).sum(axis=1) for tenths in range(1, 6)]
    return float(log_mean_exp(np.array(comb).ravel()) - log_mean_exp(np.array(heaps).ravel()))
