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
from quantize.null.occupancy import log_norm, log_seats
from quantize.null.sample import Sample

_MOST = 2
"""Largest coefficient of either unit."""
_LEVELS = 10
_REFINED = 60
_ROUNDS = 3
_LOG_2PI = float(np.log(2 * np.pi))


@dataclasses.dataclass(frozen=True)
class TwoGenerators:
    """Log evidence of sums of two units, and the units that explain the sample best."""

    log_evidence: float
    units: tuple[float, float]


def sums_of_two_units(sample: Sample, groups: IntArray, *, offset: bool) -> TwoGenerators:
    """Evidence of sums of two units; `groups` are the levels that each item probably belongs to.

    The units are uniform between zero and the length R on which the sample lies, an offset on R.
    With the coefficients of every item known, the integral over them is a Gaussian one. Candidates
    for the units are the levels and their differences.
    """
    x = sample.values
    values = x - x[0] if offset else x
    reach = float(np.ptp(x)) if offset else float(np.abs(x).max())
    pairs = _candidates(values, groups, sample.count, offset)
    if not len(pairs):
        return TwoGenerators(-np.inf, (np.nan, np.nan))
    lattice = _coefficients(offset)
    weight = 1 / sample.variance[len(sample.variance) // 2]
    squares, chosen = _seated(values, weight, pairs, lattice)
    best = np.argsort(squares, kind="stable")[:_REFINED]
    pairs, chosen = pairs[best], chosen[best]
    for _ in range(_ROUNDS):
        pairs, start = _least_squares(values, weight, lattice[chosen], offset)
        _, chosen = _seated(values - start[:, None], weight, pairs, lattice)
    found, first = np.unique(chosen, axis=0, return_index=True)
    pairs = pairs[first]
    inside = np.all((pairs > 0) & (pairs <= reach), axis=1)
    if not inside.any():
        return TwoGenerators(-np.inf, (np.nan, np.nan))
    coefficients, pairs = lattice[found[inside]], pairs[inside]
    log_like = _integrated(values, sample.variance, coefficients, offset)
    log_like = np.logaddexp.reduce(log_like + sample.log_weight, axis=1)
    log_prior = np.log(2) - (3 if offset else 2) * np.log(reach)
    total = log_like + log_prior + _log_shares(found[inside], coefficients, sample.count)
    # The same lattice with the units the other way round is counted once.
    unordered = pairs[:, 0] <= pairs[:, 1]
    if not unordered.any():
        unordered[:] = True
    best_pair = pairs[unordered][int(np.argmax(total[unordered]))]
    evidence = float(np.logaddexp.reduce(total[unordered]))
    return TwoGenerators(evidence, (float(best_pair[0]), float(best_pair[1])))


def _coefficients(offset: bool) -> FloatArray:
    """The pairs (i, j), shape (L, 2); from an offset they may be negative."""
    least = -_MOST if offset else 0
    every = range(least, _MOST + 1)
    return np.array(list(itertools.product(every, every)), float)


def _candidates(values: FloatArray, groups: IntArray, count: IntArray, offset: bool) -> FloatArray:
    """Pairs of units: of levels and their differences, the larger groups first."""
    size = np.bincount(groups, weights=count)
    mean = np.bincount(groups, weights=count * values) / size
    kept = np.sort(mean[np.argsort(-size, kind="stable")[:_LEVELS]])
    first, second = np.triu_indices(kept.size, 1)
    lengths = kept[second] - kept[first]
    if not offset:
        lengths = np.concatenate([np.abs(kept), lengths])
    lengths = np.unique(np.round(lengths[lengths > 0], 12))
    one, two = np.triu_indices(lengths.size, 1)
    return np.column_stack([lengths[one], lengths[two]])


def _seated(
    values: FloatArray, weight: FloatArray, pairs: FloatArray, lattice: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Weighted sum of squares from the nearest places, and which these are, shape (C, n)."""
    squares, chosen = np.empty(len(pairs)), np.empty((len(pairs), values.shape[-1]), np.int64)
    rows = np.broadcast_to(values, chosen.shape)
    block = max(1, 400_000 // (values.shape[-1] * len(lattice)))
    for start in range(0, len(pairs), block):
        part = slice(start, start + block)
        places = pairs[part] @ lattice.T
        away = np.abs(rows[part][:, :, None] - places[:, None, :])
        chosen[part] = np.argmin(away, axis=2)
        nearest = np.take_along_axis(away, chosen[part][:, :, None], axis=2)[:, :, 0]
        squares[part] = np.square(nearest) @ weight
    return squares, chosen


def _design(coefficients: FloatArray, offset: bool) -> FloatArray:
    """Columns i, j and one for the offset, shape (C, n, 2 or 3)."""
    if not offset:
        return coefficients
    return np.concatenate([coefficients, np.ones((*coefficients.shape[:2], 1))], axis=2)


def _least_squares(
    values: FloatArray, weight: FloatArray, coefficients: FloatArray, offset: bool
) -> tuple[FloatArray, FloatArray]:
    """Units and offset of each assignment; what it leaves open stays near zero."""
    design = _design(coefficients, offset)
    weighted = design * weight[:, None]
    normal = np.einsum("cni,cnj->cij", weighted, design)
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(design.shape[2])
    solved = np.linalg.solve(normal, np.einsum("cni,n->ci", weighted, values)[:, :, None])[:, :, 0]
    start = solved[:, 2] if offset else np.zeros(len(solved))
    return np.abs(solved[:, :2]), start


def _integrated(
    values: FloatArray, variance: FloatArray, coefficients: FloatArray, offset: bool
) -> FloatArray:
    """Log of the integral over units and offset, shape (C, S); −inf where one is left open."""
    design = _design(coefficients, offset)
    k = design.shape[2]
    weight = 1 / variance
    products = np.einsum("cni,cnj->cnij", design, design).reshape(len(design), values.size, k * k)
    normal = np.einsum("sn,cnk->csk", weight, products).reshape(len(design), len(variance), k, k)
    right = np.einsum("sn,cni,n->csi", weight, design, values)
    sign, log_det = np.linalg.slogdet(normal)
    usable = (sign > 0) & (log_det > -600)
    safe = np.where(usable[:, :, None, None], normal, np.eye(k))
    solved = np.linalg.solve(safe, right[..., None])[..., 0]
    squares = weight @ np.square(values) - np.einsum("csi,csi->cs", solved, right)
    logs = (
        -0.5 * np.log(variance).sum(axis=1)
        - 0.5 * (values.size - k) * _LOG_2PI
        - 0.5 * log_det
        - 0.5 * np.maximum(squares, 0.0)
    )
    condition = np.linalg.cond(safe[:, 0])
    return np.where(usable & (condition < 1e8)[:, None], logs, -np.inf)


def _log_shares(chosen: IntArray, coefficients: FloatArray, count: IntArray) -> FloatArray:
    """Dirichlet-multinomial probability of the occupied places among those in reach, averaged."""
    total = int(count.sum())
    spanned = np.prod(np.ptp(coefficients, axis=1) + 1, axis=1)
    seats = log_seats(total)
    out = log_norm(spanned, total)
    for row, places in enumerate(chosen):
        held = np.bincount(places, weights=count).astype(np.int64)
        out[:, row] += seats[:, held[held > 0]].sum(axis=1)
    mean: FloatArray = np.logaddexp.reduce(out, axis=0) - np.log(len(out))
    return mean
