"""Test statistics that see the whole band, for many data sets at once."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.band import Band, default_limits, refuse_too_many_units
from quantize.comb.sums import ComplexArray
from quantize.null.tails import ResultantScale
from quantize.readings import Readings

_BYTES = 2**24
"""Memory of the sums of a block of data sets."""
_OVERSAMPLING = 5.0
"""Trial units for each peak of the periodogram."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class LargestScore:
    """Largest cosine score (fixed offset) or phase-free power (free offset) over the band.

    A band that was chosen from the readings is chosen again from each data set by the same rule.
    Calling it with shape (r, n) gives r numbers. Both statistics are taken on the grid, for the
    readings and the resamples alike.
    """

    band: Band
    weights: FloatArray
    offset: float
    free: bool
    step: float | None
    sigma: float
    oversampling: float = _OVERSAMPLING

    @property
    def name(self) -> str:
        """What the number is, for people."""
        return "largest phase-free power" if self.free else "largest cosine score"

    @property
    def scale(self) -> ResultantScale:
        """The scale on which its tail is exponential."""
        effective = float(self.weights.sum() ** 2 / np.sum(self.weights**2))
        return ResultantScale(effective, cosine=not self.free)

    @classmethod
    def of(cls, readings: Readings, band: Band, offset: float, free: bool) -> LargestScore:
        """The statistic for data like these readings."""
        sigma = readings.sigma
        weights = np.ones(len(readings)) if sigma is None else (sigma.min() / sigma) ** 2
        if readings.far.size:
            # The rule that chose the range left out the far readings; in resamples none stands out.
            band = dataclasses.replace(band, chosen=False)
        return cls(
            band=band,
            weights=weights,
            offset=offset,
            free=free,
            step=readings.rounding_step,
            sigma=0.0 if sigma is None else float(np.median(sigma)),
        )

    def __call__(self, values: FloatArray) -> FloatArray:
        values = np.atleast_2d(values)
        low, high = self._bands(values)
        x = values - self.offset
        if self.free:
            x = x - 0.5 * (x.min(axis=1) + x.max(axis=1))[:, None]
            reach = np.ptp(x, axis=1)
        else:
            reach = np.maximum(x.max(axis=1), 0) - np.minimum(x.min(axis=1), 0)
        # Measured in its own largest unit, every data set has the same grid of frequencies.
        x = x / high[:, None]
        last = high / low
        widest = int(np.argmax(reach / high))
        refuse_too_many_units(
            dataclasses.replace(self.band, low=float(low[widest]), high=float(high[widest])),
            float(reach[widest]),
            self.oversampling,
        )
        step = 1 / (self.oversampling * float(reach[widest] / high[widest]))
        size = int(np.ceil((float(last.max()) - 1) / step)) + 1
        out = np.empty(len(x))
        columns = int(np.sqrt(size)) + 1
        per_row = 16 * (4 * columns * x.shape[1] + size)
        block = max(1, _BYTES // per_row)
        limit = np.floor((last - 1) / step * (1 + 1e-12)).astype(np.int64)
        for start in range(0, len(x), block):
            rows = slice(start, start + block)
            grid = _transform(x[rows], self.weights, step, size, real=not self.free)
            beyond = np.arange(size)[None, :] > limit[rows, None]
            if self.free:
                power = grid.real**2 + grid.imag**2
                power[beyond] = 0.0
                out[rows] = power.max(axis=1) / np.sum(self.weights**2)
            else:
                score = grid.real
                score[beyond] = -np.inf
                out[rows] = score.max(axis=1) * np.sqrt(2 / np.sum(self.weights**2))
        return out

    def _bands(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        if not self.band.chosen:
            ones = np.ones(len(values))
            return self.band.low * ones, self.band.high * ones
        spans = np.ptp(values, axis=1)
        low, high = default_limits(spans, values.shape[1], step=self.step or 0.0, sigma=self.sigma)
        # A data set of equal values has no band of its own.
        low, high = np.where(spans > 0, (low, high), np.array([[self.band.low], [self.band.high]]))
        return np.minimum(low, 0.99 * high), high


def _transform(
    x: FloatArray, weights: FloatArray, step: float, size: int, *, real: bool
) -> FloatArray:
    """Sum of weight·exp(2πi·x·f) at f = 1 + step·(0 … size−1), or only its real part."""
    columns = int(np.sqrt(size)) + 1
    rows = -(-size // columns)
    sign = -1 if real else 1
    inner = _powers(sign * step * x, columns)
    outer = _powers(step * columns * x, rows, _on_circle(x) * weights)
    if not real:
        whole = outer @ inner.transpose(0, 2, 1)
        return whole.reshape(len(x), -1)[:, :size]  # type: ignore[return-value]
    # cos(a + b) = cos a·cos(−b) + sin a·sin(−b): one real product of twice the length.
    left, right = outer.view(np.float64), inner.view(np.float64)
    product: FloatArray = left @ right.transpose(0, 2, 1)
    return product.reshape(len(x), -1)[:, :size]


def _powers(cycles: FloatArray, count: int, first: ComplexArray | float = 1.0) -> ComplexArray:
    """first·exp(2πi·cycles·(0 … count−1)) along a new middle axis, by doubling."""
    out = np.empty((cycles.shape[0], count, cycles.shape[1]), dtype=np.complex128)
    out[:, 0] = first
    factor = _on_circle(cycles)
    done = 1
    while done < count:
        more = min(done, count - done)
        np.multiply(out[:, :more], factor[:, None, :], out=out[:, done : done + more])
        done += more
        # Squared, the error of the angle doubles, as that of twice the cycles would.
        factor = factor * factor
    return out


def _on_circle(cycles: FloatArray) -> ComplexArray:
    """exp(2πi·cycles)."""
    angle = 2 * np.pi * (cycles - np.rint(cycles))
    out = np.empty(cycles.shape, dtype=np.complex128)
    np.cos(angle, out=out.real)
    np.sin(angle, out=out.imag)
    return out
