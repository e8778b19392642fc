"""How many units readings span, written out: what the fast count in the library is held to."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr
from scipy.stats import norm


def plain_log_unit_excess(
    unit: np.ndarray, spread: np.ndarray | float, span: float, count: int
) -> np.ndarray:
    """log(u·K/S) as the head of `quantize.comb.window` defines it.

    The rounding is the mean of round(t + error): every half that may be passed counts with its
    probability.
    """
    unit, spread = np.broadcast_arrays(np.asarray(unit, float), np.asarray(spread, float))
    units = span / unit
    each = _at_least_one(count / units)
    # Blom (1958): where the largest of `each` normal errors lies on average.
    inner = units - 2 * norm.ppf((each - 3 / 8) / (each + 1 / 4)) * spread
    width = np.sqrt(2) * spread
    whole = np.arange(
        np.floor((inner - 9 * width).min()) - 1, np.ceil((inner + 9 * width).max()) + 1
    )
    passed = np.zeros(unit.shape)
    for step in whole:
        passed += ndtr((inner - 0.5 - step) / width)
    wholes = units + (whole[0] + passed) - inner
    return np.asarray(np.log(_at_least_one(wholes) * unit / span))


def _at_least_one(x: np.ndarray) -> np.ndarray:
    return 0.5 * (x + 1 + np.hypot(x - 1, 0.3))
