r"""The prior of an unknown sigma: log-uniform, as far as the comb still has steps.

Where sigma is large next to the unit the teeth of the comb run into one another and there is
nothing left that could be called steps. Given the unit u, the density of log sigma is therefore

    p(log sigma | u) = S(sigma/u) / Z(u),      S(r) = 1/(1 + (r/c)^p),

on the support from `low` to `high`, with c = `LARGEST_RATIO` and p = `STEEPNESS`: flat up to about
a third of a unit and then falling off. Z(u) makes it add up to one at each unit, so that no unit
has an advantage beforehand. Integral and its inverse have closed forms.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray

LARGEST_RATIO = 0.35
"""sigma/u at which the prior has fallen to one half."""
STEEPNESS = 8.0
"""Power with which it falls beyond."""


def log_taper(ratio: FloatArray) -> FloatArray:
    """log S of sigma/u.

    >>> np.exp(log_taper(np.array([0.1, 0.35, 0.7]))).round(3)
    array([1.   , 0.5  , 0.004])
    """
    return -_log_one_and(STEEPNESS * np.log(np.divide(ratio, LARGEST_RATIO)))


def log_normaliser(unit: FloatArray, low: float, high: float) -> FloatArray:
    """log Z(u), the integral of S over log sigma from `low` to `high`.

    The integral from sigma upwards is log(1 + (c·u/sigma)^p)/p.
    """
    above_low, above_high = _above(unit, low), _above(unit, high)
    return np.log((above_low - above_high) / STEEPNESS)


def log_density(sigma: FloatArray, unit: FloatArray, low: float, high: float) -> FloatArray:
    """Log density of log sigma given the unit; −inf outside the support."""
    inside = (np.asarray(sigma) >= low) & (np.asarray(sigma) <= high)
    density = log_taper(np.divide(sigma, unit)) - log_normaliser(unit, low, high)
    return np.where(inside, density, -np.inf)


def draw_sigma(unit: FloatArray, low: float, high: float, rng: np.random.Generator) -> FloatArray:
    """One sigma from the prior for each unit.

    >>> rng = np.random.default_rng(1)
    >>> sigma = draw_sigma(np.full(10_000, 2.0), 0.02, 1.5, rng)
    >>> bool(abs(np.mean(sigma < 0.2) - np.log(10) / np.log(0.35 / 0.01)) < 0.02)
    True
    """
    unit = np.asarray(unit, float)
    return upper_quantile(rng.random(unit.shape), unit, low, high)


def upper_quantile(share: FloatArray, unit: FloatArray, low: float, high: float) -> FloatArray:
    """The sigma that has `share` of the prior above it, given the unit."""
    above_low, above_high = _above(unit, low), _above(unit, high)
    # The integral from sigma upwards is log(1 + (c·u/sigma)^p)/p.
    above = above_high + share * (above_low - above_high)
    log_power = above + np.log(-np.expm1(-above))  # log(exp(x) − 1) without overflow
    log_sigma = np.log(LARGEST_RATIO * unit) - log_power / STEEPNESS
    return np.clip(np.exp(log_sigma), low, high)


def _above(unit: FloatArray, sigma: float) -> FloatArray:
    """log(1 + (c·u/sigma)^p), in proportion to the integral of S from sigma upwards."""
    return _log_one_and(STEEPNESS * np.log(LARGEST_RATIO * unit / sigma))


def _log_one_and(x: FloatArray) -> FloatArray:
    """log(1 + exp(x)), without overflow."""
    return np.log1p(np.exp(-np.abs(x))) + np.maximum(x, 0.0)
