"""How many readings steps of a given sharpness need: a small table made by simulation.

``python -m benchmarks.readings_needed`` makes it again. The power is that of the level evidence at
5 %, whole numbers uniform on −4 … 4, nothing known but the readings.
"""

from __future__ import annotations

import numpy as np

SPREAD = (0.05, 0.10, 0.15, 0.20)
"""sigma/unit"""
READINGS = (13, 16, 22, 54)
"""Readings for a power of 0.80."""


def readings_needed(spread: float) -> int | None:
    """Readings that show steps of this sigma/unit in four cases out of five.

    None where no number of readings in the table does.

    Examples
    --------
    >>> readings_needed(0.10), readings_needed(0.30)
    (16, None)
    """
    if spread > SPREAD[-1]:
        return None
    return int(np.ceil(np.exp(np.interp(spread, SPREAD, np.log(READINGS))) - 1e-9))


def smallest_shown(sigma: float, n: int) -> float | None:
    """Smallest unit that `n` readings of this sigma show in four cases out of five, or None."""
    if n < READINGS[0]:
        return None
    return float(sigma / np.interp(np.log(n), np.log(READINGS), SPREAD))
