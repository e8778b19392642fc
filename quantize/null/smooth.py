"""Smooth nulls: data of the same spread and shape as the readings, but of any size."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.readings import Readings

BANDWIDTH = 0.35
"""Kernel width in units of the largest trial unit.

A comb of unit u keeps exp(−2π²·0.35²) = 9 % of its first harmonic under this kernel, at any number
of readings; with the usual rule, which shrinks with n, the null itself would grow steps.
"""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SmoothedBootstrap:
    """Charge states drawn again with replacement and spread by a normal kernel.

    Variance is kept by shrinking towards the mean. The scatter of the readings within a state is
    drawn again too, and the rounding is done again.
    """

    mean: FloatArray
    index: IntArray
    inner: FloatArray
    bandwidth: float
    like: Readings

    @classmethod
    def of(cls, readings: Readings, largest_unit: float) -> SmoothedBootstrap:
        """The null of these readings for trial units up to `largest_unit`."""
        levels = readings.levels()
        mean, index = levels.mean, levels.index
        n = mean.size
        spread = float(np.std(mean, ddof=1)) if n > 1 else 0.0
        rule = 1.06 * spread * n**-0.2
        return cls(
            mean=mean,
            index=index,
            inner=readings.values - mean[index],
            bandwidth=max(BANDWIDTH * largest_unit, rule),
            like=readings,
        )

    def __call__(self, size: int, rng: np.random.Generator) -> FloatArray:
        """`size` data sets, shape (size, n)."""
        n = self.mean.size
        centre, variance = float(self.mean.mean()), float(self.mean.var())
        drawn = self.mean[rng.integers(0, n, (size, n))] - centre
        drawn += self.bandwidth * rng.standard_normal((size, n))
        if variance > 0:
            drawn *= np.sqrt(variance / (variance + self.bandwidth**2))
        values: FloatArray = centre + drawn[:, self.index]
        values += scatter_within(self.inner, self.index, values.shape, rng)
        return self.like.recorded(values)


def scatter_within(
    inner: FloatArray, index: IntArray, shape: tuple[int, ...], rng: np.random.Generator
) -> FloatArray | float:
    """The readings' deviations from the means of their states, drawn again in `shape`.

    Nothing where no state was read twice.
    """
    if not np.any(inner):
        return 0.0
    # Residuals of states of m readings are short by sqrt((m−1)/m).
    count = np.bincount(index)[index]
    repeated = (inner * np.sqrt(count / np.maximum(count - 1, 1)))[count > 1]
    drawn: FloatArray = rng.choice(repeated, size=shape)
    return drawn
