"""Whether the balance charge is a whole number of units, and which."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity
from quantize.comb.wrapped import log_comb_over_continuum

_UNDECIDABLE = 0.25  # units; beyond this the balance charge cannot be told
_SHARPEST = 1e-12  # units


@dataclasses.dataclass(frozen=True, kw_only=True)
class Balance:
    """How many units the sphere held at balance.

    `units` and `standard_uncertainty` are F/u; `integer` is the nearest whole number or None when
    it cannot be told. `probability` is that F/u is a whole number at all, against any size between
    with even odds beforehand; NaN when it cannot be told.
    """

    units: float
    standard_uncertainty: float
    integer: int | None
    probability: float
    sentence: str


def balance_of(
    fall: Quantity, unit: FloatArray, error: FloatArray, share: FloatArray, z: FloatArray
) -> Balance:
    """How many units the fall is worth.

    Parameters
    ----------
    fall : Quantity
        Divisions fallen in one interval, as added to the readings.
    unit, error, share : numpy.ndarray, shape (m,)
        Unit, its error and the posterior share at each value of the fall.
    z : numpy.ndarray, shape (m,)
        Those values, in standard errors from `fall`.
    """
    ratio = (fall.value + z * fall.standard_uncertainty) / unit
    mean = float(share @ ratio)
    spread = math.sqrt(float(share @ ((ratio - mean) ** 2 + (ratio * error / unit) ** 2)))
    text = f"the fall is {mean:.3f} ± {spread:.2g} units"
    if spread > _UNDECIDABLE:
        return Balance(
            units=mean,
            standard_uncertainty=spread,
            integer=None,
            probability=math.nan,
            sentence=(
                f"{text}, so how many units balanced the sphere is undecidable: the error is more "
                "than a quarter of a unit; measure the fall more often."
            ),
        )
    nearest = max(round(mean), 1)
    probability = whole_number_probability(mean, spread)
    off = (mean - nearest) / max(spread, _SHARPEST)
    tail = (
        ""
        if abs(off) < 3
        else f"; it is {mean - nearest:+.2f} units from a whole number, which a poor balance does"
    )
    return Balance(
        units=mean,
        standard_uncertainty=spread,
        integer=nearest,
        probability=probability,
        sentence=(
            f"{text}, nearest to {nearest} whole units; that it is a whole number at all has the "
            f"probability {_shown(probability)}, against any size between and with even odds "
            f"beforehand{tail}."
        ),
    )


def whole_number_probability(units: float, spread: float) -> float:
    r"""Probability that a number of units is whole, against one of any size.

    Parameters
    ----------
    units, spread : float
        The number as measured, and its standard uncertainty.

    Notes
    -----
    Whole numbers have the density of the phase :math:`\sum_n N(x; n, s)`, any size the density 1;
    the odds are even beforehand.

    Examples
    --------
    >>> round(whole_number_probability(5.98, 0.02), 3), whole_number_probability(5.5, 0.02) < 1e-100
    (0.924, True)
    """
    from scipy.special import expit

    log_odds = log_comb_over_continuum(np.array([units]), np.array([max(spread, _SHARPEST)]))
    return float(expit(log_odds))


def _shown(probability: float) -> str:
    if probability < 0.001:
        return "below 0.001"
    return "above 0.999" if probability > 0.999 else f"{probability:.3f}"
