"""The plates: separation, voltage, polarity, tilt, and the field between them."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.charge.quantity import Quantity, require_positive

_STEEPEST = math.radians(45)


@dataclasses.dataclass(frozen=True, kw_only=True, repr=False)
class Plates:
    """Two horizontal plates.

    Parameters
    ----------
    separation : str, float or Quantity
        Metres if a bare number.
    positive_plate : {"lower", "upper"}
        Which plate is positive when the voltage is written as positive. A positive lower plate
        lifts a positive sphere.
    tilt : str, float or Quantity
        Angle between field and vertical; radians if a bare number.

    Raises
    ------
    InputError
        For a separation that is not above zero, or a tilt above 45 degrees.

    Examples
    --------
    >>> plates = Plates(separation="4.24 mm")
    >>> round(plates.field("227.4 V"))
    53632
    """

    separation: Any
    positive_plate: str = "lower"
    tilt: Any = 0.0

    def __post_init__(self) -> None:
        gap = Quantity.read(self.separation, unit="m", name="separation")
        object.__setattr__(self, "separation", require_positive("separation", gap))
        validation.choice("positive_plate", self.positive_plate, ("lower", "upper"))
        tilt = Quantity.read(self.tilt, unit="rad", name="tilt")
        if abs(tilt.value) > _STEEPEST:
            raise InputError(
                f"`tilt` is {math.degrees(tilt.value):.0f}°; level the plates, or look at the unit."
            )
        object.__setattr__(self, "tilt", tilt)

    def field(self, voltage: Any) -> float:
        """Vertical field in V/m; above zero when it lifts a positive sphere."""
        volts = Quantity.read(voltage, unit="V", name="voltage").value
        sign = 1.0 if self.positive_plate == "lower" else -1.0
        return sign * volts * math.cos(self.tilt.value) / float(self.separation.value)

    def sideways(self, voltage: Any) -> float:
        """Size of the horizontal field, V/m: 9 % of the whole at a tilt of 5 degrees."""
        volts = Quantity.read(voltage, unit="V", name="voltage").value
        return abs(volts * math.sin(self.tilt.value)) / float(self.separation.value)

    def balance_voltage(self, weight: float, charge: float) -> float:
        """The voltage, as written, at which the field carries `weight` newtons on `charge`."""
        w = validation.positive("weight", weight)
        q = validation.number("charge", charge)
        if q == 0:
            raise InputError("`charge` is 0; nothing holds an uncharged sphere.")
        sign = 1.0 if self.positive_plate == "lower" else -1.0
        return sign * w * float(self.separation.value) / (q * math.cos(self.tilt.value))

    def __repr__(self) -> str:
        return f"<Plates {self.separation.value * 1e3:.4g} mm apart>"
