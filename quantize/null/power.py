"""How many readings steps of a given sharpness need: a small table made by simulation.

``python -m benchmarks.readings_needed`` makes it again. The power is that of the fixed-size
verdict at 5 %, whole numbers uniform on −4 … 4.
"""

from __future__ import annotations

import numpy as np

SPREAD = (0.05, 0.10, 0.15, 0.20, 0.25)
"""sigma/unit"""
READINGS = (8, 9, 14, 30, 80)
"""Readings for a power of 0.80."""


def readings_needed(spread: float) -> int:
    """Readings that show steps of this sigma/unit in four cases out of five.

    Beyond the table the last slope is continued.
    """
    log_n = np.log(READINGS)
    if spread <= SPREAD[-1]:
        return int(np.ceil(np.exp(np.interp(spread, SPREAD, log_n)) - 1e-9))
    slope = (log_n[-1] - log_n[-2]) / (SPREAD[-1] - SPREAD[-2])
    return int(np.ceil(np.exp(log_n[-1] + slope * (min(spread, 0.5) - SPREAD[-1]))))


def smallest_shown(sigma: float, n: int) -> float | None:
    """Smallest unit that `n` readings of this sigma show in four cases out of five, or None."""
    if n < READINGS[0]:
        return None
    return float(sigma / np.interp(np.log(n), np.log(READINGS), SPREAD))
