"""Levels: charge states reduced to their means; and values far from all others."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray, read_only

_MOST_FAR = 10
_FAR = 3.0


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Levels:
    """Charge states reduced to their means.

    `mean[j]` has variance ``sigma**2 * factor[j]`` for a common sigma (so `factor` is 1/m for m
    readings that are alike), or exactly `factor[j]` when sigmas were given (`sigma_given`).
    `scatter` is the sum of squares within the states, in units of the given variances or their
    proportions, and `degrees` its degrees of freedom. `index` says which level each reading
    belongs to.
    """

    mean: FloatArray
    factor: FloatArray
    count: IntArray
    index: IntArray
    scatter: float
    degrees: int
    sigma_given: bool

    def averages(self, values: FloatArray) -> FloatArray:
        """Means over the readings of each level, all alike."""
        return np.asarray(np.bincount(self.index, weights=values) / self.count)


def levels_of(values: FloatArray, sigma: FloatArray, state: IntArray | None) -> Levels:
    """The weighted means of the charge states; without states each value is one."""
    n = values.size
    weight = sigma**-2.0
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
        sigma_given=True,
    )


def far_values(values: FloatArray) -> IntArray:
    """Places of the few values that lie far from all the others; see `Readings.far`."""
    place = np.argsort(values, kind="stable")
    v = values[place]
    n = v.size
    for far in range(1, min(max(1, n // 10), _MOST_FAR) + 1):
        if n - far < 4:
            break
        for below in range(far + 1):
            first, last = below, n - (far - below) - 1
            least = _FAR * (v[last] - v[first])
            apart_below = below == 0 or v[first] - v[first - 1] > least
            apart_above = below == far or v[last + 1] - v[last] > least
            if least > 0 and apart_below and apart_above:
                return np.asarray(np.r_[place[:first], place[last + 1 :]])
    return np.empty(0, dtype=np.int64)
