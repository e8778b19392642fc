"""A lumpy null made of the readings themselves: clusters kept, their places drawn anew."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.levels import Levels
from quantize.null.partitions import Groups, log_any_number
from quantize.readings import Readings

_CONCENTRATION = 2.0
_FINEST = 40.0
_SIGMAS = 12


def most_probable_groups(values: FloatArray, factor: FloatArray, sigma: float) -> IntArray:
    """Group of each of the sorted values under the single most probable cut, shape (n,).

    Levels are uniform on the range of the values, shares those of a Chinese restaurant.

    Examples
    --------
    >>> most_probable_groups(np.array([1.0, 1.1, 4.0, 4.1]), np.ones(4), 0.1).tolist()
    [0, 0, 1, 1]
    """
    n = values.size
    window = float(np.ptp(values)) * (n + 1) / max(n - 1, 1)
    likelihood = Groups(values, sigma**2 * factor[None, :])
    log_factorial = np.concatenate([[0.0, 0.0], np.cumsum(np.log(np.arange(1, n)))])
    log_share = np.log(_CONCENTRATION) - np.log(window)
    best = np.zeros(n + 1)
    came_from = np.zeros(n + 1, dtype=np.int64)
    for t in range(1, n + 1):
        seats = log_factorial[t - np.arange(t)]
        candidates = best[:t] + likelihood.ending_at(t)[0] + seats + log_share
        came_from[t] = int(np.argmax(candidates))
        best[t] = candidates[came_from[t]]
    groups = np.empty(n, dtype=np.int64)
    t, label = n, 0
    while t > 0:
        groups[came_from[t] : t] = label
        t, label = int(came_from[t]), label + 1
    return label - 1 - groups


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class RedrawnLevels:
    """Sampler: every cluster keeps its readings and their scatter, and moves to a new place.

    The places are uniform on the range of the readings widened by one mean gap. Rounding is done
    again. It is a null for `quantize.compare_null`.
    """

    centre: FloatArray
    residual: FloatArray
    group: IntArray
    low: float
    high: float
    like: Readings

    @classmethod
    def of(cls, readings: Readings, smallest: float, largest: float) -> RedrawnLevels:
        """The null of these readings; units from `smallest` to `largest` set the noise grid."""
        levels = readings.levels()
        order = np.argsort(levels.mean, kind="stable")
        values, factor = levels.mean[order], levels.factor[order]
        sigma = _sigma_grid(readings, levels, smallest, largest)
        window = float(np.ptp(values)) * (values.size + 1) / (values.size - 1)
        one = np.ones(values.size, dtype=np.int64)
        evidence = log_any_number(values, np.outer(sigma**2, factor), one, window)
        if not levels.sigma_given:
            evidence -= levels.degrees * np.log(sigma) + 0.5 * levels.scatter / sigma**2
        sorted_groups = most_probable_groups(values, factor, float(sigma[np.argmax(evidence)]))
        of_level = np.empty(values.size, dtype=np.int64)
        of_level[order] = sorted_groups
        group = of_level[levels.index]
        count = np.bincount(group)
        centre = np.bincount(group, weights=readings.values) / count
        gap = readings.span / max(count.size, 2)
        return cls(
            centre=centre,
            residual=readings.values - centre[group],
            group=group,
            low=float(readings.values.min()) - 0.5 * gap,
            high=float(readings.values.max()) + 0.5 * gap,
            like=readings,
        )

    def __call__(self, size: int, rng: np.random.Generator) -> FloatArray:
        """`size` data sets, shape (size, n)."""
        places = rng.uniform(self.low, self.high, (size, self.centre.size))
        return self.like.recorded(places[:, self.group] + self.residual)


def _sigma_grid(readings: Readings, levels: Levels, smallest: float, largest: float) -> FloatArray:
    """Deviations of a reading that may have made the clusters."""
    if levels.sigma_given:
        return np.ones(1)
    least = max((readings.rounding_step or 0.0) / np.sqrt(12), smallest / _FINEST)
    most = max(min(readings.span / 4, largest / 2), 2 * least)
    return np.geomspace(least, most, _SIGMAS)
