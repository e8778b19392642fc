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
    q = np.exp(-2 * np.pi**2 * spread**2)
    # q^j by repeated multiplication; 1/sinh(x) = 2·exp(−x)/(1 − exp(−2x)) without overflow.
    power = np.empty((count, spread.size))
    power[0] = q
    for j in range(1, count):
        np.multiply(power[j - 1], q, out=power[j])
    factor = power * power
    np.subtract(1.0, factor, out=factor)
    constant = np.log(factor.prod(axis=0))
    order = np.arange(1, count + 1)
    np.divide(power, factor, out=power)
    power *= (np.where(order % 2 == 1, 2.0, -2.0) / order)[:, None]
    return constant, power.T


def harmonics_needed(spread: float, digits: float = 34.0) -> int:
    """Number of terms after which the series is below exp(−digits)."""
    return int(np.ceil(digits / (2 * np.pi**2 * spread**2))) + 1


def cosine_sums(mean: FloatArray, unit: FloatArray, smallest: float = WIDE) -> FloatArray:
    """C_j = Σ cos(2πj·mean/unit), shape (units, J), J enough for spreads from `smallest` up.

    cos((j+1)t) = 2·cos(t)·cos(jt) − cos((j−1)t), Chebyshev's recurrence.
    """
    count = harmonics_needed(max(low for low in _BANDS[:-1] if low <= smallest), _DIGITS)
    out = np.empty((count, unit.size))
    for part in chunks(unit.size, mean.size):
        turns = mean[:, None] / unit[part]
        here = np.cos(2 * np.pi * (turns - np.rint(turns)))
        before, twice, product = np.ones_like(here), 2 * here, np.empty_like(here)
        for j in range(count):
            here.sum(axis=0, out=out[j, part])
            np.multiply(twice, here, out=product)
            np.subtract(product, before, out=before)
            before, here = here, before
    return out.T


def log_likelihood_from_cosines(
    sums: FloatArray, row: IntArray, n: int, spread: FloatArray
) -> FloatArray:
    """Σ log density at the units of rows `row` of `sums`, for spreads of at least `WIDE`."""
    out = np.empty(spread.size)
    for low, high in itertools.pairwise(_BANDS):
        here = np.flatnonzero((spread >= low) & (spread < high))
        if here.size:
            constant, coefficient = coefficients(spread[here], harmonics_needed(low, _DIGITS))
            known = sums.T[: coefficient.shape[1]].take(row[here], axis=1)
            known *= coefficient.T
            out[here] = n * constant + known.sum(axis=0)
    return out
