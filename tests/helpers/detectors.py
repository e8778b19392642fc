"""Charge spectra of a detector in weak light, with known gain."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray


def detector(
    rng: np.random.Generator,
    n: int,
    *,
    s0: float = 0.5,
    s1: float = 0.4,
    mean: float = 2.2,
    gain: float = 7.3,
    pedestal: float = 12.0,
) -> FloatArray:
    """Poisson numbers of electrons; noise whose variance grows with them."""
    k = rng.poisson(mean, size=n)
    charge: FloatArray = pedestal + gain * k + rng.normal(size=n) * np.sqrt(s0**2 + s1**2 * k)
    return charge
