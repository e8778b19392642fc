"""Sums of two units after every reading: levels i·a + j·b, the multiples of each reading summed."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from quantize._support.validation import FloatArray
from quantize.null.choices import CONCENTRATIONS
from quantize.null.occupancy import SHARE_NAMES
from quantize.null.partitions import log_mean_exp, log_sum_exp

LARGEST = 2
"""Largest multiple of either unit."""
KEPT = 64
"""Assignments of the readings to multiples that are kept, the likeliest."""
_VERY_MANY = 1e12
"""Readings held before the first, which keep the shares equal."""


class SumsOfTwoUnits:
    """Levels i·a + j·b, i and j from 0 to 2, either unit of either sign.

    The evidence at each of `sigma` is that of a regression whose design is unknown. Both units are
    normal about zero with the standard deviation `reach`; given the multiples of the readings so
    far the next is normal as well, about one of nine places, whose shares earlier readings have
    told. It is summed over the assignments. Of more than `KEPT` the likeliest go on, with the
    weight of all; one and its twin with i and j exchanged are one.
    """

    def __init__(self, sigma: FloatArray, reach: float) -> None:
        pairs = np.array(list(itertools.product(range(LARGEST + 1), repeat=2)), float)
        self._pairs = pairs
        i, j = pairs.T
        self._products = np.array([i * i, 2 * i * j, j * j])
        self._twin = np.select([i < j, i > j], [np.log(2), -np.inf], 0.0)
        # Rows are concentrations and sigmas, columns assignments.
        self._variance = np.tile(np.square(sigma), len(CONCENTRATIONS))[:, None, None]
        shares = np.repeat(CONCENTRATIONS, sigma.size)[:, None, None]
        self._before = np.where(np.isfinite(shares), shares, _VERY_MANY)
        rows = len(self._variance)
        self._mean = np.zeros((rows, 1, 2))
        # Variance of the one unit, covariance, variance of the other.
        self._spread = np.tile([reach**2, 0.0, reach**2], (rows, 1, 1))
        self._held = np.zeros((rows, 1, len(pairs)))
        self._same = np.ones((rows, 1), dtype=bool)
        self._log_weight = np.zeros((rows, 1))
        self._log_evidence = np.zeros(rows)
        self._seen = 0

    def _update(self, x: float) -> None:
        """Take the next reading."""
        rows, columns = self._log_weight.shape
        shape = (rows, columns, len(self._pairs))
        variance = np.maximum(self._spread.reshape(-1, 3) @ self._products, 0.0).reshape(shape)
        variance += self._variance
        away = x - (self._mean.reshape(-1, 2) @ self._pairs.T).reshape(shape)
        share = (self._before + self._held) / (shape[2] * self._before + self._seen)
        log_joint = np.log(share / np.sqrt(2 * np.pi * variance)) - 0.5 * away**2 / variance
        log_joint += self._log_weight[:, :, None]
        log_joint[self._same] += self._twin
        log_joint = log_joint.reshape(rows, -1)
        self._log_evidence += log_sum_exp(log_joint)
        self._seen += 1
        kept = min(KEPT, log_joint.shape[1])
        kept = np.argpartition(log_joint, -kept, axis=1)[:, -kept:]
        log_weight = np.take_along_axis(log_joint, kept, axis=1)
        self._log_weight = log_weight - log_sum_exp(log_weight)[:, None]
        row = np.arange(rows)[:, None]
        parent, place = np.divmod(kept, shape[2])
        i, j = self._pairs[place].transpose(2, 0, 1)
        # One step of least squares for the assignments that are kept.
        one, both, other = self._spread[row, parent].transpose(2, 0, 1)
        moved = np.stack([one * i + both * j, both * i + other * j])
        gain = moved / variance[row, parent, place]
        self._mean = self._mean[row, parent] + (gain * away[row, parent, place]).transpose(1, 2, 0)
        self._spread = np.stack(
            [one - gain[0] * moved[0], both - gain[0] * moved[1], other - gain[1] * moved[1]], 2
        )
        self._held = self._held[row, parent]
        self._held[row, np.arange(kept.shape[1]), place] += 1
        self._same = self._same[row, parent] & (i == j)

    def log_evidences(self, values: Sequence[float]) -> dict[str, float]:
        """Log evidence under each kind of shares, averaged over sigma.

        `values` are those of the last call, in the same order, and more: distances from the offset.
        """
        for x in values[self._seen :]:
            self._update(x)
        by_shares = self._log_evidence.reshape(len(CONCENTRATIONS), -1)
        found = log_mean_exp(by_shares, axis=1).tolist()
        return {f"sums: {name}": value for name, value in zip(SHARE_NAMES, found, strict=True)}
