"""Modes: the maxima of counts in bins that stand out from their valleys.

Found without any unit in mind but for the width of the smoothing, so that their distances can be
held against equal spacing.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.counts.histogram import Histogram

SMOOTHING = 0.1
"""Standard deviation of the kernel in units of the trial unit."""
SURE = 5.0
"""Height above the higher valley, in standard deviations of the smoothed counts."""
CLEAR = 0.05
"""The same as a share of the height of the mode."""


def find_modes(histogram: Histogram, unit: float) -> FloatArray:
    """Positions of the modes of counts smoothed for steps of this size, increasing.

    Parameters
    ----------
    histogram : Histogram
        Bins of equal width.
    unit : float
    """
    from scipy.signal import find_peaks

    fine = histogram.coarser(max(int(unit / 40 / histogram.widths[0]), 1))
    width = float(fine.widths.mean())
    density, noise = _smoothed(fine.counts.astype(float), SMOOTHING * unit / width)
    padded = np.r_[0.0, density, 0.0]
    places, found = find_peaks(padded, prominence=0.0)
    height = padded[places]
    rise = found["prominences"]
    valley = height - rise
    clear = (rise >= SURE * np.sqrt((height + valley) * noise)) & (rise >= CLEAR * height)
    clear &= height >= SURE**2 * noise
    at = places[clear]
    left, middle, right = padded[at - 1], padded[at], padded[np.minimum(at + 1, padded.size - 1)]
    bend = left - 2 * middle + right
    nudge = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    positions: FloatArray = fine.edges[0] + width * (at - 0.5 + np.clip(nudge, -0.5, 0.5))
    return positions


def _smoothed(counts: FloatArray, spread: float) -> tuple[FloatArray, float]:
    """Counts under a normal kernel, and the sum of its squared weights."""
    from scipy.signal import fftconvolve

    if spread < 0.3:
        return counts, 1.0
    half = int(np.ceil(4 * spread))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / spread) ** 2)
    kernel /= kernel.sum()
    smooth: FloatArray = np.maximum(fftconvolve(counts, kernel, mode="same"), 0.0)
    return smooth, float(np.sum(kernel**2))
