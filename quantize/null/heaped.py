"""Heaped readings: a part sits on a comb, the rest anywhere. Steps need more than half."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.null.envelopes import log_mean_exp
from quantize.null.teeth import WIDEST

_SHARES = (0.1, 0.2, 0.3, 0.4, 0.5)
_HEAP_SPREADS = (0.005, 0.01, 0.02, 0.05)
_COMB_SPREADS = np.geomspace(0.02, WIDEST, 10)
_UNITS = 61


def log_ratio_over_heaps(
    values: FloatArray, factor: FloatArray, unit: float, offset: float = 0.0
) -> float:
    """Log Bayes factor, near one unit: all readings on the comb, against at most half of them.

    The heaps are narrow (rounding by hand), the comb has a spread from 0.02 to 0.3 units, and
    the remaining readings of the heaped null are uniform in phase. Both sides average over the
    same 61 units round `unit`.
    """
    root = np.sqrt(factor / np.median(factor))
    shifted = values - offset
    reach = np.sqrt(np.sum(shifted**2)) or 1.0
    frequency = 1 / unit + np.linspace(-1.5, 1.5, _UNITS) * 0.12 / reach
    turns = shifted * frequency[frequency > 0, None]
    phase = np.abs(turns - np.rint(turns))
    comb = [np.log(np.maximum(_density(phase, s * root), 1e-300)).sum(1) for s in _COMB_SPREADS]
    heaps = []
    for spread in _HEAP_SPREADS:
        on_comb = _density(phase, spread * root)
        heaps += [np.log1p(share * (on_comb - 1)).sum(axis=1) for share in _SHARES]
    return float(log_mean_exp(np.array(comb).ravel()) - log_mean_exp(np.array(heaps).ravel()))


def _density(phase: FloatArray, spread: FloatArray) -> FloatArray:
    half = 0.5 / spread**2
    density: FloatArray = (
        np.exp(-(phase**2) * half)
        + np.exp(-((1 - phase) ** 2) * half)
        + np.exp(-((1 + phase) ** 2) * half)
    ) / (spread * np.sqrt(2 * np.pi))
    return density
