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
    weighted = design * weight[:, None]
    normal = np.einsum("cni,cnj->cij", weighted, design)
    # What no coefficient determines stays near zero.
    ridge = RIDGE * (weight.sum() + np.trace(normal, axis1=1, axis2=2))
    normal += ridge[:, None, None] * np.eye(design.shape[2])
    right = np.einsum("cni,n->ci", weighted, values)[:, :, None]
    return np.asarray(np.linalg.solve(normal, right)[:, :, 0])


def integrated(values: FloatArray, variance: FloatArray, design: FloatArray) -> FloatArray:
    """Log of the integral of the likelihood over units and offset, shape (C, S).

    `variance` is (S, n); −inf where a unit is left open.
    """
    k = design.shape[2]
    weight = 1 / variance
    products = np.einsum("cni,cnj->cnij", design, design).reshape(len(design), values.size, k * k)
    normal = np.einsum("sn,cnk->csk", weight, products).reshape(len(design), len(variance), k, k)
    right = np.einsum("sn,cni,n->csi", weight, design, values)
    sign, log_det = np.linalg.slogdet(normal)
    usable = (sign > 0) & (log_det > _LEAST_LOG_DET)
    safe = np.where(usable[:, :, None, None], normal, np.eye(k))
    solved = np.linalg.solve(safe, right[..., None])[..., 0]
    squares = weight @ np.square(values) - np.einsum("csi,csi->cs", solved, right)
    logs = -0.5 * (np.log(variance).sum(axis=1) + (values.size - k) * LOG_2PI)
    logs = logs - 0.5 * (log_det + np.maximum(squares, 0.0))
    # What is left open is so at every noise, whatever rounding makes of the others.
    closed = usable[:, 0] & (np.linalg.cond(safe[:, 0]) < _LARGEST_CONDITION)
    return np.where(usable & closed[:, None], logs, -np.inf)
