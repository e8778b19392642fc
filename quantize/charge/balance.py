"""Whether the balance charge is a whole number of units, and which."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity

_UNDECIDABLE = 0.25  # units; beyond this the balance charge cannot be told


@dataclasses.dataclass(frozen=True, kw_only=True)
class Balance:
    """How many units the sphere held at balance.

    `units` and `standard_uncertainty` are F/u; `integer` is the nearest whole number or None when
    it cannot be told, with `probability` that it is the right one.
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
    around = np.arange(max(nearest - 3, 1), nearest + 4)
    p = np.exp(-0.5 * ((mean - around) / max(spread, 1e-3)) ** 2)
    probability = float(p[around == nearest][0] / p.sum()) if p.sum() > 0 else 0.0
    off = (mean - nearest) / max(spread, 1e-12)
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
        sentence=f"{text}: nearest to {nearest} whole units, probability {probability:.3f}{tail}.",
    )
