"""Weights of an even lattice of midpoints near its ends, which make it exact for cubics there."""

from __future__ import annotations

import functools

import numpy as np

from quantize._support.validation import FloatArray, IntArray


def log_edge_weights(index: IntArray, size: int) -> FloatArray:
    """Log of the weight of each cell: zero but at the two ends of the lattice."""
    edge = edge_weights(size)
    log_weight = np.zeros(index.size)
    for place in (index, size - 1 - index):
        near = place < edge.size
        log_weight[near] += np.log(edge[place[near]])
    return log_weight


@functools.cache
def edge_weights(size: int) -> FloatArray:
    """Corrections to the first weights of a midpoint lattice, exact for cubics at the end."""
    order = 4
    if size < 2 * order:
        return np.ones(0)
    # ∫_0^order minus what the even weights give, for the powers 0 … order−1 about the end.
    t = np.arange(order) + 0.5
    powers = np.vander(t, order, increasing=True).T
    # The excess of the integral over the lattice sum, from the Euler–Maclaurin series at one end.
    end = np.array([0.0, -1 / 24, 0.0, 7 / 960])
    delta: FloatArray = np.linalg.solve(powers, end)
    return 1 + delta
