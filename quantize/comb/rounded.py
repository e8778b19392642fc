"""The wrapped-normal density averaged over an interval: a phase that is known to a step only."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray

_FAR = 1e4
_NEAR = 20.0
"""Up to so many standard deviations away the integral itself is a number with all its digits."""
_FINE = 1e-3
"""Intervals shorter than this part of the standard deviation do not show."""
_SERIES = 0.3
"""From this spread on the Fourier series is short."""
_HARMONICS = 4
_NEGLIGIBLE = 9.0
_HALF_LOG_2PI = 0.5 * float(np.log(2 * np.pi))


def log_interval(distance: FloatArray, half: FloatArray, sd: FloatArray) -> FloatArray:
    """Log of the standard normal probability of (distance ± half)/sd; fine intervals too.

    Examples
    --------
    >>> log_interval(np.array([0.0, 3.0]), np.array([1.0, 1.0]), np.array([1.0, 1.0])).round(4)
    array([-0.3817, -3.7846])
    """
    from scipy.special import ndtr

    far = np.abs(distance)
    far /= sd
    half = half / sd
    with np.errstate(divide="ignore"):
        value: FloatArray = np.log(ndtr(half - far) - ndtr(-half - far))
    outside = half < far - _NEAR
    if outside.any():
        wide = np.broadcast_to(half, far.shape)[outside]
        value[outside] = _log_tail(wide - far[outside], -wide - far[outside])
    fine = np.broadcast_to(2 * half < _FINE, far.shape)
    if fine.any():
        log_length = np.log(2 * np.broadcast_to(half, far.shape)[fine])
        value[fine] = log_length - 0.5 * np.square(far[fine]) - _HALF_LOG_2PI
    return value


def _log_tail(upper: FloatArray, lower: FloatArray) -> FloatArray:
    """log(Φ(upper) − Φ(lower)) far below zero."""
    from scipy.special import log_ndtr

    above, below = log_ndtr(np.maximum(upper, -_FAR)), log_ndtr(np.maximum(lower, -_FAR - 1))
    tail: FloatArray = above + np.log1p(-np.exp(np.minimum(below - above, 0.0)))
    return tail


def log_rounded_phase(phase: FloatArray, half: FloatArray, spread: FloatArray) -> FloatArray:
    r"""Log of the mean wrapped-normal density over [phase − half, phase + half].

    The three arrays broadcast; phases are within half a cycle of zero.

    Notes
    -----
    Whole cycles in the interval hold a probability of one each. The rest has the probability
    :math:`\sum_k \Phi((a-\phi-k)/s) - \Phi((-a-\phi-k)/s)`, or from s = 0.3 on
    :math:`2a + \sum_m q^{m^2} \sin(2\pi m a)\cos(2\pi m\phi)\cdot 2/(\pi m)`, with
    :math:`q = e^{-2\pi^2 s^2}`.

    Examples
    --------
    An interval of one cycle says nothing, whatever the phase.

    >>> log_rounded_phase(np.array([0.0, 0.4]), np.array([0.5]), np.array([0.1])).round(7) + 0.0
    array([0., 0.])
    """
    cycles = np.floor(2 * half)
    rest = np.maximum(half - 0.5 * cycles, 1e-9)
    phi = np.abs(phase + 0.5 * (cycles % 2))
    phi = np.minimum(phi, 1 - phi)
    phi, rest, cycles, spread = np.broadcast_arrays(phi, rest, cycles, spread)
    log_rest = np.empty(phi.shape)
    narrow = spread < _SERIES
    for which, of in ((narrow, _by_images), (~narrow, _by_series)):
        if which.any():
            log_rest[which] = of(phi[which], rest[which], spread[which])
    total = np.where(cycles > 0, np.log(np.maximum(cycles, 1) + np.exp(log_rest)), log_rest)
    density: FloatArray = total - np.log(2 * half)
    return density


def _by_images(phi: FloatArray, half: FloatArray, s: FloatArray) -> FloatArray:
    from scipy.special import ndtr

    log_sum = log_interval(phi, half, s)
    # The next tooth counts where it is as near, or within nine deviations of the interval.
    shared = np.flatnonzero((1 - phi - half < _NEGLIGIBLE * s) | (phi > 0.4))
    phi, half, s = phi[shared], half[shared], s[shared]
    others = np.zeros(shared.size)
    for image in (1 - phi, 1 + phi, 2 - phi, 2 + phi):
        others += ndtr((half - image) / s) - ndtr((-half - image) / s)
    with np.errstate(divide="ignore"):
        log_sum[shared] = np.logaddexp(log_sum[shared], np.log(others))
    return log_sum


def _by_series(phi: FloatArray, half: FloatArray, s: FloatArray) -> FloatArray:
    total = 2 * half
    for m in range(1, _HARMONICS + 1):
        q = np.exp(-2 * np.square(np.pi * s * m))
        total = total + q * np.sin(2 * np.pi * m * half) * np.cos(2 * np.pi * m * phi) * (
            2 / (np.pi * m)
        )
    log_total: FloatArray = np.log(np.maximum(total, 1e-300))
    return log_total
