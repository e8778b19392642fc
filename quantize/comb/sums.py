"""Sums of complex exponentials by whichever way is quicker: the block kernel or a nonuniform FFT.

Both give the sums of `quantize.comb.kernel.harmonic_sums_plain`. The block kernel errs by less than
n·(1e-12 + 8·eps·2π·max|x·f|), the nonuniform FFT by less than `TOLERANCE` times the sum of the
weights more. The choice depends on the sizes alone, by the cost of each as
`python -m benchmarks.speed` measured it, so that equal sizes always go the same way.
"""

from __future__ import annotations

import importlib
import math
from types import ModuleType

import numpy as np

from quantize._support.errors import warn
from quantize._support.validation import FloatArray
from quantize.comb.kernel import ComplexArray, harmonic_sums

ACCURACY = 1e-9
"""Relative accuracy asked of the nonuniform FFT."""
TOLERANCE = 1e-8
"""Most that its sums may differ from the plain ones, as a share of the sum of the weights."""

# Seconds on one core of the machine named in docs/tables/speed.md; only their ratios matter.
_BLOCK_PAIR = 6.5e-10
_BLOCK_EXPONENTIAL = 1.5e-8
_FFT_CALL = 3e-4
_FFT_MODE = 1.2e-7
_FFT_VALUE = 7e-8
_FFT_TURN = 3e-8  # to move the frequencies, a value
_WORTH_A_WARNING = 1.0  # seconds lost

_UNSORTED_MODES = 300_000  # below this the grid stays in cache, and sorting the values costs more


def sums_at_many_units(
    values: FloatArray, weights: FloatArray, first: float, step: float, size: int
) -> ComplexArray:
    """Sum of weight·exp(2πi·value·f) at f = first + step·(0 … size−1), for one data set.

    Parameters
    ----------
    values, weights : numpy.ndarray, shape (n,)
    first, step : float
        First trial frequency and the step between them.
    size : int
        Number of trial frequencies.

    Returns
    -------
    numpy.ndarray, shape (size,)

    Warns
    -----
    QuantizeWarning
        Where the nonuniform FFT would save more than a second but is not installed.
    """
    block, fft = predicted_seconds(values.size, size)
    if fft < block:
        library = _finufft()
        if library is not None:
            return nonuniform_fft(values, weights, first, step, size, library)
        if block - fft > _WORTH_A_WARNING:
            warn(
                f"{values.size} readings at {size} trial units take about {block:.0f} s; with the "
                f"package finufft about {fft:.1g} s: "
                "python -m pip install 'quantize-readings[large]'.",
                stacklevel=3,
            )
    return harmonic_sums(values, weights, first, step, size)


def predicted_seconds(n: int, size: int) -> tuple[float, float]:
    """Rough cost of `n` readings at `size` units: by the block kernel, by the nonuniform FFT."""
    block = n * (size * _BLOCK_PAIR + 2 * math.sqrt(size) * _BLOCK_EXPONENTIAL)
    fft = _FFT_CALL + size * _FFT_MODE + n * _FFT_VALUE
    return block, fft


def nonuniform_fft(
    values: FloatArray,
    weights: FloatArray,
    first: float,
    step: float,
    size: int,
    library: ModuleType | None = None,
) -> ComplexArray:
    """The sums by finufft, on one thread."""
    finufft = library or importlib.import_module("finufft")
    turns = values * step
    turns -= np.rint(turns)
    turns *= 2 * np.pi
    start = round(first / step)
    last = start + size - 1
    # Real weights: where the frequencies are whole steps from zero, the modes up to the last one
    # hold the sums themselves, and the factor that moves them need not be computed.
    whole = abs(first - start * step) * float(np.abs(values).max(initial=0.0)) < 1e-13
    if whole and start >= 0 and last < 4 * size:
        strengths = weights.astype(np.complex128)
        modes = 2 * last + 2
        pick = slice(last + 1 + start, 2 * last + 2)
    else:
        strengths = _on_circle(values, first + step * (size // 2))
        strengths *= weights
        modes = size
        pick = slice(0, size)
    sums: ComplexArray = finufft.nufft1d1(
        turns,
        strengths,
        modes,
        eps=ACCURACY,
        isign=1,
        nthreads=1,
        spread_sort=int(modes > _UNSORTED_MODES),
    )
    return sums[pick]


def _on_circle(values: FloatArray, frequency: float) -> ComplexArray:
    angle = values * frequency
    angle -= np.rint(angle)
    angle *= 2 * np.pi
    out = np.empty(values.size, dtype=np.complex128)
    np.cos(angle, out=out.real)
    np.sin(angle, out=out.imag)
    return out


def _finufft() -> ModuleType | None:
    try:
        return importlib.import_module("finufft")
    except ImportError:
        return None
