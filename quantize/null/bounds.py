r"""How high a periodogram climbs by chance: analytic bounds, as a quick look.

At one unit, and for many readings of any size, the cosine score is a standard normal deviate and
the phase-free power exponential. Over a band both are smooth random functions of the frequency 1/u,
and the chance that one ever passes a height is at most the chance that it starts above it plus the
mean number of times that it climbs through it (Rice).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.comb.band import band_for
from quantize.null.spacing import rayleigh_bound, score_bound
from quantize.readings import as_readings


def p_value_bound(
    height: float, readings: Any, unit_range: Any = None, *, offset: Any = 0.0
) -> float:
    r"""Most often that readings of any size, as many and as wide as these, score this high.

    With the offset fixed `height` is the largest cosine score S over the band and

    .. math:: P \le \left(\tfrac12 + \Delta f \sqrt{\overline{x^2}}\right) e^{-S^2/2} ;

    with a free one it is the largest phase-free power z and

    .. math:: P \le e^{-z} + \Delta f \sqrt{4\pi z\, \mathrm{var}(x)}\, e^{-z} ,

    :math:`\Delta f = 1/u_\mathrm{low} - 1/u_\mathrm{high}`. It is a bound for many readings and a
    smooth spread of sizes; readings in clusters pass it easily, and nothing rests on it alone.

    Parameters
    ----------
    height : float
        Largest cosine score, or largest power, over the band.
    readings : Readings or array_like, shape (n,)
    unit_range : (float, float), optional
    offset : {"zero", "free"} or float

    Returns
    -------
    float

    Raises
    ------
    InputError
        For input that cannot be used.

    References
    ----------
    Rice, Bell System Technical Journal 24:46 (1945), section 3.3; for the free offset, Davies,
    Biometrika 74:33 (1987), and Baluev, MNRAS 385:1279 (2008), eq. 6.

    Examples
    --------
    >>> round(p_value_bound(4.0, [1.0, 2.0, 4.0, 7.0], (0.5, 2.0)), 4)
    0.0023
    """
    height = validation.number("height", height)
    data = as_readings(readings)
    mode, b = validation.offset_mode(offset)
    band = band_for(data, unit_range)
    weight = _weights(data.sigma, len(data))
    frequencies = (1 / band.high, 1 / band.low)
    x = data.values - b
    if mode == "free":
        spread = float(np.sqrt(np.sum(weight * (x - np.sum(weight * x)) ** 2)))
        return rayleigh_bound(max(height, 0.0), spread, frequencies)
    return score_bound(height, float(np.sqrt(np.sum(weight * x**2))), frequencies)


def height_for(
    p_value: float, readings: Any, unit_range: Any = None, *, offset: Any = 0.0
) -> float:
    """The height at which `p_value_bound` is `p_value`: its inverse.

    Parameters
    ----------
    p_value : float
    readings, unit_range, offset
        As in `p_value_bound`.

    Returns
    -------
    float

    Raises
    ------
    InputError
        For a `p_value` outside (0, 0.5].

    Examples
    --------
    >>> height = height_for(0.01, [1.0, 2.0, 4.0, 7.0], (0.5, 2.0))
    >>> round(p_value_bound(height, [1.0, 2.0, 4.0, 7.0], (0.5, 2.0)), 6)
    0.01
    """
    from scipy.optimize import brentq

    wanted = validation.number("p_value", p_value)
    if not 0 < wanted <= 0.5:
        raise InputError(f"`p_value` is {wanted:g}; give a share above 0 and at most 0.5.")
    data = as_readings(readings)

    def miss(height: float) -> float:
        return float(np.log(p_value_bound(height, data, unit_range, offset=offset) / wanted))

    # The bound falls from one; it is below any p wanted at a height of 2·log(1/p) and more.
    high = 2.0
    while miss(high) > 0:
        high *= 1.5
    return float(brentq(miss, 1e-9, high, xtol=1e-12))


def _weights(sigma: Any, n: int) -> Any:
    weight = np.ones(n) if sigma is None else (float(np.min(sigma)) / sigma) ** 2
    return weight**2 / np.sum(weight**2)
