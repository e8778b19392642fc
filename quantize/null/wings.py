"""Levels beyond the last half of a unit: on one more tooth, or scattered from the last."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.null.occupancy import Seating, seat
from quantize.null.partitions import log_mean_exp
from quantize.null.sample import Sample, Teeth

_ENDS = ((1, 0), (0, 1), (1, 1))
"""Teeth that may be left out at the low and the high end."""


def without_wings(rows: IntArray) -> IntArray:
    """The rows (C, n), and each with its first, its last, and both teeth moved to the next."""
    low, high = rows.min(axis=1, keepdims=True), rows.max(axis=1, keepdims=True)
    moved = [np.clip(rows, low + first, high - last) for first, last in _ENDS]
    return np.concatenate([rows, *moved])


def best_seated(comb: Teeth, sample: Sample, *, free: bool) -> tuple[Teeth, Seating]:
    """Every comb with or without its last teeth at either end, whichever is more probable.

    The nearest tooth of a level that scatters beyond the last half of a unit is one that nothing
    else may be on. Without it the levels on it may only come from the others; where the scatter is
    wide that costs less than the shares of a tooth more.
    """
    seating = seat(comb.integers, sample.count, free=free)
    best, integers = _log_mean(seating), comb.integers.copy()
    log_likelihood = comb.log_likelihood.copy()
    total = int(sample.count.sum())
    low, high = comb.integers[:, :1], comb.integers[:, -1:]
    for first, last in _ENDS:
        left = seating.teeth - first - last
        rows = np.flatnonzero(left > 1)
        dropped = np.clip(comb.integers[rows], low[rows] + first, high[rows] - last)
        cost, moved = _cost(comb, sample, rows, dropped)
        # No shares gain more than this by the move.
        gain = total * np.log(seating.teeth[rows] / left[rows])
        gain += (moved + first + last) * np.log(total + seating.teeth[rows])
        worth = cost + gain > 0
        rows, dropped, cost = rows[worth], dropped[worth], cost[worth]
        if not rows.size:
            continue
        found = _log_mean(seat(dropped, sample.count, free=free)) + cost
        better = found > best[rows]
        rows, cost = rows[better], cost[better]
        best[rows], integers[rows] = found[better], dropped[better]
        log_likelihood[rows] = comb.log_likelihood[rows] + cost
    chosen = dataclasses.replace(comb, integers=integers, log_likelihood=log_likelihood)
    return chosen, seat(integers, sample.count, free=free)


def _log_mean(seating: Seating) -> FloatArray:
    return log_mean_exp(seating.log_shares, axis=0)


def _cost(
    comb: Teeth, sample: Sample, rows: IntArray, dropped: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Log of what is left of the density without the teeth left out, and how many levels moved."""
    # Only the items at the ends move.
    at, item = np.nonzero(dropped != comb.integers[rows])
    row = rows[at]
    unit, nearest = comb.unit[row], comb.integers[row, item]
    away = sample.values[item] - comb.offset[row] * sample.lever[item] - unit * nearest
    farther = away - unit * (dropped[at, item] - nearest)
    count = sample.count[item].astype(float)
    each = (np.square(farther) - np.square(away)) / (2 * sample.variance[comb.noise[row], item])
    logs = -count * np.logaddexp(0.0, each / count)
    cost: FloatArray = np.bincount(at, weights=logs, minlength=rows.size).astype(float)
    moved: FloatArray = np.bincount(at, weights=count, minlength=rows.size).astype(float)
    return cost, moved
