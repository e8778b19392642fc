"""The wrapped-normal density of a phase, the one function behind every estimator.

A reading x = b + u·k + error, with every whole number k equally likely beforehand, has the phase
(x − b)/u mod 1. Its density, relative to a continuum in which every phase is equally likely, is
the normal density of spread s = sigma/u wrapped round a circle of circumference one.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray

_CROSSOVER = 0.4
"""Below this spread the sum over images converges faster, above it the Fourier series."""


def phase(values: FloatArray, unit: FloatArray | float, offset: float = 0.0) -> FloatArray:
    """(values − offset)/unit mod 1, in [−1/2, 1/2]."""
    turns = (values - offset) / unit
    wrapped: FloatArray = turns - np.rint(turns)
    return wrapped


def log_wrapped_normal(phase: FloatArray | float, spread: FloatArray | float) -> FloatArray:
    r"""Log density of the wrapped normal distribution on a circle of circumference one.

    Parameters
    ----------
    phase : array_like
        Phases in turns; any real number, taken modulo one.
    spread : array_like
        Standard deviation before wrapping, in turns (sigma/u). Broadcasts against `phase`.

    Returns
    -------
    numpy.ndarray
        The log density, correct to 1e-12·max(1, its size) for spreads from 0.001 to 3.

    Notes
    -----
    With phi in [−1/2, 1/2] and s the spread,

    .. math:: f(\phi) = \sum_k \frac{1}{s\sqrt{2\pi}} e^{-(\phi+k)^2/2s^2}
              = 1 + 2\sum_{m\ge1} e^{-2\pi^2 s^2 m^2} \cos 2\pi m\phi .

    Below s = 0.4 three images on either side of the nearest are summed; from there on three
    terms of the Fourier series.

    References
    ----------
    Mardia and Jupp, *Directional Statistics*, Wiley 2000, section 3.5.7.

    Examples
    --------
    >>> log_wrapped_normal(0.0, 0.1).round(6)
    np.float64(1.383647)
    """
    phi = np.abs(phase - np.rint(phase))
    phi, s = np.broadcast_arrays(np.asarray(phi, float), np.asarray(spread, float))
    if np.all(s < _CROSSOVER):
        return _by_images(phi, s)
    if np.all(s >= _CROSSOVER):
        return _by_harmonics(phi, s)
    out = np.empty(phi.shape)
    narrow = s < _CROSSOVER
    out[narrow] = _by_images(phi[narrow], s[narrow])
    out[~narrow] = _by_harmonics(phi[~narrow], s[~narrow])
    return out


def _by_images(phi: FloatArray, s: FloatArray) -> FloatArray:
    half = 0.5 / s**2
    # (phi ± k)² − phi² = k(k ± 2 phi): no cancellation against the nearest image.
    images = np.zeros(phi.shape)
    for k in (1, 2, 3):
        images += np.exp(-k * (k - 2 * phi) * half) + np.exp(-k * (k + 2 * phi) * half)
    log_density: FloatArray = (
        -(phi**2) * half - np.log(s) - 0.5 * np.log(2 * np.pi) + np.log1p(images)
    )
    return log_density


def _by_harmonics(phi: FloatArray, s: FloatArray) -> FloatArray:
    q = np.exp(-2 * np.pi**2 * s**2)
    angle = 2 * np.pi * phi
    log_density: FloatArray = np.log1p(
        2 * (q * np.cos(angle) + q**4 * np.cos(2 * angle) + q**9 * np.cos(3 * angle))
    )
    return log_density


def log_peak_density(spread: FloatArray) -> FloatArray:
    """`log_wrapped_normal` at phase zero, its largest value, to 1e-8."""
    s = np.asarray(spread, float)
    near = np.log1p(2 * np.exp(-0.5 / s**2) + 2 * np.exp(-2 / s**2)) - np.log(
        s * np.sqrt(2 * np.pi)
    )
    q = np.exp(-2 * np.pi**2 * s**2)
    far = np.log1p(2 * q + 2 * q**4)
    peak: FloatArray = np.where(s < _CROSSOVER, near, far)
    return peak
