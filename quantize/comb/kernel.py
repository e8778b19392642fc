"""Sums of complex exponentials over many trial units: the work behind every periodogram.

`harmonic_sums_plain` says what is computed. `harmonic_sums` gives the same numbers from two small
tables and one matrix product: a frequency f0 + (a·B + b)·step splits exp(2πi·x·f) into a factor
that depends on a and one that depends on b, so that 2·sqrt(M) exponentials a value serve M units.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from quantize._support.validation import FloatArray

ComplexArray = npt.NDArray[np.complex128]

_BLOCK_BYTES = 2**24


def harmonic_sums_plain(
    values: FloatArray, weights: FloatArray, first: float, step: float, size: int
) -> ComplexArray:
    """Sum over readings of weight·exp(2πi·value·f) at f = first + step·(0 … size−1)."""
    frequencies = first + step * np.arange(size)
    waves: ComplexArray = np.exp(2j * np.pi * np.outer(frequencies, values))
    sums: ComplexArray = waves @ weights.astype(np.complex128)
    return sums


def harmonic_sums(
    values: FloatArray, weights: FloatArray, first: float, step: float, size: int
) -> ComplexArray:
    """The same as `harmonic_sums_plain`, for one data set or many at once.

    Parameters
    ----------
    values : numpy.ndarray, shape (..., n)
        Readings; the leading axes are separate data sets.
    weights : numpy.ndarray, shape (n,) or (..., n)
    first, step : float
        First trial frequency and the step between them.
    size : int
        Number of trial frequencies.

    Returns
    -------
    numpy.ndarray, shape (..., size)
    """
    n = values.shape[-1]
    columns = max(int(np.sqrt(size)), 1)
    rows = -(-size // columns)
    out = np.zeros((*values.shape[:-1], rows, columns), dtype=np.complex128)
    at_once = max(1, _BLOCK_BYTES // (16 * (rows + columns) * max(out[..., 0, 0].size, 1)))
    weights = np.broadcast_to(weights, values.shape)
    row_frequency = first + step * columns * np.arange(rows)
    column_frequency = step * np.arange(columns)
    for start in range(0, n, at_once):
        part = slice(start, start + at_once)
        x = values[..., part]
        left = _unit_circle(row_frequency[:, None] * x[..., None, :])
        left *= weights[..., None, part]
        right = _unit_circle(x[..., :, None] * column_frequency)
        out += left @ right
    return out.reshape(*values.shape[:-1], rows * columns)[..., :size]


def _unit_circle(turns: FloatArray) -> ComplexArray:
    """exp(2πi·turns), whole turns taken off first so that large phases keep their digits."""
    angle: FloatArray = 2 * np.pi * (turns - np.rint(turns))
    out = np.empty(turns.shape, dtype=np.complex128)
    np.cos(angle, out=out.real)
    np.sin(angle, out=out.imag)
    return out
