"""The wrapped-normal density of a phase, the one function behind every estimator.

A reading x = b + u·k + error, with every whole number k equally likely beforehand, has the phase
(x − b)/u mod 1. Its density, relative to a continuum in which every phase is equally likely, is
the normal density of spread s = sigma/u wrapped round a circle of circumference one.

`log_wrapped_normal` says what it is. `log_density_sum` gives its sum over readings with one
exponential or one cosine a reading instead of seven. For broad errors the log density has a short
Fourier series, so that the sum over readings is a weighted sum of the cosine sums of the
periodogram, which serve every sigma at once (`cosine_sums`). Where a phase is known to a step
only, `log_rounded_phase` averages the density over the step.
"""

from __future__ import annotations

import itertools

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.sums import WAVES, ComplexArray, blocks

_CROSSOVER = 0.4
"""Below this spread the sum over images converges faster, above it the Fourier series."""
_TWO_IMAGES = 0.05
_PRODUCT = 64
"""Factors multiplied before a logarithm is taken; each lies between 1e-2 and 7."""
WIDE = 0.2
"""From this spread on the series is short."""
_DIGITS = 27.0
_PIECES = 6
"""Parts of a range of spreads, each with a bound of its own."""
_BANDS = (0.15, 0.2, 0.25, 0.3, 0.4, 0.6, 1.0, np.inf)
_CHUNK = 2**18
_HALF_LOG_2PI = 0.5 * float(np.log(2 * np.pi))
_FAR, _NEAR = 1e4, 20.0
"""Up to so many standard deviations away the integral itself has all its digits."""
_FINE = 1e-3
"""Intervals shorter than this part of the standard deviation do not show."""
_SERIES = 0.3
"""From this spread on the Fourier series of the mean over an interval is short."""
_HARMONICS = 4
_NEGLIGIBLE = 9.0


