"""Sums of log wrapped-normal densities over readings, fast.

`log_density_sum_plain` says what is computed; `log_density_sum` gives the same numbers with one
exponential or one cosine a reading instead of seven.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.wrapped import log_wrapped_normal

_HARMONIC = 0.4
_TWO_IMAGES = 0.05
_PRODUCT = 64
"""Factors multiplied before a logarithm is taken; each lies between 1e-2 and 7."""


def log_density_sum_plain(phase: FloatArray, spread: FloatArray) -> FloatArray:
    """Sum over the last axis of the log wrapped-normal density."""
    total: FloatArray = log_wrapped_normal(phase, spread).sum(axis=-1)
    return total


def log_density_sum(phase: FloatArray, spread: FloatArray) -> FloatArray:
    """The same as `log_density_sum_plain` for rows that share one spread.

    Parameters
    ----------
    phase : numpy.ndarray, shape (m, n)
        Phases in [−1/2, 1/2].
    spread : numpy.ndarray, shape (m, 1) or (m, n)
        With shape (m, 1) each row has one spread and the fast forms apply.

    Returns
    -------
    numpy.ndarray, shape (m,)
    """
    if spread.shape[-1] != 1:
        return log_density_sum_plain(phase, spread)
    s = spread[:, 0]
    out = np.empty(phase.shape[0])
    for rows, form in (
        (s < _TWO_IMAGES, _nearest_two),
        ((s >= _TWO_IMAGES) & (s < _HARMONIC), _images),
        (s >= _HARMONIC, _harmonics),
    ):
        if rows.all():
            return form(phase, spread)
        if rows.any():
            out[rows] = form(phase[rows], spread[rows])
    return out


def _nearest_two(phase: FloatArray, s: FloatArray) -> FloatArray:
    half = 0.5 / s**2
    far = np.exp(-(1 - 2 * np.abs(phase)) * half)
    return _gaussian_part(phase, s) + log_product(1 + far)


def _images(phase: FloatArray, s: FloatArray) -> FloatArray:
    # Image k has weight exp(−(k² ± 2k·phi)/2s²) = a^(k²)·t^(±k).
    half = 0.5 / s**2
    a = np.exp(-half)
    t = np.exp(2 * half * phase)
    pair = t + 1 / t
    pair2 = pair**2 - 2
    total = 1 + a * pair + a**4 * pair2 + a**9 * pair * (pair2 - 1)
    return _gaussian_part(phase, s) + log_product(total)


def _harmonics(phase: FloatArray, s: FloatArray) -> FloatArray:
    q = np.exp(-2 * np.pi**2 * s**2)
    c = np.cos(2 * np.pi * phase)
    total = 1 + 2 * (q * c + q**4 * (2 * c**2 - 1) + q**9 * c * (4 * c**2 - 3))
    return log_product(total)


def _gaussian_part(phase: FloatArray, s: FloatArray) -> FloatArray:
    s = s[:, 0]
    square = np.einsum("ij,ij->i", phase, phase)
    part: FloatArray = -0.5 * square / s**2 - phase.shape[1] * np.log(s * np.sqrt(2 * np.pi))
    return part


def log_product(factors: FloatArray) -> FloatArray:
    """Log of the product along each row, of factors neither tiny nor huge."""
    n = factors.shape[1]
    if n <= _PRODUCT:
        logarithm: FloatArray = np.log(factors.prod(axis=1))
        return logarithm
    starts = np.arange(0, n, _PRODUCT)
    total: FloatArray = np.log(np.multiply.reduceat(factors, starts, axis=1)).sum(axis=1)
    return total
