"""The comb with every level on one tooth: the teeth are assigned, unit and offset integrated out.

Hypotheses with levels put every level on one place, which favours a narrower scatter than a comb on
which it may belong to any tooth. They are compared with a comb that does the same. Levels beyond
the last half of a unit are on one more tooth, or scattered from the last.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.model.posterior import Posterior
from quantize.null.choices import BLURRED
from quantize.null.lattices import first_distinct, integrated, least_squares
from quantize.null.occupancy import Seating, seat
from quantize.null.partitions import log_mean_exp
from quantize.null.sample import Sample, Teeth

_ASSIGNMENTS = 200
"""Assignments of the most probable combs that are tried ..."""
_ROUNDS = 3
"""... each refined by least squares so many times."""
_ENDS = ((1, 0), (0, 1), (1, 1))
"""Teeth that may be left out at the low and the high end."""


@dataclasses.dataclass(frozen=True)
class Assigned:
    """Assignments of the levels to teeth, each with its unit by least squares, shape (C,).

    `integers` (C, n) are counted from the first item where the offset is free. `log_likelihood`
    (C, S) has the prior mass of each node of noise in it, and not yet the occupancy.
    """

    unit: FloatArray
    integers: IntArray
    log_likelihood: FloatArray


def assigned(
    found: Posterior, sample: Sample, comb: Teeth, order: IntArray, high: float
) -> Assigned:
    """The assignments of the combs in this order, each refined; units up to `high`.

    An offset with a prior of its own is taken as normal, as wide as the middle half of it.
    """
    values, variance, lever = _measured(found, sample, comb, order)
    typical = 1 / variance[comb.noise[order[0]]]
    n, unknown = sample.values.size, 1 if isinstance(found.prior.offset, float) else 2

    def solved(rows: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
        """Each assignment once, its design, and unit and offset; where the unit is in the range."""
        # With a free offset from the tooth of the first item: which is called zero is arbitrary.
        rows = first_distinct(rows - rows[:, :1] if found.prior.free else rows, len(rows))
        design = np.zeros((len(rows), values.size, unknown))
        design[:, :n, 0] = rows
        design[:, :, 1:] = lever[:, None]
        units = least_squares(values, typical, design)
        inside = (units[:, 0] >= found.unit_range.low) & (units[:, 0] <= high)
        return rows[inside], design[inside], units[inside]

    rows = first_distinct(comb.integers[order], _ASSIGNMENTS)
    for _ in range(_ROUNDS):
        _, _, units = solved(rows)
        from_start = values[:n] - units[:, 1:].sum(axis=1)[:, None] * lever[:n]
        rows = np.rint(from_start / units[:, :1]).astype(np.int64)
    rows, design, units = solved(without_wings(rows))
    unit = units[:, 0]
    log_like = integrated(values, variance, design) + _log_prior(found, sample, unit)
    return Assigned(unit, rows, log_like)


def _measured(
    found: Posterior, sample: Sample, comb: Teeth, order: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Values from the offset of the best comb, their variances, and their levers.

    What is known of an offset counts as one value more, on no tooth.
    """
    offset = found.prior.offset
    if isinstance(offset, float):
        return sample.values, sample.variance, sample.lever
    start = float(comb.offset[order[0]])
    values = sample.values - start * sample.lever
    if offset is None:
        return values, sample.variance, sample.lever
    half = float(offset.ppf(0.75) - offset.ppf(0.25)) / 1.349
    known = np.full((len(sample.variance), 1), half**2)
    return (
        np.append(values, float(offset.median()) - start),
        np.concatenate([sample.variance, known], axis=1),
        np.append(sample.lever, 1.0),
    )


def _log_prior(found: Posterior, sample: Sample, unit: FloatArray) -> FloatArray:
    """Log prior density of unit and offset times the prior mass of each node of noise, (C, S)."""
    prior, sigma = found.prior, found.noise.sigma
    noise = found.noise.log_weight + sample.log_within + sample.log_merged
    log_prior = prior.log_unit_density(unit) - (2 if prior.free else 1) * np.log(unit)
    out = log_prior[:, None] + noise
    if not isinstance(prior.sigma, float):
        out = out + prior.log_sigma_density(sigma, unit[:, None])
    return np.where(unit[:, None] >= sample.sigma / BLURRED, out, -np.inf)


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
    low, high = comb.integers[:, :1], comb.integers[:, -1:]
    for first, last in _ENDS:
        rows = np.flatnonzero(seating.teeth > first + last + 1)
        dropped = np.clip(comb.integers[rows], low[rows] + first, high[rows] - last)
        cost = _cost(comb, sample, rows, dropped)
        found = _log_mean(seat(dropped, sample.count, free=free)) + cost
        better = found > best[rows]
        rows, cost = rows[better], cost[better]
        best[rows], integers[rows] = found[better], dropped[better]
        log_likelihood[rows] = comb.log_likelihood[rows] + cost
    chosen = dataclasses.replace(comb, integers=integers, log_likelihood=log_likelihood)
    return chosen, seat(integers, sample.count, free=free)


def _log_mean(seating: Seating) -> FloatArray:
    return log_mean_exp(seating.log_shares, axis=0)


def _cost(comb: Teeth, sample: Sample, rows: IntArray, dropped: IntArray) -> FloatArray:
    """Log of what is left of the density without the teeth left out."""
    # Only the items at the ends move.
    at, item = np.nonzero(dropped != comb.integers[rows])
    row = rows[at]
    unit, nearest = comb.unit[row], comb.integers[row, item]
    away = sample.values[item] - comb.offset[row] * sample.lever[item] - unit * nearest
    farther = away - unit * (dropped[at, item] - nearest)
    count = sample.count[item]
    each = (np.square(farther) - np.square(away)) / (2 * sample.variance[comb.noise[row], item])
    logs = -count * np.logaddexp(0.0, each / count)
    return np.bincount(at, weights=logs, minlength=rows.size).astype(float)
