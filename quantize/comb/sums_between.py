"""Sums between the points of a grid of trial frequencies, without another pass over the data.

The sums of values that lie within `reach` of each other are, as a function of the frequency, a
band-limited signal. Sampled more often than its band needs, it can be interpolated from its
neighbours by a sinc under a Gaussian window, with an error of exp(−π·m·(1 − 1/oversampling)/2) for
m neighbours on each side (Qian, Proc. AMS 131:1169, 2003).
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.kernel import ComplexArray

_DIGITS = 21.0  # exp(−21) = 8e-10
_BLOCK = 2**15  # frequencies at once


def neighbours(oversampling: float) -> int:
    """Points needed on each side of a frequency."""
    return math.ceil(2 * _DIGITS / math.pi / (1 - 1 / max(oversampling, 1.5)))


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SumsBetween:
    """Sum of weight·exp(2πi·x·f) at any f inside the grid.

    Attributes
    ----------
    first, step : float
        Frequency of the first of `sums` and the step between them.
    sums : numpy.ndarray, shape (m,)
    centre : float
        Middle of the values.
    oversampling : float
        1/(step·reach).
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
        for start in range(0, f.size, _BLOCK):
            out[start : start + _BLOCK] = self._at(f.reshape(-1)[start : start + _BLOCK])
        return out.reshape(f.shape)

    def _at(self, f: FloatArray) -> ComplexArray:
        m = neighbours(self.oversampling)
        place = (f - self.first) / self.step
        start = np.clip(np.rint(place).astype(np.int64) - m, 0, max(self.sums.size - 2 * m - 1, 0))
        index = start[..., None] + np.arange(min(2 * m + 1, self.sums.size))
        away = place[..., None] - index
        width = m / (math.pi * (1 - 1 / max(self.oversampling, 1.5)))
        weight = np.sinc(away) * np.exp(-(away**2) / (2 * width))
        # Turned back to the middle, the sums vary slowest.
        turn = -self.centre * self.step * (index - index[..., :1])
        near = self.sums[index] * np.exp(2j * np.pi * (turn - np.rint(turn)))
        back = self.centre * (f - (self.first + self.step * start))
        out: ComplexArray = np.sum(near * weight, axis=-1) * np.exp(
            2j * np.pi * (back - np.rint(back))
        )
        return out
