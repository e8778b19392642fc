"""The log likelihood as a weighted sum of the periodogram's harmonics, for broad errors.

The log of the wrapped-normal density has a Fourier series in closed form. By Jacobi's triple
product, with q = exp(−2π²s²),

    log f(phi) = Σ_m log(1 − q^(2m)) + Σ_j (−1)^(j+1) cos(2πj·phi)/(j·sinh(2π²s²j)),

so that the log likelihood of n readings is a weighted sum of the cosine sums C_j = Σ cos(2πj·x/u).
They are computed once a unit and serve every sigma: the first of them alone is the cosine score.
"""

from __future__ import annotations

import itertools

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.problem import chunks

WIDE = 0.2
"""From this sigma/u on the series is short."""
_DIGITS = 27.0
_BANDS = (0.2, 0.25, 0.3, 0.4, 0.6, 1.0, np.inf)


def coefficients(spread: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """The constant, shape (m,), and the first `count` coefficients, shape (m, count)."""
    j = np.arange(1, count + 1)
    sign = np.where(j % 2 == 1, 2.0, -2.0) / j
    # q^j by repeated multiplication; 1/sinh(x) = 2·exp(−x)/(1 − exp(−2x)) without overflow.
    q = np.exp(-2 * np.pi**2 * spread[:, None] ** 2)
    power = np.multiply.accumulate(np.broadcast_to(q, (spread.size, count)), axis=1)
    factor = 1 - power**2
    return np.log(factor.prod(axis=1)), sign * power / factor


def harmonics_needed(spread: float, digits: float = 34.0) -> int:
    """Number of terms after which the series is below exp(−digits)."""
    return int(np.ceil(digits / (2 * np.pi**2 * spread**2))) + 1


def cosine_sums(mean: FloatArray, unit: FloatArray) -> FloatArray:
    """C_j = Σ cos(2πj·mean/unit), shape (units, J), J enough for `WIDE` spreads.

    cos((j+1)t) = 2·cos(t)·cos(jt) − cos((j−1)t), Chebyshev's recurrence.
    """
    count = harmonics_needed(WIDE, _DIGITS)
    out = np.empty((unit.size, count))
    for part in chunks(unit.size, mean.size):
        turns = mean / unit[part, None]
        first = np.cos(2 * np.pi * (turns - np.rint(turns)))
        before, here = np.ones_like(first), first.copy()
        twice = 2 * first
        for j in range(count):
            out[part, j] = here.sum(axis=1)
            np.subtract(twice * here, before, out=before)
            before, here = here, before
    return out


def log_likelihood_from_cosines(
    sums: FloatArray, row: IntArray, n: int, spread: FloatArray
) -> FloatArray:
    """Σ log density at the units of rows `row` of `sums`, for spreads of at least `WIDE`."""
    out = np.empty(spread.size)
    for low, high in itertools.pairwise(_BANDS):
        here = np.flatnonzero((spread >= low) & (spread < high))
        if here.size:
            constant, coefficient = coefficients(spread[here], harmonics_needed(low, _DIGITS))
            known = sums[row[here], : coefficient.shape[1]]
            out[here] = n * constant + np.einsum("ij,ij->i", coefficient, known)
    return out
