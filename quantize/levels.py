"""Levels: charge states reduced to their means."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray, read_only


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Levels:
    """Charge states reduced to their means.

    `mean[j]` has variance ``sigma**2 * factor[j]`` for a common sigma (so `factor` is 1/m for m
    readings), or exactly `factor[j]` when sigmas were given (`sigma_given`). `scatter` is the sum
    of squares within the states, in units of the given variances if they were given, and
    `degrees` its degrees of freedom. `index` says which level each reading belongs to.
    """

    mean: FloatArray
    factor: FloatArray
    count: IntArray
    index: IntArray
    scatter: float
    degrees: int
    sigma_given: bool


def levels_of(values: FloatArray, sigma: FloatArray | None, state: IntArray | None) -> Levels:
    """The weighted means of the charge states; without states each value is one."""
    n = values.size
    weight = np.ones(n) if sigma is None else sigma**-2.0
    index = np.arange(n) if state is None else state
    total = np.bincount(index, weights=weight)
    # Deviations from one member keep the digits of values far from zero.
    first = np.full(total.size, -1)
    first[index[::-1]] = np.arange(n)[::-1]
    anchor = values[first]
    deviation = values - anchor[index]
    mean_deviation = np.bincount(index, weights=weight * deviation) / total
    inner = deviation - mean_deviation[index]
    return Levels(
        mean=read_only(anchor + mean_deviation),
        factor=read_only(1.0 / total),
        count=read_only(np.bincount(index)),
        index=read_only(index.copy()),
        scatter=float(np.sum(weight * inner**2)),
        degrees=n - int(total.size),
        sigma_given=sigma is not None,
    )
