"""Levels that are sums of two unrelated units: places i·a + j·b, perhaps from an offset.

Six levels that are sums of two units have two free places and not six. A comb explains them only
where the units are nearly commensurable, but it explains them better than six levels anywhere do,
so that they are a hypothesis of their own.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.null.lattices import RIDGE, first_distinct, integrated, least_squares
from quantize.null.occupancy import log_held, log_norm
from quantize.null.sample import Sample

_MOST = (2, 4)
"""Largest coefficient of either unit in the two searches: the smaller finds what the larger
misses."""
_RARER = 3
"""Where large coefficients are rare the probability of the largest falls as this power of it."""
_LEVELS = 10
"""Largest groups from which pairs of units are taken."""
_REFINED = 60
"""Best assignments that are refined ..."""
_ROUNDS = 3
"""... by least squares, so many times."""


@dataclasses.dataclass(frozen=True)
class TwoGenerators:
    """Log evidence of sums of two units, and the units that explain the sample best.

    `log_evidence_small` is that where large coefficients are rare.
    """

    log_evidence: float
    log_evidence_small: float
    units: tuple[float, float]


def sums_of_two_units(
    sample: Sample,
    groups: IntArray,
    typical: FloatArray,
    *,
    offset: bool = False,
    signed: bool = False,
) -> TwoGenerators:
    """Evidence of sums of two units; `groups` are the levels that each item probably belongs to.

    Either unit is uniform, and the farthest multiple of each that is met lies within the length R
    of the sample; an offset is uniform on R. With the coefficients of every item known, the
    integral over them is a Gaussian one. Candidates for the units are the levels and their
    differences, and `typical` (n,) is the variance by which they are ranked. Coefficients run from
    0 to 4, `signed` ones from -4 to 4. The largest of either unit is any of 1 to 4, each as often,
    or with a probability that falls as its cube. Of the many assignments that larger ones allow the
    best are summed, which leaves out up to three quarters of a unit of the log evidence of six
    or seven levels.
    """
    none = TwoGenerators(-np.inf, -np.inf, (np.nan, np.nan))
    x = sample.values
    values = x - x[0] if offset else x
    reach = float(np.ptp(x)) if offset else float(np.abs(x).max())
    weight = 1 / typical
    held = np.bincount(groups, weights=weight).astype(np.float64)
    means = np.bincount(groups, weights=weight * values) / held
    size = np.bincount(groups, weights=sample.count).astype(np.float64)
    candidates = _candidates(means, size, offset)
    if not len(candidates):
        return none
    starts = np.zeros((len(candidates), 1))
    if offset:
        # The lowest level is the corner of the lattice, or one unit from it.
        starts = np.concatenate([starts, -candidates[:, :1], -candidates[:, 1:]])
        candidates = np.tile(candidates, (3, 1))
    pairs, coefficients = [], []
    for most in _MOST:
        lattice = _coefficients(signed, most)
        squares, chosen = _seated(means - starts, held, candidates, lattice)
        along = np.divmod(chosen, int(np.ptp(lattice)) + 1)
        spanned = sum(np.log(np.ptp(steps, axis=1) + 1) for steps in along)
        # What differs by rounding alone keeps its order, whatever the machine.
        best = np.argsort(np.round(0.5 * squares + size.sum() * spanned, 9), kind="stable")
        chosen = first_distinct(chosen[best], _REFINED)[:, groups]
        for _ in range(_ROUNDS):
            solved = least_squares(values, weight, _design(lattice[chosen], offset))
            found, start = np.abs(solved[:, :2]), solved[:, 2:].sum(axis=1)
            _, chosen = _seated(values - start[:, None], weight, found, lattice)
        pairs.append(found)
        coefficients.append(lattice[chosen])
    units, places = _distinct(np.concatenate(pairs), np.concatenate(coefficients), reach, offset)
    if not len(units):
        return none
    log_like = integrated(values, sample.variance, _design(places, offset))
    log_like = np.logaddexp.reduce(log_like + sample.log_weight, axis=1)
    most = np.maximum(np.abs(places).max(axis=1), 1)
    log_prior = np.log(2 * most.prod(axis=1)) - (3 if offset else 2) * np.log(reach)
    total = log_like + log_prior + _log_shares(places, sample.count)
    best_pair = units[int(np.argmax(total))]
    evidences: list[float] = []
    for power in (0, _RARER):
        # The probability of the largest coefficient of either unit is in proportion to most^-power.
        among = np.arange(1, max(_MOST) + 1) ** -float(power)
        log_largest = -power * np.log(most).sum(axis=1) - 2 * np.log(among.sum())
        evidences.append(float(np.logaddexp.reduce(total + log_largest)))
    even, small = evidences
    return TwoGenerators(even, small, (float(best_pair[0]), float(best_pair[1])))


def _distinct(
    pairs: FloatArray, coefficients: FloatArray, reach: float, offset: bool
) -> tuple[FloatArray, FloatArray]:
    """Each lattice once: the smaller unit first, and an offset at the lowest corner."""
    if offset:
        coefficients = coefficients - coefficients.min(axis=1, keepdims=True)
    swapped = pairs[:, 0] > pairs[:, 1]
    coefficients = np.where(swapped[:, None, None], coefficients[:, :, ::-1], coefficients)
    pairs = np.sort(pairs, axis=1)
    usable = np.all((pairs > 0) & (pairs <= reach), axis=1)
    places, first = np.unique(coefficients[usable], axis=0, return_index=True)
    return pairs[usable][first], places


def _coefficients(signed: bool, most: int) -> FloatArray:
    """The pairs (i, j), shape (L, 2)."""
    every = range(-most if signed else 0, most + 1)
    return np.array(list(itertools.product(every, every)), float)


def _candidates(mean: FloatArray, size: FloatArray, offset: bool) -> FloatArray:
    """Pairs of units: of levels and their differences, of the largest groups."""
    kept = np.sort(mean[np.argsort(-size, kind="stable")[:_LEVELS]])
    first, second = np.triu_indices(kept.size, 1)
    lengths = kept[second] - kept[first]
    if not offset:
        lengths = np.concatenate([np.abs(kept), lengths])
    lengths = lengths[lengths > 0]
    if lengths.size:
        _, first = np.unique(np.round(lengths / lengths.max(), 12), return_index=True)
        lengths = lengths[first]
    one, two = np.triu_indices(lengths.size, 1)
    return np.column_stack([lengths[one], lengths[two]])


def _seated(
    values: FloatArray, weight: FloatArray, pairs: FloatArray, lattice: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Weighted sum of squares from the nearest places, and which these are, shape (C, n)."""
    low, high = int(lattice.min()), int(lattice.max())
    slack = RIDGE * np.abs(values).max()
    one, other = pairs[:, :1], np.maximum(pairs[:, 1:], slack)
    nearest = np.full((len(pairs), values.shape[-1]), np.inf)
    chosen, rest, steps, away = (np.empty_like(nearest) for _ in range(4))
    for place, i in enumerate(range(low, high + 1)):
        np.subtract(values, i * one, out=rest)
        np.rint(np.divide(rest, other, out=steps), out=steps)
        np.minimum(np.maximum(steps, low, out=steps), high, out=steps)
        np.subtract(rest, np.multiply(steps, other, out=away), out=away)
        np.abs(away, out=away)
        nearer = away < nearest - slack
        np.copyto(nearest, away, where=nearer)
        steps += place * (high - low + 1) - low
        np.copyto(chosen, steps, where=nearer)
    return np.square(nearest) @ weight, chosen.astype(np.int64)


