"""A comb that predicts each reading from those before it, and the nulls on its own cells."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import IntArray
from quantize.null.choices import LEVELS_AT_ZERO
from quantize.null.occupancy import CONCENTRATIONS, SHARE_NAMES, next_share
from quantize.null.partitions import log_mean_exp, log_sum_exp
from quantize.null.running_nulls import EDGE, HEAP_SPREADS, ON_HEAPS, log_heaped

SPREADS = np.array([0.04, 0.06, 0.09, 0.13, 0.19, 0.28])
"""Spreads of the comb, sigma over unit, that are averaged over."""
_SIDES = (0.8, 0.1, 0.1)
"""Prior of teeth in the whole window, of those from zero upwards alone, and downwards."""
_HOPELESS = 35.0
"""A side this far behind the whole window, in natural logarithm, is left out from then on."""
_PLANNED = 60
"""Readings for which the units are close enough together ..."""
_FARTHEST = 4.0
"""... where they lie this many units from the offset, r.m.s. ..."""
_CLOSE = 1.5
"""... by so many standard errors of the sharpest comb."""
_FEWEST_UNITS = 40
"""Units of the comb, at least."""


@dataclasses.dataclass(frozen=True)
class Side:
    """The window, or its part on one side of the offset: `first` to `last` tooth of each unit."""

    start: float
    stop: float
    first: IntArray
    last: IntArray

    @property
    def teeth(self) -> IntArray:
        """Number of them, shape (U,)."""
        return np.asarray(self.last - self.first + 1)


class PredictiveComb:
    """Combs of every unit from `low` to `high`, with their teeth between `bounds`.

    `sides` are the whole window and, where the offset is inside, its two sides.
    """

    def __init__(self, low: float, high: float, bounds: tuple[float, float]) -> None:
        step = _CLOSE * SPREADS[0] / (_FARTHEST * np.sqrt(_PLANNED))
        units = max(int(np.log(high / low) / step), _FEWEST_UNITS)
        self.unit = np.geomspace(low, high, units)
        # A tooth on the edge is inside, whatever its last digit in this unit of measurement.
        first = np.ceil(bounds[0] / self.unit - EDGE).astype(np.int64)
        last = np.floor(bounds[1] / self.unit + EDGE).astype(np.int64)
        self._first = first
        sides = [Side(*bounds, first, last)]
        if bounds[0] < 0 < bounds[1]:
            sides.append(Side(0.0, bounds[1], np.zeros_like(first), last))
            sides.append(Side(bounds[0], 0.0, first, np.zeros_like(last)))
        self.sides = sides
        weight = np.array(_SIDES[: len(sides)])
        self._teeth = last - first + 1
        self._counts = np.zeros((units, int(self._teeth.max())))
        self._bins = self._teeth + 2
        self._bin_counts = np.zeros((units, int(self._bins.max())))
        self._log_comb = np.zeros((len(sides), units, SPREADS.size, len(CONCENTRATIONS)))
        self._log_comb += np.log(weight / weight.sum())[:, None, None, None]
        self._live = list(range(len(sides)))
        self._log_histogram = np.zeros((units, len(CONCENTRATIONS)))
        self._log_heaps = np.zeros((units, len(HEAP_SPREADS), len(ON_HEAPS)))
        self._occupied = np.zeros((units, int(np.abs([first, last]).max()) + 1), dtype=bool)
        self._seen = 0

    def update(self, x: float) -> None:
        """Take the next reading, its distance from the offset."""
        unit, rows = self.unit[:, None], np.arange(self.unit.size)
        nearest = np.rint(x / self.unit).astype(np.int64)
        tooth = nearest[:, None] + np.array([-1, 0, 1])
        column = np.clip(tooth - self._first[:, None], 0, self._counts.shape[1] - 1)
        held = self._counts[rows[:, None], column]
        spread = (SPREADS * unit)[:, :, None]
        away = (x - tooth * unit)[:, None] / spread
        height = np.exp(-0.5 * away**2) / (np.sqrt(2 * np.pi) * spread)
        for place in self._live:
            side = self.sides[place]
            share = next_share(held, side.teeth[:, None], self._seen)
            share[(tooth < side.first[:, None]) | (tooth > side.last[:, None])] = 0.0
            self._log_comb[place] += np.log(np.maximum(height @ share, 1e-300))
        # One side alone is given up for good where it is hopeless.
        best = self._log_comb.max(axis=(1, 2, 3))
        for place in [place for place in self._live if best[place] < best[0] - _HOPELESS]:
            self._log_comb[place] = -np.inf
            self._live.remove(place)
        column = nearest - self._first
        inside = (column >= 0) & (column < self._teeth)
        self._counts[rows[inside], column[inside]] += 1
        self._occupied[rows[inside], np.abs(nearest[inside])] = True
        place = np.clip(column + 1, 0, self._bins - 1)
        held = self._bin_counts[rows, place]
        self._log_histogram += np.log(next_share(held, self._bins, self._seen) / self.unit[:, None])
        self._bin_counts[rows, place] += 1
        self._log_heaps += log_heaped(x / self.unit - nearest)
        self._seen += 1

    def log_evidence(self) -> float:
        """Averaged over everything; units with too few different multiples have no part in it."""
        enough = self._occupied[:, 1:].sum(axis=1) >= LEVELS_AT_ZERO
        if not enough.any():
            return -np.inf
        terms = self._log_comb[self._live][:, enough].ravel()
        return float(log_sum_exp(terms) - np.log(self._log_comb[0].size))

    def best_unit(self) -> float:
        """The most probable unit."""
        terms = np.moveaxis(self._log_comb, 1, 0).reshape(self.unit.size, -1)
        return float(self.unit[int(np.argmax(log_sum_exp(terms)))])

    def log_nulls(self) -> dict[str, float]:
        """Log evidence of histograms whose cells are those of the teeth, with heaps and without."""
        heaps = log_mean_exp(self._log_heaps.reshape(self.unit.size, -1), axis=1)
        out = {}
        for a, name in enumerate(SHARE_NAMES[1:], start=1):
            shares = self._log_histogram[:, a]
            out[f"continuous: histogram, {name}"] = float(log_mean_exp(shares))
            out[f"heaped: {name}"] = float(log_mean_exp(shares + heaps))
        return out
