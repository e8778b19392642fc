"""The log density of one reading about its tooth: sharp, rounded, one-sided, or changing.

`d` is the reading minus the mean of its tooth and `sd` the standard deviation of the error.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray

_HALF_LOG_2PI = 0.5 * float(np.log(2 * np.pi))
_FINE = 1e-3
"""Steps finer than this part of sd do not show."""
_FAR = 1e4


def log_normal(d: FloatArray, sd: FloatArray) -> FloatArray:
    """Normal density."""
    density: FloatArray = -0.5 * np.square(d / sd) - np.log(sd) - _HALF_LOG_2PI
    return density


def log_normal_in_place(d: FloatArray, variance: FloatArray, least: FloatArray) -> FloatArray:
    """The largest normal density with a variance from `least` to `variance`, written over `d`."""
    np.square(d, out=d)
    if least is not variance:
        variance = np.clip(d, least, variance)
    d /= variance
    d *= -0.5
    d -= 0.5 * np.log(variance) + _HALF_LOG_2PI
    return d


def log_rounded(d: FloatArray, sd: FloatArray, step: FloatArray) -> FloatArray:
    """One end read on a ruler of `step`: the normal density averaged over [x − h/2, x + h/2]."""
    from scipy.special import log_ndtr

    far = np.abs(d) / sd
    half = 0.5 * step / sd
    upper = log_ndtr(np.maximum(half - far, -_FAR))
    lower = log_ndtr(np.maximum(-half - far, -_FAR - 1))
    inside = upper + np.log1p(-np.exp(np.minimum(lower - upper, 0.0)))
    rounded: FloatArray = np.where(2 * half < _FINE, log_normal(d, sd), inside - np.log(step))
    return rounded


def log_rounded_twice(d: FloatArray, sd: FloatArray, step: FloatArray) -> FloatArray:
    """Both ends read: the normal density averaged over a triangle of base 2h (sd 0.41·h)."""
    far = np.abs(d) / sd
    h = step / sd
    # Second difference of the twice integrated normal density.
    logs = [_log_second_integral(t - far) for t in (h, 0 * h, -h)]
    inner = -2 * np.exp(logs[1] - logs[0]) + np.exp(logs[2] - logs[0])
    inside = logs[0] + np.log1p(np.maximum(inner, -1 + 1e-15)) - 2 * np.log(h) - np.log(sd)
    rounded: FloatArray = np.where(h < _FINE, log_normal(d, sd), inside)
    return rounded


def _log_second_integral(z: FloatArray) -> FloatArray:
    """log(z·Φ(z) + φ(z))."""
    from scipy.special import erfcx

    y = np.clip(np.abs(z), 0, _FAR)
    mills = np.sqrt(np.pi / 2) * erfcx(y / np.sqrt(2))
    tail = -0.5 * y**2 - _HALF_LOG_2PI + np.log(np.maximum(1 - y * mills, 1e-12))
    ahead = np.log(np.maximum(np.maximum(z, 0) + np.exp(tail), 1e-300))
    value: FloatArray = np.where(z < 0, tail, ahead)
    return value


def log_beyond(d: FloatArray, sd: FloatArray, side: FloatArray) -> FloatArray:
    """Probability of a reading off the scale: at least x (`side` +1) or at most x (−1)."""
    from scipy.special import log_ndtr

    probability: FloatArray = log_ndtr(np.maximum(-side * d / sd, -_FAR))
    return probability


def log_changed(d: FloatArray, sd: FloatArray, unit: FloatArray) -> FloatArray:
    """The charge changed by one unit within the interval, at any moment of it.

    Uniform between the tooth and its neighbour on either side, plus the error.
    """
    return log_rounded(d, sd, 2 * unit)
