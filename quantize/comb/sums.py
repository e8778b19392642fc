"""Sums of complex exponentials over many trial units: the work behind every periodogram.

`harmonic_sums` takes two small tables and one matrix product: a frequency f0 + (a·B + b)·step
splits exp(2πi·x·f) into a factor that depends on a and one that depends on b, so that 2·sqrt(M)
exponentials a value serve M units. It errs by less than n·(1e-12 + 8·eps·2π·max|x·f|), the
nonuniform FFT by less than `TOLERANCE` times the sum of the weights more. `sums_at_many_units`
takes whichever is quicker by the sizes alone, by the cost of each as `python -m benchmarks.speed`
measured it, so that equal sizes always go the same way.

Between the frequencies of such a grid `SumsBetween` needs no other pass over the data.
"""

from __future__ import annotations

import dataclasses
import importlib
import math
from types import ModuleType
from typing import Any

import numpy as np
import numpy.typing as npt

from quantize._support.errors import pip_install, warn
from quantize._support.validation import FloatArray

ComplexArray = npt.NDArray[np.complex128]

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
_WORTH_A_WARNING = 1.0  # seconds lost

_UNSORTED_MODES = 300_000  # below this the grid stays in cache, and sorting the values costs more

_BLOCK_BYTES = 2**24
_PLAIN_BLOCK = 2**20
_WAVE_BLOCK = 2**15
WAVES = 12
"""Terms of the Fourier series of a sum of log densities from which it is bounded."""
_DIGITS = 21.0  # exp(−21) = 8e-10
_FREQUENCIES = 2**15  # at once


def unit_circle(cycles: FloatArray, precision: Any = np.complex128) -> Any:
    """exp(2πi·cycles), whole cycles taken off before any digits are."""
    out = np.empty(cycles.shape, dtype=precision)
    angle = (2 * np.pi * (cycles - np.rint(cycles))).astype(out.real.dtype, copy=False)
    np.cos(angle, out=out.real)
    np.sin(angle, out=out.imag)
    return out


def blocks(size: int, most: int) -> list[slice]:
    """So many rows in parts of at most `most`, or of one."""
    step = max(1, most)
    return [slice(start, start + step) for start in range(0, size, step)]


def sums_at(values: FloatArray, weights: FloatArray, frequencies: FloatArray) -> ComplexArray:
    """Sum over readings of weight·exp(2πi·value·f) at any frequencies, one by one."""
    out = np.empty(frequencies.size, dtype=np.complex128)
    for part in blocks(frequencies.size, _PLAIN_BLOCK // values.size):
        out[part] = unit_circle(np.multiply.outer(frequencies[part], values)) @ weights
    return out


def waves(values: FloatArray, unit: FloatArray) -> ComplexArray:
    """Σ w·exp(2πij·value/unit) for j = 1 … `WAVES`, w being one and the value; (m, 2, `WAVES`)."""
    out = np.empty((unit.size, 2, WAVES), dtype=np.complex128)
    weight = np.column_stack([np.ones(values.size), values]).astype(np.complex128)
    for part in blocks(unit.size, _WAVE_BLOCK // values.size):
        turn = unit_circle(values / unit[part, None])
        power = turn.copy()
        for j in range(WAVES):
            out[part, :, j] = power @ weight
            power *= turn
    return out


def harmonic_sums(
    values: FloatArray, weights: FloatArray, first: float, step: float, size: int
) -> ComplexArray:
    """The sums at f = first + step·(0 … size−1) by blocks; see `sums_at_many_units`."""
    columns = max(int(np.sqrt(size)), 1)
    rows = -(-size // columns)
    out = np.zeros((rows, columns), dtype=np.complex128)
    row_frequency = first + step * columns * np.arange(rows)
    column_frequency = step * np.arange(columns)
    for part in blocks(values.size, _BLOCK_BYTES // (16 * (rows + columns))):
        left = unit_circle(np.multiply.outer(row_frequency, values[part]))
        left *= weights[part]
        out += left @ unit_circle(np.multiply.outer(values[part], column_frequency))
    return out.ravel()[:size]


def sums_at_many_units(
    values: FloatArray, weights: FloatArray, first: float, step: float, size: int
) -> ComplexArray:
    """Sum of weight·exp(2πi·value·f) at f = first + step·(0 … size−1), for one data set.

    `QuantizeWarning` where the nonuniform FFT would save more than a second but is not installed.
    """
    block, fft = predicted_seconds(values.size, size)
    if fft < block:
        library = _finufft()
        if library is not None:
            return nonuniform_fft(values, weights, first, step, size, library)
        if block - fft > _WORTH_A_WARNING:
            warn(
                f"{values.size} readings at {size} trial units take about {block:.0f} s; with the "
                f"package finufft about {fft:.1g} s: {pip_install('finufft')}"
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
    angles = values * step
    angles -= np.rint(angles)
    angles *= 2 * np.pi
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
        strengths = unit_circle(values * (first + step * (size // 2)))
        strengths *= weights
        modes = size
        pick = slice(0, size)
    sums: ComplexArray = finufft.nufft1d1(
        angles,
        strengths,
        modes,
        eps=ACCURACY,
        isign=1,
        nthreads=1,
        spread_sort=int(modes > _UNSORTED_MODES),
    )
    return sums[pick]


def _finufft() -> ModuleType | None:
    try:
        return importlib.import_module("finufft")
    except ImportError:
        return None


def neighbours(oversampling: float) -> int:
    """Points needed on each side of a frequency."""
    return math.ceil(2 * _DIGITS / math.pi / (1 - 1 / max(oversampling, 1.5)))


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SumsBetween:
    """Sum of weight·exp(2πi·x·f) at any f inside a grid of trial frequencies.

    The sums of values that lie within `reach` of each other are, as a function of the frequency, a
    band-limited signal. Sampled more often than its band needs, it can be interpolated from its
    neighbours by a sinc under a Gaussian window, with an error of exp(−π·m·(1 − 1/oversampling)/2)
    for m neighbours on each side (Qian, Proc. AMS 131:1169, 2003).

    `first` is the frequency of the first of the `sums`, `step` apart, `centre` the middle of the
    values, and `oversampling` is 1/(step·reach).
    """

    first: float
    step: float
    sums: ComplexArray
    centre: float
    oversampling: float

    def at(self, frequencies: FloatArray) -> ComplexArray:
        """The sums at these frequencies, shape as given."""
        f = np.asarray(frequencies, float)
        out = np.empty(f.size, dtype=np.complex128)
        for part in blocks(f.size, _FREQUENCIES):
            out[part] = self._at(f.reshape(-1)[part])
        return out.reshape(f.shape)

    def _at(self, f: FloatArray) -> ComplexArray:
        m = neighbours(self.oversampling)
        place = (f - self.first) / self.step
        start = np.clip(np.rint(place).astype(np.int64) - m, 0, max(self.sums.size - 2 * m - 1, 0))
        index = start[..., None] + np.arange(min(2 * m + 1, self.sums.size))
        away = place[..., None] - index
        width = m / (math.pi * (1 - 1 / max(self.oversampling, 1.5)))
        weight = np.sinc(away) * np.exp(-(away**2) / (2 * width))
        # Counted from the middle of the values, the sums vary slowest.
        near = self.sums[index] * unit_circle(-self.centre * self.step * (index - index[..., :1]))
        back = unit_circle(self.centre * (f - (self.first + self.step * start)))
        return np.asarray(np.sum(near * weight, axis=-1) * back)
