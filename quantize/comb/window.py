"""How many units the readings span on the comb, and what that does to its likelihood.

The comb and the continuum draw from the same envelope, flat over the span S of the readings. On the
continuum a stretch of one unit has the share u/S; on the comb each of the K whole units in the span
has the share 1/K (the two end teeth count half). The likelihood of n levels is therefore the
product of wrapped-normal densities times (S/(u·K))^n, with K the whole number nearest S/u. Within a
mode K is constant, and the factor takes back the u^n by which the product alone favours a larger
unit: it would put the posterior mean high by n·sigma²/Σk². Between modes it is near one.

The largest reading lies beyond the last tooth, by more the more readings there are: the largest of
N normal errors of deviation sigma is on average sigma·z beyond, z the normal quantile of
(N − 3/8)/(N + 1/4) (Blom, *Statistical Estimates and Transformed Beta-Variables*, Wiley 1958). With
n/K readings a tooth both ends are therefore moved in before S/u is rounded. The rounding takes them
as uncertain as two readings, so that K changes smoothly with u. In full

    K = S/u + r(t) − t,    t = (S − 2·z·sigma)/u,

r the smooth rounding: where sigma/u is large no steps are left, K = S/u, and comb and continuum
are the same. Between the two the factor takes back a part; `quantize.model.bias` has the rest.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray

_CROSSOVER = 0.25
_ROUNDING = 0.3


def soft_round(t: FloatArray, spread: FloatArray) -> FloatArray:
    """The whole number nearest t + error, averaged over normal errors of deviation `spread`.

    Below a spread of 0.25 three steps on either side are summed; above, the Fourier series
    t + Σ (−1)^m sin(2πmt)·exp(−2π²s²m²)/(πm).

    >>> soft_round(np.array([2.4, 2.4]), np.array([0.01, 3.0])).round(3)
    array([2. , 2.4])
    """
    from scipy.special import ndtr

    shape = np.broadcast_shapes(np.shape(t), np.shape(spread))
    t, s = (np.broadcast_to(np.asarray(v, float), shape).ravel() for v in (t, spread))
    whole = np.floor(t + 0.5)
    part = t + 0.5 - whole
    result: FloatArray = np.empty(t.size)
    near = np.flatnonzero(s < _CROSSOVER)
    if near.size:
        p, width = part[near], s[near]
        # The outermost two of the six steps are one and zero to the last digit.
        steps = sum(ndtr((p - k) / width) for k in (-1, 0, 1, 2))
        result[near] = whole[near] + steps - 2.0
    far = np.flatnonzero(s >= _CROSSOVER)
    if far.size:
        q = np.exp(-2 * np.pi**2 * s[far] ** 2)
        sine, cosine = np.sin(2 * np.pi * part[far]), np.cos(2 * np.pi * part[far])
        # sin(mx) by doubling; q to the power of m².
        double, q4 = 2 * sine * cosine, q**4
        cosine2 = 1 - 2 * sine**2
        waves = q * sine + q4 * double / 2
        waves += q4 * q4 * q * (double * cosine + cosine2 * sine) / 3
        waves += q4**4 * double * cosine2 / 2
        result[far] = t[far] + waves / np.pi
    return result.reshape(shape)


def log_unit_excess(
    unit: FloatArray, spread: FloatArray, span: float, count: int, place: IntArray | None = None
) -> FloatArray:
    """log(u·K/S) for the span of `count` levels; `spread` is sigma/u of one of them.

    At least one unit is counted, and one level a tooth; both maxima are rounded off, so that the
    quadrature meets no kink. With `place` the units are ``unit[place]``, and what hangs on the
    unit alone is done once for each.
    """
    from scipy.special import ndtri

    units = np.divide(span, unit)
    each = _at_least_one(count / units)
    beyond = ndtri((each - 0.375) / (each + 0.25))
    if place is not None:
        unit, units, beyond = unit[place], units[place], beyond[place]
    inner = units - 2 * beyond * spread
    rounded = soft_round(inner, np.sqrt(2) * spread)
    units = units + rounded - inner
    return np.log(_at_least_one(units) * unit / span)


def _at_least_one(x: FloatArray) -> FloatArray:
    return 0.5 * (x + 1 + np.hypot(x - 1, _ROUNDING))


def least_log_unit_excess(
    unit: FloatArray,
    half: FloatArray,
    spreads: tuple[FloatArray, FloatArray],
    span: float,
    count: int,
) -> FloatArray:
    """A lower bound of `log_unit_excess` while log unit changes by `half` either way.

    The two `spreads` are the smallest and the largest.
    """
    from scipy.special import ndtr

    smallest, largest = unit * np.exp(-half), unit * np.exp(half)
    least, most = spreads
    lowest = _inner(span / largest, most, count)
    # Of the waves of the rounding: q + q⁴/2 + q⁹/3 + … < 1.2·q up to q = 0.7.
    q = np.exp(-4 * np.square(np.pi * least))
    off = np.where(q < 0.7, -1.2 * q / np.pi, -0.5)
    narrow = np.flatnonzero(np.sqrt(2) * most < _CROSSOVER)
    if narrow.size:
        # Steps below are the lower the wider they are, those above the narrower.
        whole = np.floor(lowest[narrow] + 0.5)
        part = lowest[narrow] + 0.5 - whole
        wide, sharp = np.sqrt(2) * most[narrow], np.sqrt(2) * least[narrow]
        rounded = whole + ndtr(part / wide) + ndtr((part + 1) / wide) - 2.0
        rounded += ndtr((part - 1) / sharp) + ndtr((part - 2) / sharp)
        highest = _inner(span / smallest[narrow], least[narrow], count)
        off[narrow] = np.maximum(off[narrow], rounded - highest)
    share = 1 + off * np.where(off < 0, largest, smallest) / span
    rounded_off = _at_least_one(span / largest + off) * smallest / span
    return np.log(np.maximum(share, rounded_off))


def _inner(units: FloatArray, spread: FloatArray, count: int) -> FloatArray:
    """Units of the span, both ends moved in by as much as the farthest readings lie beyond."""
    from scipy.special import ndtri

    each = _at_least_one(count / units)
    return units - 2 * ndtri((each - 0.375) / (each + 0.25)) * spread
