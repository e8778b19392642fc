"""Test statistics that see the whole range, for many data sets at once."""

from __future__ import annotations

import dataclasses
from typing import Any, TypeAlias

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.sums import blocks, unit_circle
from quantize.comb.unit_range import UnitRange, default_limits, refuse_too_many_units
from quantize.null.samplers import SmoothedBootstrap
from quantize.null.tails import ResultantScale
from quantize.readings import Readings

_BYTES = 2**22
"""Memory of the sums of a block of data sets, small enough for the processor's cache."""
_MOST_IN_SINGLE = 2000
"""With more readings single precision leaves too many frequencies in doubt."""
_OVERSAMPLING = 5.0
"""Trial units for each peak of the periodogram."""
_LIMIT = 500
"""From more readings the largest statistics of a null are drawn by their normal limit."""
_BINS = 2.5
"""Bins in the smallest unit; two would do (Nyquist)."""
_TYPICAL = 500
"""Data sets of which the widest makes the grid of frequencies."""

Precision: TypeAlias = type[np.complex64] | type[np.complex128]


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class LargestScore:
    """Largest cosine score (fixed offset) or phase-free power (free offset) over the range.

    A range that was chosen from the readings is chosen again from each data set by the same rule.
    Calling it with shape (r, n) gives r numbers. Both statistics are taken on the grid, for the
    readings and the resamples alike.
    """

    unit_range: UnitRange
    weights: FloatArray
    offset: float
    free: bool
    step: float
    sigma: float

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
    def of(
        cls, readings: Readings, unit_range: UnitRange, offset: float, free: bool
    ) -> LargestScore:
        """The statistic for data like these readings."""
        sigma = readings.sigma
        if readings.far.size:
            # The rule that chose the range left out the far readings; in resamples none stands out.
            unit_range = dataclasses.replace(unit_range, chosen=False)
        return cls(
            unit_range=unit_range,
            weights=readings.weights,
            offset=offset,
            free=free,
            step=readings.rounding_step or 0.0,
            sigma=0.0 if sigma is None else float(np.median(sigma)),
        )

    def __call__(self, values: FloatArray) -> FloatArray:
        values = np.atleast_2d(values)
        low, high = self._unit_ranges(np.ptp(values, axis=1))
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
            dataclasses.replace(self.unit_range, low=float(low[widest]), high=float(high[widest])),
            float(reach[widest]),
            _OVERSAMPLING,
        )
        step = 1 / (_OVERSAMPLING * float(reach[widest] / high[widest]))
        size = int(np.ceil((float(last.max()) - 1) / step)) + 1
        out = np.empty(len(x))
        columns = int(np.sqrt(size)) + 1
        per_row = 16 * (4 * columns * x.shape[1] + size)
        limit = np.floor((last - 1) / step * (1 + 1e-12)).astype(np.int64)
        for rows in blocks(len(x), _BYTES // per_row):
            out[rows] = self._largest(x[rows], step, size, limit[rows])
        return out

    def _largest(self, x: FloatArray, step: float, size: int, limit: IntArray) -> FloatArray:
        """The largest statistic of each row at f = 1 + step·(0 … limit).

        Single precision finds where it can be, and double precision how large it is there.
        """
        n = x.shape[1]
        precision: Precision = np.complex64 if n <= _MOST_IN_SINGLE else np.complex128
        parts = _transform(x, self.weights, step, size, precision, real=not self.free)
        height = parts[0] if not self.free else np.square(parts[0]) + np.square(parts[1])
        if limit.min() < size - 1:
            height[np.arange(size) > limit[:, None]] = -np.inf
        total = float(self.weights.sum())
        doubt = 2 * error_of_transform(n, size, precision) * total * (2 * total if self.free else 1)
        near = height >= height.max(axis=1, keepdims=True) - doubt
        row, place = np.divmod(np.flatnonzero(near), size)
        exact = np.empty(row.size)
        for part in blocks(row.size, _BYTES // (32 * n)):
            cycles = x[row[part]] * (1 + step * place[part])[:, None]
            sums = unit_circle(cycles) @ self.weights
            exact[part] = sums.real**2 + sums.imag**2 if self.free else sums.real
        largest = np.maximum.reduceat(exact, np.flatnonzero(np.diff(row, prepend=-1)))
        squares = float(np.sum(self.weights**2))
        return np.asarray(largest / squares if self.free else largest * np.sqrt(2 / squares))

    def _unit_ranges(self, spans: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Smallest and largest unit for data sets that lie on these lengths."""
        given = np.array([[self.unit_range.low], [self.unit_range.high]]) * np.ones(spans.size)
        if not self.unit_range.chosen:
            return given[0], given[1]
        n = self.weights.size
        chosen = default_limits(spans, n, step=self.step, sigma=self.sigma)
        # A data set of equal values has no range of its own.
        low, high = np.where(spans > 0, chosen, given)
        return np.minimum(low, 0.99 * high), high

    def has_limit(self, null: SmoothedBootstrap) -> bool:
        """Whether `in_the_limit` holds: many readings, no repeats, no rounding that shows."""
        n = self.weights.size
        return n > _LIMIT and null.mean.size == n and self.unit_range.low >= 2.5 * self.step

    def in_the_limit(
        self, null: SmoothedBootstrap, count: int, rng: np.random.Generator
    ) -> FloatArray:
        r"""The statistic of `count` data sets of the null, by the normal limit of many readings.

        The sums over n readings are a Gaussian process in the frequency, whatever the readings are,
        with the mean and the covariance of a single reading: those of counts in fine bins,
        :math:`\sqrt{p_b}\,z_b - p_b\sum_c\sqrt{p_c}\,z_c` about their means (the central limit of
        multinomial counts). One Fourier transform gives them at all frequencies.
        """
        from scipy.fft import next_fast_len, rfft

        width = self.unit_range.low / _BINS
        density, start = null.density(width)
        spans, ends = self._spans_in_the_limit(density, width, count, rng)
        low, high = self._unit_ranges(spans)
        first = start - self.offset + 0.5 * width
        near, far = first + ends[0], first + ends[1]
        reach = far - near if self.free else max(far, 0.0) - min(near, 0.0)
        length = max(_OVERSAMPLING * reach / width, density.size)
        length = next_fast_len(int(np.ceil(length)), real=True)
        step = 1 / (length * width)
        f = step * np.arange(length // 2 + 1)
        seen = slice(*np.searchsorted(f, [1 / high.max() - 0.5 * step, 1 / low.min() + 0.5 * step]))
        f = f[seen]
        turn = np.exp(-2j * np.pi * f * first)
        squares = float(np.sum(self.weights**2))
        mean = float(self.weights.sum()) / np.sqrt(squares) * rfft(density, length)[seen] * turn
        mean, turn = mean.astype(np.complex64), turn.astype(np.complex64)
        root, share = np.sqrt(density).astype(np.float32), density.astype(np.float32)
        out = np.empty(count)
        for rows in blocks(count, _BYTES // (4 * length)):
            size = (low[rows].size, share.size)
            noise = root * rng.standard_normal(size, dtype=np.float32)
            noise -= share * noise.sum(axis=1, keepdims=True)
            sums = mean + rfft(noise, length, axis=1)[:, seen] * turn
            height = np.square(np.abs(sums)) if self.free else np.sqrt(2) * sums.real
            inside = f >= (1 / high[rows])[:, None] - 0.5 * step
            inside &= f <= (1 / low[rows])[:, None] + 0.5 * step
            out[rows] = np.where(inside, height, -np.inf).max(axis=1)
        return out

    def _spans_in_the_limit(
        self, density: FloatArray, width: float, count: int, rng: np.random.Generator
    ) -> tuple[FloatArray, FloatArray]:
        """Spans of data sets with this density, and the ends of the widest of a batch."""
        n, running = self.weights.size, np.cumsum(density)
        edges = width * np.arange(1, density.size + 1)
        # The largest of n has the n-th power of the distribution; it knows nothing of the smallest.
        ends = np.interp([1 / (_TYPICAL * n), 1 - 1 / (_TYPICAL * n)], running, edges)
        if not self.unit_range.chosen:
            return np.zeros(count), ends
        part = rng.random((2, count)) ** (1 / n)
        return np.interp(part[0], running, edges) - np.interp(1 - part[1], running, edges), ends


def error_of_transform(n: int, size: int, precision: Precision) -> float:
    """Most that `_transform` errs, as a part of the sum of the weights."""
    # The last power errs as many times as much as the first, a sum once for each term.
    return float(np.finfo(precision).eps * (8 * np.sqrt(size) + n + 32))


def _transform(
    x: FloatArray, weights: FloatArray, step: float, size: int, precision: Precision, *, real: bool
) -> list[Any]:
    """Real and imaginary parts of the sums of weight·exp(2πi·x·f), or only the `real` ones.

    The frequencies are f = 1 + step·(0 … size−1).
    """
    columns = int(np.sqrt(size)) + 1
    rows = -(-size // columns)
    first = unit_circle(x, precision)
    first *= weights.astype(first.real.dtype)
    outer = _powers(unit_circle(step * columns * x, precision), rows, first)
    inner = _powers(unit_circle(-step * x, precision), columns)
    # cos(a + b) = cos a·cos(−b) + sin a·sin(−b): one real product of twice the length. To turn the
    # second factor by a quarter gives the sine.
    left, parts = outer.view(outer.real.dtype), []
    for factor in (inner,) if real else (inner, 1j * inner):
        right = factor.view(left.dtype)
        parts.append((left @ right.transpose(0, 2, 1)).reshape(len(x), -1)[:, :size])
    return parts


def _powers(factor: Any, count: int, first: Any = 1.0) -> Any:
    """first·factor^(0 … count−1) along a new middle axis, by doubling."""
    out = np.empty((count, *factor.shape), dtype=factor.dtype)
    out[0] = first
    done = 1
    while done < count:
        more = min(done, count - done)
        np.multiply(out[:more], factor, out=out[done : done + more])
        done += more
        # Squared, the error of the angle doubles, as that of twice the cycles would.
        factor = factor * factor
    return out.transpose(1, 0, 2)
