"""Levels on a lattice: given which place each has, the units are a matter of least squares."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.null.partitions import LOG_2PI

RIDGE = 1e-9
"""Keeps the least squares solvable where no coefficient determines a unit."""
_LEAST_LOG_DET, _LARGEST_CONDITION = -600.0, 1e8
"""Assignments beyond these leave a unit open, and are left out."""


def first_distinct(rows: IntArray, most: int) -> IntArray:
    """The first `most` rows that differ from those before them, told apart by a hash."""
    factors = np.random.default_rng(0).integers(1, 2**62, rows.shape[1])
    _, first = np.unique((rows * factors).sum(axis=1), return_index=True)
    return np.asarray(rows[np.sort(first)[:most]])


def least_squares(values: FloatArray, weight: FloatArray, design: FloatArray) -> FloatArray:
    """Units, and the offset where it has a column, of each design (C, n, k): shape (C, k)."""
    weighted = np.swapaxes(design, 1, 2) * weight
    normal = weighted @ design
    # What no coefficient determines stays near zero.
    ridge = RIDGE * (weight.sum() + np.trace(normal, axis1=1, axis2=2))
    normal += ridge[:, None, None] * np.eye(design.shape[2])
    right = weighted @ values[:, None]
    return np.asarray(np.linalg.solve(normal, right)[:, :, 0])


def integrated(values: FloatArray, variance: FloatArray, design: FloatArray) -> FloatArray:
    """Log of the integral of the likelihood over units and offset, shape (C, S).

    `variance` is (S, n); −inf where a unit is left open.
    """
    k, weight = design.shape[2], 1 / variance
    columns = [*np.moveaxis(design, 2, 0), np.broadcast_to(values, design.shape[:2])]
    # Lower triangle of the normal equations, then Cholesky's elimination, whatever the weights are.
    lower = {
        (i, j): (columns[i] * columns[j]) @ weight.T for i in range(k + 1) for j in range(i + 1)
    }
    log_det, usable = np.zeros((len(design), len(variance))), np.array(True)
    for i in range(k):
        usable = usable & (lower[i, i] > 0)
        pivot = np.where(usable, lower[i, i], 1.0)
        log_det += np.log(pivot)
        for row in range(i + 1, k + 1):
            factor = lower[row, i] / pivot
            for column in range(i + 1, row + 1):
                lower[row, column] = lower[row, column] - factor * lower[column, i]
    # What is left open is so at every noise, whatever rounding makes of the others.
    first = (np.swapaxes(design, 1, 2) * weight[0]) @ design
    usable = usable & (log_det > _LEAST_LOG_DET)
    usable &= (np.linalg.cond(first) < _LARGEST_CONDITION)[:, None]
    logs = -0.5 * (np.log(variance).sum(axis=1) + (values.size - k) * LOG_2PI)
    logs = logs - 0.5 * (log_det + np.maximum(lower[k, k], 0.0))
    return np.where(usable, logs, -np.inf)