def log_wrapped_normal(phase: FloatArray | float, spread: FloatArray | float) -> FloatArray:
    r"""Log density of the wrapped normal distribution on a circle of circumference one.

    The `spread` s is the standard deviation before wrapping, in cycles (sigma/u); phases are in
    cycles as well, and are taken modulo one. With phi in [−1/2, 1/2],

    .. math:: f(\phi) = \sum_k \frac{1}{s\sqrt{2\pi}} e^{-(\phi+k)^2/2s^2}
              = 1 + 2\sum_{m\ge1} e^{-2\pi^2 s^2 m^2} \cos 2\pi m\phi .

    Below s = 0.4 three images on either side of the nearest are summed; from there on three
    terms of the Fourier series. It is correct to 1e-12·max(1, its size) for spreads from 0.001 to
    3. Mardia and Jupp, *Directional Statistics*, Wiley 2000, section 3.5.7.

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
    return -(phi**2) * half - np.log(s) - _HALF_LOG_2PI + np.log1p(images)


def _by_harmonics(phi: FloatArray, s: FloatArray) -> FloatArray:
    q = np.exp(-2 * np.pi**2 * s**2)
    angle = 2 * np.pi * phi
    log_density: FloatArray = np.log1p(
        2 * (q * np.cos(angle) + q**4 * np.cos(2 * angle) + q**9 * np.cos(3 * angle))
    )
    return log_density


def log_comb_over_continuum(
    cycles: FloatArray, spread: FloatArray, outliers: float = 0.0
) -> FloatArray:
    """Log likelihood of values on a comb over that of a continuum, summed over the last axis.

    `cycles` are the values in units, from where multiples are counted, and `outliers` the share of
    values that are off the comb.
    """
    log_density = log_wrapped_normal(cycles, spread)
    if outliers > 0:
        log_density = np.log((1 - outliers) * np.exp(log_density) + outliers)
    return np.asarray(log_density.sum(axis=-1))


def log_density_sum(phase: FloatArray, spread: FloatArray) -> FloatArray:
    """Sum over the last axis of the log wrapped-normal density of phases (m, n) in [−1/2, 1/2].

    Where each row has one spread, (m, 1) in place of (m, n), the fast forms apply.
    """
    if spread.shape[-1] != 1:
        return np.asarray(log_wrapped_normal(phase, spread).sum(axis=-1))
    s = spread[:, 0]
    out = np.empty(phase.shape[0])
    for rows, form in (
        (s < _TWO_IMAGES, _nearest_two),
        ((s >= _TWO_IMAGES) & (s < _CROSSOVER), _images),
        (s >= _CROSSOVER, _harmonics),
    ):
        if rows.all():
            return form(phase, spread)
        if rows.any():
            out[rows] = form(phase[rows], spread[rows])
    return out


def _nearest_two(phase: FloatArray, s: FloatArray) -> FloatArray:
    half = 0.5 / s**2
    far = np.exp(-(1 - 2 * np.abs(phase)) * half)
    return _gaussian_part(phase, s) + log_product(1 + far)


def _images(phase: FloatArray, s: FloatArray) -> FloatArray:
    # Image k has weight exp(−(k² ± 2k·phi)/2s²) = a^(k²)·t^(±k).
    half = 0.5 / s**2
    a = np.exp(-half)
    t = np.exp(2 * half * phase)
    pair = t + 1 / t
    pair2 = pair**2 - 2
    total = 1 + a * pair + a**4 * pair2 + a**9 * pair * (pair2 - 1)
    return _gaussian_part(phase, s) + log_product(total)


def _harmonics(phase: FloatArray, s: FloatArray) -> FloatArray:
    q = np.exp(-2 * np.pi**2 * s**2)
    c = np.cos(2 * np.pi * phase)
    total = 1 + 2 * (q * c + q**4 * (2 * c**2 - 1) + q**9 * c * (4 * c**2 - 3))
    return log_product(total)


def _gaussian_part(phase: FloatArray, s: FloatArray) -> FloatArray:
    s = s[:, 0]
    square = np.einsum("ij,ij->i", phase, phase)
    return np.asarray(-0.5 * square / s**2 - phase.shape[1] * np.log(s * np.sqrt(2 * np.pi)))


def log_product(factors: FloatArray) -> FloatArray:
    """Log of the product along each row, of factors neither tiny nor huge."""
    n = factors.shape[1]
    if n <= _PRODUCT:
        return np.asarray(np.log(factors.prod(axis=1)))
    starts = np.arange(0, n, _PRODUCT)
    return np.asarray(np.log(np.multiply.reduceat(factors, starts, axis=1)).sum(axis=1))


def coefficients(spread: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    r"""Constant (m,) and first `count` coefficients (m, count) of the Fourier series.

    By Jacobi's triple product, with :math:`q = e^{-2\pi^2 s^2}`,

    .. math:: \log f(\phi) = \sum_m \log(1 - q^{2m})
              + \sum_j \frac{(-1)^{j+1} \cos 2\pi j\phi}{j \sinh(2\pi^2 s^2 j)} .
    """
    q = np.exp(-2 * np.pi**2 * spread**2)
    # q^j by repeated multiplication; 1/sinh(x) = 2·exp(−x)/(1 − exp(−2x)) without overflow.
    power = np.empty((count, spread.size))
    power[0] = q
    for j in range(1, count):
        np.multiply(power[j - 1], q, out=power[j])
    factor = power * power
    np.subtract(1.0, factor, out=factor)
    constant = np.log(factor.prod(axis=0))
    order = np.arange(1, count + 1)
    np.divide(power, factor, out=power)
    power *= (np.where(order % 2 == 1, 2.0, -2.0) / order)[:, None]
    return constant, power.T


def harmonics_needed(spread: float, digits: float = 34.0) -> int:
    """Number of terms after which the series is below exp(−digits)."""
    return int(np.ceil(digits / (2 * np.pi**2 * spread**2))) + 1


def cosine_sums(mean: FloatArray, unit: FloatArray, smallest: float = WIDE) -> FloatArray:
    """C_j = Σ cos(2πj·mean/unit), shape (units, J), J enough for spreads from `smallest` up.

    cos((j+1)t) = 2·cos(t)·cos(jt) − cos((j−1)t), Chebyshev's recurrence.
    """
    count = harmonics_needed(max(low for low in _BANDS[:-1] if low <= smallest), _DIGITS)
    out = np.empty((count, unit.size))
    for part in blocks(unit.size, _CHUNK // mean.size):
        cycles = mean[:, None] / unit[part]
        here = np.cos(2 * np.pi * (cycles - np.rint(cycles)))
        before, twice, product = np.ones_like(here), 2 * here, np.empty_like(here)
        for j in range(count):
            here.sum(axis=0, out=out[j, part])
            np.multiply(twice, here, out=product)
            np.subtract(product, before, out=before)
            before, here = here, before
    return out.T


def log_likelihood_from_cosines(
    sums: FloatArray, row: IntArray, n: int, spread: FloatArray
) -> FloatArray:
    """Σ log density at the units of rows `row` of `sums`, for spreads of at least `WIDE`."""
    out = np.empty(spread.size)
    for low, high in itertools.pairwise(_BANDS):
        here = np.flatnonzero((spread >= low) & (spread < high))
        if here.size:
            constant, coefficient = coefficients(spread[here], harmonics_needed(low, _DIGITS))
            known = sums.T[: coefficient.shape[1]].take(row[here], axis=1)
            known *= coefficient.T
            out[here] = n * constant + known.sum(axis=0)
    return out


def most_of_waves(
    sums: ComplexArray,
    n: int,
    turns: FloatArray,
    moves: FloatArray,
    least: FloatArray,
    most: FloatArray,
) -> FloatArray:
    """Upper bound of Σ log density near where `waves` gave the `sums` of n phases.

    All phases are turned by the first of `turns`, give or take the second; phase i moves by at most
    |value i| times the first of the `moves`, and the second bounds the root of the sum of squares.
    Spreads are from `least` to `most`. A cosine differs from its line by at most half a square.
    """
    order = 2 * np.pi * np.arange(1, WAVES + 1)
    size, slope = np.moveaxis(np.abs(sums), 1, 0)
    angle, angle_of_slope = np.moveaxis(np.angle(sums) + (order * turns[0][:, None])[:, None], 1, 0)
    either_way = order * turns[1][:, None]
    # The signs of the coefficients alternate.
    cosine = size * _largest_cosine(angle, either_way)
    cosine[:, 1::2] = -size[:, 1::2] * _largest_cosine(angle[:, 1::2] - np.pi, either_way[:, 1::2])
    sine = np.maximum(
        *(_largest_cosine(angle_of_slope + side * 0.5 * np.pi, either_way) for side in (-1, 1))
    )
    change = order * moves[0][:, None] * slope * sine + 0.5 * np.square(order * moves[1][:, None])
    step = (most / least) ** (1 / _PIECES)
    constant, blunt = coefficients(least, WAVES)
    bound = np.full(least.size, -np.inf)
    for _ in range(_PIECES):
        sharp, q = blunt, np.exp(-2 * np.pi**2 * least**2)
        least = least * step
        constant, blunt = coefficients(least, WAVES)
        each = np.maximum(sharp * cosine, blunt * cosine) + np.abs(sharp) * change
        left_out = 2 * q ** (WAVES + 1) / ((WAVES + 1) * (1 - q) * (1 - q**2))
        np.maximum(bound, n * (constant + left_out) + each.sum(axis=1), out=bound)
    return bound


def _largest_cosine(angle: FloatArray, either_way: FloatArray) -> FloatArray:
    """The largest cosine of any angle no farther from `angle` than `either_way`."""
    away = np.abs(angle - 2 * np.pi * np.rint(angle / (2 * np.pi))) - either_way
    return np.cos(np.maximum(away, 0.0, out=away), out=away)


def log_interval(distance: FloatArray, half: FloatArray, sd: FloatArray) -> FloatArray:
    """Log of the standard normal probability of (distance ± half)/sd; fine intervals too.

    >>> log_interval(np.array([0.0, 3.0]), np.ones(2), np.ones(2)).round(4)
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
    return np.asarray(above + np.log1p(-np.exp(np.minimum(below - above, 0.0))))


