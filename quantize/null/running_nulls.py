"""Data without steps for evidence under optional stopping: fixed before the first reading.

Smooth envelopes are mixtures of densities on a window, with a prior that does not depend on the
readings; levels anywhere stand in that window, and heaps on the teeth of the comb.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaln

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.null.envelopes import log_falling, log_mean_exp, log_sum_exp
from quantize.null.occupancy import SHARE_NAMES, log_norm, log_seats
from quantize.null.partitions import log_any_number, log_partition_sums

_CELLS = (8, 12, 18, 27, 40, 60)
"""Cells of the histograms on the window."""
_SHARES = (1.0, 0.3)
"""Dirichlet concentrations of the shares of the cells."""
_PLACES, _WIDTHS = 61, 10
"""Places and scales of the two-sided exponential ..."""
_SHARPEST, _BROADEST = 60, 2
"""... from the first to the second part of the window."""
ON_HEAPS = (0.1, 0.2, 0.3, 0.4, 0.5)
"""Shares of the readings that the heaped null puts on its comb."""
HEAP_SPREADS = (0.001, 0.003, 0.01, 0.03, 0.08)
"""Spreads of the heaps, in units."""
_NEGLIGIBLE = 35.0
"""A sigma this far below the evidence of all, in natural logarithm, adds nothing to it ..."""
_AHEAD = 60.0
"""... and is left out until it might come nearer; so far below, that takes some readings."""


def log_fixed_envelopes(values: FloatArray, window: tuple[float, float]) -> dict[str, float]:
    """Log evidence of each, for readings inside `window`.

    Examples
    --------
    >>> found = log_fixed_envelopes(np.array([0.1, 0.2, 0.4, 0.9]), (0.0, 1.0))
    >>> sorted(found)
    ['continuous: cells', 'continuous: ends anywhere', 'continuous: two-sided exponential']
    """
    return {
        "continuous: ends anywhere": log_ends_anywhere(values, window),
        "continuous: two-sided exponential": log_two_sided(values, window),
        "continuous: cells": log_cells(values, window),
    }


def log_ends_anywhere(values: FloatArray, window: tuple[float, float]) -> float:
    r"""Uniform between two ends, all pairs inside the window equally likely.

    .. math:: \frac{2}{L^2} \int_0^{l}\!\!\int_0^{h} (R + s + t)^{-n}\,ds\,dt ,

    R the range of the readings, l and h the room below and above them; -inf for fewer than three.
    """
    n = values.size
    if n < 3:
        return -np.inf
    low, high = float(values.min()), float(values.max())
    spread = max(high - low, 1e-12 * (window[1] - window[0]))
    below, above = low - window[0], window[1] - high
    part = 1.0
    for room, sign in ((below, -1), (above, -1), (below + above, 1)):
        part += sign * float(np.exp((2 - n) * np.log1p(room / spread)))
    outside = np.log(2) - 2 * np.log(window[1] - window[0]) - np.log((n - 1) * (n - 2))
    return float(outside + (2 - n) * np.log(spread) + np.log(max(part, 1e-300)))


def log_two_sided(values: FloatArray, window: tuple[float, float]) -> float:
    """Laplace: place uniform on the window, scale log-uniform from a sixtieth to a half of it."""
    length = window[1] - window[0]
    place = np.linspace(*window, _PLACES)
    scale = np.geomspace(length / _SHARPEST, length / _BROADEST, _WIDTHS)
    distance = np.abs(values[:, None] - place).sum(axis=0)
    terms = -distance[:, None] / scale - values.size * np.log(2 * scale)
    return float(log_mean_exp(terms.ravel()))


def log_cells(values: FloatArray, window: tuple[float, float]) -> float:
    """Histograms of eight to sixty cells, begun at the window's end or half a cell before it.

    The shares of the cells are Dirichlet, 1 or 0.3 each.
    """
    n = values.size
    place = (values - window[0]) / (window[1] - window[0])
    terms = []
    for cells in _CELLS:
        for shift in (0.0, 0.5):
            number = np.minimum(np.floor(place * cells + shift), cells).astype(np.int64)
            count = np.bincount(number)
            count = count[count > 0]
            for share in _SHARES:
                total = share * (cells + 1)
                shares = gammaln(share + count) - gammaln(share)
                terms.append(
                    float(shares.sum() + gammaln(total) - gammaln(total + n))
                    - n * float(np.log((window[1] - window[0]) / cells))
                )
    return float(log_mean_exp(np.array(terms)))


def log_heaped(phase: FloatArray) -> FloatArray:
    """Log of how much likelier heaps make a reading at this phase than a flat cell, per spread and
    share: log(1 − w + w·W(phase)), which leaves the reading's cell its probability."""
    spread = np.array(HEAP_SPREADS)
    density = np.exp(-0.5 * (phase[:, None] / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
    share = np.array(ON_HEAPS)
    out: FloatArray = np.log1p(share * (density[:, :, None] - 1))
    return out


class LevelsAnywhere:
    """Levels anywhere in a window of this length, as many as the comb has teeth, or any number.

    The evidence is averaged over `sigma`; `teeth` are those of each unit of the comb.
    """

    def __init__(self, sigma: FloatArray, teeth: IntArray, length: float) -> None:
        self.sigma, self.length = sigma, length
        self.teeth, members = np.unique(teeth, return_counts=True)
        self.log_share = np.log(members / members.sum())
        self.live: BoolArray = np.ones(sigma.size, dtype=bool)
        self._most = np.full((sigma.size, len(SHARE_NAMES) + 1), np.inf)
        self._after = 0

    def log_evidences(self, values: FloatArray) -> dict[str, float]:
        """Log evidence of each null, for sorted readings: those of the last call, and more."""
        n = values.size
        found = self._at(self.live, values)
        if not self.live.all():
            # No reading raises the evidence at a sigma by more than its highest density.
            highest = np.log(np.maximum(1 / (self.sigma * np.sqrt(2 * np.pi)), 1 / self.length))
            most = self._most + (n - self._after) * highest[:, None]
            if np.any(most[~self.live] > log_sum_exp(found.T) - _NEGLIGIBLE):
                self.live[:] = True
                found = self._at(self.live, values)
        if self.live.all():
            self._most, self._after = found, n
            self.live = np.any(found > log_sum_exp(found.T) - _NEGLIGIBLE - _AHEAD, axis=1)
        total = log_sum_exp(found.T) - np.log(self.sigma.size)
        names = (*(f"lumpy: {name}" for name in SHARE_NAMES), "mixed: levels and background")
        return dict(zip(names, total.tolist(), strict=True))

    def _at(self, which: BoolArray, values: FloatArray) -> FloatArray:
        """Log evidence at some of the sigmas, shape (S, nulls)."""
        n = values.size
        ones = np.ones(n, dtype=np.int64)
        most = min(n, int(self.teeth.max()))
        variance = np.repeat(self.sigma[which, None] ** 2, n, axis=1)
        sums = log_partition_sums(values, variance, ones, log_seats(n), most)
        sums -= np.arange(most + 1) * np.log(self.length)
        falling = log_falling(self.teeth.astype(float), most)
        norm = log_norm(self.teeth, n) + self.log_share
        as_many = log_sum_exp(log_sum_exp(sums[:, :, None] + falling) + norm)
        return np.column_stack([as_many, log_any_number(values, variance, ones, self.length)])