def _design(coefficients: FloatArray, offset: bool) -> FloatArray:
    """Columns i, j and one for the offset, shape (C, n, 2 or 3)."""
    if not offset:
        return coefficients
    return np.concatenate([coefficients, np.ones((*coefficients.shape[:2], 1))], axis=2)


def _log_shares(coefficients: FloatArray, count: IntArray) -> FloatArray:
    """Dirichlet-multinomial probability of the occupied places among those in reach, averaged."""
    # In reach are all pairs up to the largest of each coefficient, or as often those whose sum is
    # no larger than the largest: the sums of so many of three levels are such a triangle. On both
    # sides of zero it stands as often on its head, so that no sign is preferred.
    total = int(count.sum())
    from_corner = (coefficients - coefficients.min(axis=1, keepdims=True)).astype(np.int64)
    size = np.ptp(from_corner, axis=1) + 1
    sums = from_corner.sum(axis=2)
    upright, turned = sums.max(axis=1), (size - 1).sum(axis=1) - sums.min(axis=1)
    turned = np.where(coefficients.min(axis=(1, 2)) < 0, turned, upright)
    triangles = [log_norm(_within(size, most), total) for most in (upright, turned)]
    out = np.logaddexp(log_norm(np.prod(size, axis=1), total), np.logaddexp(*triangles) - np.log(2))
    out -= np.log(2)
    places = from_corner[:, :, 0] * (2 * max(_MOST) + 1) + from_corner[:, :, 1]
    out += log_held(places, count)
    return np.asarray(np.logaddexp.reduce(out, axis=0) - np.log(len(out)))


def _within(size: IntArray, most: IntArray) -> IntArray:
    """Pairs (i, j), each below its `size` (C, 2), with i + j at most `most` (C,)."""
    i = np.arange(size[:, 0].max(initial=0))
    in_row = np.minimum(most[:, None] + 1 - i, size[:, 1:])
    return np.asarray(np.where(i < size[:, :1], np.maximum(in_row, 0), 0).sum(axis=1))