def log_rounded_phase(phase: FloatArray, half: FloatArray, spread: FloatArray) -> FloatArray:
    r"""Log of the mean wrapped-normal density over [phase − half, phase + half].

    The three arrays broadcast; phases are within half a cycle of zero.

    Whole cycles in the interval hold a probability of one each. The rest has the probability
    :math:`\sum_k \Phi((a-\phi-k)/s) - \Phi((-a-\phi-k)/s)`, or from s = 0.3 on
    :math:`2a + \sum_m q^{m^2} \sin(2\pi m a)\cos(2\pi m\phi)\cdot 2/(\pi m)`, with
    :math:`q = e^{-2\pi^2 s^2}`.

    An interval of one cycle says nothing, whatever the phase.

    >>> half, spread = np.array([0.5]), np.array([0.1])
    >>> log_rounded_phase(np.array([0.0, 0.4]), half, spread).round(7) + 0.0
    array([0., 0.])
    """
    cycles = np.floor(2 * half)
    rest = np.maximum(half - 0.5 * cycles, 1e-9)
    phi = np.abs(phase + 0.5 * (cycles % 2))
    phi = np.minimum(phi, 1 - phi)
    phi, rest, cycles, spread = np.broadcast_arrays(phi, rest, cycles, spread)
    log_rest = np.empty(phi.shape)
    narrow = spread < _SERIES
    for which, of in ((narrow, _interval_by_images), (~narrow, _interval_by_series)):
        if which.any():
            log_rest[which] = of(phi[which], rest[which], spread[which])
    total = np.where(cycles > 0, np.log(np.maximum(cycles, 1) + np.exp(log_rest)), log_rest)
    return total - np.log(2 * half)


def _interval_by_images(phi: FloatArray, half: FloatArray, s: FloatArray) -> FloatArray:
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


def _interval_by_series(phi: FloatArray, half: FloatArray, s: FloatArray) -> FloatArray:
    total = 2 * half
    for m in range(1, _HARMONICS + 1):
        q = np.exp(-2 * np.square(np.pi * s * m))
        total = total + q * np.sin(2 * np.pi * m * half) * np.cos(2 * np.pi * m * phi) * (
            2 / (np.pi * m)
        )
    return np.log(np.maximum(total, 1e-300))
