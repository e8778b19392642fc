"""The noise of a reading: how its variance depends on the mean, and its density about its tooth.

A reading is sharp, rounded, off the scale, or taken while the charge changed. `d` is the reading
minus the mean of its tooth and `sd` the standard deviation of the error.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.wrapped import log_interval
from quantize.readings import Readings

POWERS = {"constant": 0, "counting": 1, "proportional": 2}
"""Laws of noise by the power of the mean with which the variance grows."""

HALF_LOG_2PI = 0.5 * float(np.log(2 * np.pi))
_FINE = 1e-3
"""Steps finer than this part of sd do not show."""
_FAR = 1e4


def log_normal(d: FloatArray, sd: FloatArray) -> FloatArray:
    """Normal density."""
    return -0.5 * np.square(d / sd) - np.log(sd) - HALF_LOG_2PI


def log_normal_in_place(d: FloatArray, variance: FloatArray, least: FloatArray) -> FloatArray:
    """The largest normal density with a variance from `least` to `variance`, written over both."""
    np.square(d, out=d)
    if least is not variance:
        variance = np.clip(d, least, variance)
    d /= variance
    d += np.log(variance, out=variance)
    d *= -0.5
    d -= HALF_LOG_2PI
    return d


def log_rounded(d: FloatArray, sd: FloatArray, step: FloatArray) -> FloatArray:
    """One end read on a ruler of `step`: the normal density averaged over [x − h/2, x + h/2]."""
    return log_interval(d, 0.5 * step, sd) - np.log(step)


def log_rounded_twice(d: FloatArray, sd: FloatArray, step: FloatArray) -> FloatArray:
    """Both ends read: the normal density averaged over a triangle of base 2h (sd 0.41·h)."""
    far = np.abs(d) / sd
    h = step / sd
    # Second difference of the twice integrated normal density.
    logs = [_log_second_integral(t - far) for t in (h, 0 * h, -h)]
    inner = -2 * np.exp(logs[1] - logs[0]) + np.exp(logs[2] - logs[0])
    inside = logs[0] + np.log1p(np.maximum(inner, -1 + 1e-15)) - 2 * np.log(h) - np.log(sd)
    return np.where(h < _FINE, log_normal(d, sd), inside)


def _log_second_integral(z: FloatArray) -> FloatArray:
    """log(z·Φ(z) + φ(z))."""
    from scipy.special import erfcx

    y = np.clip(np.abs(z), 0, _FAR)
    mills = np.sqrt(np.pi / 2) * erfcx(y / np.sqrt(2))
    tail = -0.5 * y**2 - HALF_LOG_2PI + np.log(np.maximum(1 - y * mills, 1e-12))
    ahead = np.log(np.maximum(np.maximum(z, 0) + np.exp(tail), 1e-300))
    return np.asarray(np.where(z < 0, tail, ahead))


def log_beyond(d: FloatArray, sd: FloatArray, side: FloatArray) -> FloatArray:
    """Probability of a reading off the scale: at least x (`side` +1) or at most x (−1)."""
    from scipy.special import log_ndtr

    return log_ndtr(np.maximum(-side * d / sd, -_FAR))


def log_changed(d: FloatArray, sd: FloatArray, unit: FloatArray) -> FloatArray:
    """The charge changed by one unit within the interval, at any moment of it.

    Uniform between the tooth and its neighbour on either side, plus the error.
    """
    return log_rounded(d, sd, 2 * unit)


def grown_variance(
    constant: FloatArray, growth: FloatArray, mean: FloatArray, power: int
) -> FloatArray:
    """constant + growth²·abs(mean)^power, for arrays that broadcast."""
    if power == 0:
        return constant
    size = np.square(mean) if power == 2 else np.abs(mean)
    return np.asarray(constant + np.square(growth) * size)


def in_deviations(
    size: FloatArray | float, constant: FloatArray, growth: FloatArray, power: int
) -> FloatArray:
    """How many deviations a size is from zero, each as long as it is there: ∫ d size/deviation."""
    place: FloatArray = size / constant
    if power == 1:
        place = 2 * place / (1 + np.sqrt(1 + np.abs(place) * np.square(growth) / constant))
    elif power == 2:
        place = np.arcsinh(growth * place) / growth
    return place


def at_deviations(
    place: FloatArray, constant: FloatArray, growth: FloatArray, power: int
) -> tuple[FloatArray, FloatArray]:
    """The size so many deviations from zero, and the deviation there."""
    size: FloatArray = constant * place
    if power == 1:
        size += np.sign(place) * np.square(0.5 * growth * place)
    elif power == 2:
        size = constant / growth * np.sinh(growth * place)
    return size, np.sqrt(grown_variance(np.square(constant), growth, size, power))


class ReadingKinds:
    """Readings in the order `order`, sorted by kind: sharp, rounded, off the scale, changing."""

    def __init__(self, readings: Readings, order: IntArray, rounding: bool) -> None:
        n = len(readings)
        zero = np.zeros(n, dtype=np.int64)
        beyond = (zero if readings.beyond is None else readings.beyond)[order]
        changed = (zero > 0 if readings.changed is None else readings.changed)[order]
        ends = (zero + 1 if readings.ends is None else readings.ends)[order]
        step = np.zeros(n)
        if rounding and readings.resolution is not None:
            step = readings.resolution[order]
        self.step = step
        self.rounding = np.square(step) * ends / 12
        """Variance of rounding."""
        self.beyond = beyond.astype(np.float64)
        plain = (beyond == 0) & ~changed
        self.is_beyond = np.flatnonzero(beyond != 0)
        self.is_changed = np.flatnonzero(changed & (beyond == 0))
        self.is_rounded = np.flatnonzero(plain & (step > 0) & (ends == 1))
        self.is_rounded_twice = np.flatnonzero(plain & (step > 0) & (ends == 2))
        self.is_sharp = np.flatnonzero(plain & (step == 0))
        self.all_sharp = self.is_sharp.size == n
        self.rounded_by = np.where(plain, 0.5 * step * ends, 0.0)
        """How far from its tooth each reading can be rounded."""
        self.reach = float(np.max(self.rounded_by))

    def log_density(
        self, d: FloatArray, variance: FloatArray, least: FloatArray, unit: FloatArray
    ) -> FloatArray:
        """Log density at distances `d` (m, n, T) from the teeth; `d` is overwritten.

        `variance` has shape (m, n, 1 or T) and `unit` (m,). Where `least` is smaller than the
        variance, it is an upper bound for all variances between the two.
        """
        if self.all_sharp:
            return log_normal_in_place(d, variance, least)
        given, variance = variance, np.broadcast_to(variance, d.shape)
        sd = np.sqrt(variance)
        step = self.step[:, None]
        if (i := self.is_sharp).size:
            d[:, i] = log_normal(d[:, i], sd[:, i])
        if (i := self.is_rounded).size:
            d[:, i] = log_rounded(d[:, i], sd[:, i], step[i])
        if (i := self.is_rounded_twice).size:
            d[:, i] = log_rounded_twice(d[:, i], sd[:, i], step[i])
        if (i := self.is_beyond).size:
            d[:, i] = log_beyond(d[:, i], sd[:, i], self.beyond[i][:, None])
        if (i := self.is_changed).size:
            d[:, i] = log_changed(d[:, i], sd[:, i], unit[:, None, None])
        if least is not given:
            # A normal density of deviation s is nowhere above (s'/s) times that of s' > s.
            d += 0.5 * np.log(variance / least)
        return d

    def nearer(self, d: FloatArray, move: FloatArray) -> FloatArray:
        """Distances when every tooth may come nearer by `move`: no density is higher."""
        near = np.abs(d)
        near -= move
        np.maximum(near, 0.0, out=near)
        if (i := self.is_beyond).size:
            near[:, i] = d[:, i] - self.beyond[i][:, None] * np.broadcast_to(move, d.shape)[:, i]
        return near
