"""Heaped readings: a part sits on a comb, the rest anywhere. Steps need more than half."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.null.comb import WIDEST
from quantize.null.envelopes import log_mean_exp

_MINORITY = (0.1, 0.2, 0.3, 0.4, 0.5)
_MAJORITY = (0.6, 0.75, 0.9, 0.97, 1.0)
_HEAP_SPREADS = (0.001, 0.003, 0.01, 0.02, 0.05)
_COMB_SPREADS = np.concatenate([_HEAP_SPREADS, np.geomspace(0.07, WIDEST, 6)])
_UNITS = 30


def log_ratio_over_heaps(values: FloatArray, unit: float) -> float:
    """Log Bayes factor, near one unit: most readings on the comb, against at most half of them.

    The heaps are narrow (rounding by hand), the comb has a spread from 0.001 to 0.3 units, and
    the remaining readings of the heaped null are uniform in phase. Both sides average over the
    same units, closer and closer round `unit`.
    """
    reach = np.sqrt(np.sum(values**2)) or 1.0
    nearness = np.geomspace(1e-4, 0.2, _UNITS)
    frequency = 1 / unit + np.concatenate([-nearness, [0.0], nearness]) / reach
    cycles = values * frequency[frequency > 0, None]
    phase = np.abs(cycles - np.rint(cycles))
    comb, heaps = [], []
    for spread in _COMB_SPREADS:
        excess = np.maximum(_density(phase, spread), 1e-12) - 1
        comb += [np.log1p(share * excess).sum(axis=1) for share in _MAJORITY]
        if spread in _HEAP_SPREADS:
            heaps += [np.log1p(share * excess).sum(axis=1) for share in _MINORITY]
    return float(log_mean_exp(np.array(comb).ravel()) - log_mean_exp(np.array(heaps).ravel()))


def _density(phase: FloatArray, spread: float) -> FloatArray:
    half = 0.5 / spread**2
    density: FloatArray = (
        np.exp(-(phase**2) * half)
        + np.exp(-((1 - phase) ** 2) * half)
        + np.exp(-((1 + phase) ** 2) * half)
    ) / (spread * np.sqrt(2 * np.pi))
    return density
