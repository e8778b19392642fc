"""The plates: the field between them, and what else they do to a sphere midway."""

from __future__ import annotations

import dataclasses
import math
from typing import Literal

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.charge.air import Numbers
from quantize.charge.quantity import Quantity, QuantityLike, positive, put

_STEEPEST = math.radians(45)
ACROSS = 1.4516  # first-order coefficient of the drag for motion towards the plates


@dataclasses.dataclass(frozen=True, kw_only=True, repr=False, init=False)
class Plates:
    """Two horizontal plates.

    Parameters
    ----------
    separation : str, float or Quantity
        Distance between the plates: text such as ``"4.24 +/- 0.02 mm"``, or metres if a bare
        number.
    positive_plate : {"lower", "upper"}
        Which plate is positive when the voltage is written as positive. A positive lower plate
        lifts a positive sphere.
    tilt : str, float or Quantity
        Angle between field and vertical: text such as ``"1 deg"``, or radians if a bare number.

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

    separation: Quantity
    positive_plate: Literal["lower", "upper"]
    tilt: Quantity

    def __init__(
        self,
        *,
        separation: QuantityLike,
        positive_plate: Literal["lower", "upper"] = "lower",
        tilt: QuantityLike = 0.0,
    ) -> None:
        gap = positive("separation", separation, "m")
        validation.choice("positive_plate", positive_plate, ("lower", "upper"))
        angle = Quantity.read(tilt, unit="rad", name="tilt")
        if abs(angle.value) > _STEEPEST:
            raise InputError(
                f"`tilt` is {math.degrees(angle.value):.0f}°; level the plates, or look at the "
                "unit."
            )
        put(self, separation=gap, positive_plate=positive_plate, tilt=angle)

    @property
    def _sign(self) -> float:
        """Of the upward field for a voltage written as positive."""
        return 1.0 if self.positive_plate == "lower" else -1.0

    def field(self, voltage: QuantityLike) -> float:
        """Compute the vertical field.

        Parameters
        ----------
        voltage : str, float or Quantity
            Between the plates, in volts if a bare number.

        Returns
        -------
        float
            V/m; above zero when it lifts a positive sphere.
        """
        volts = Quantity.read(voltage, unit="V", name="voltage").value
        return self._sign * volts * math.cos(self.tilt.value) / self.separation.value

    def sideways(self, voltage: QuantityLike) -> float:
        """Compute the size of the horizontal field, 9 % of the whole at a tilt of 5 degrees.

        Parameters
        ----------
        voltage : str, float or Quantity
            Between the plates, in volts if a bare number.

        Returns
        -------
        float
            V/m, zero or above.
        """
        volts = Quantity.read(voltage, unit="V", name="voltage").value
        return abs(volts * math.sin(self.tilt.value)) / self.separation.value

    def balance_voltage(self, weight: float, charge: float) -> float:
        """Compute the voltage at which the field carries a sphere.

        Parameters
        ----------
        weight : float
            Effective weight of the sphere, N.
        charge : float
            Its charge in coulombs, of either sign.

        Returns
        -------
        float
            Volts, with the sign with which it is written.

        Raises
        ------
        InputError
            For a weight that is not above zero, or no charge.
        """
        w = validation.positive("weight", weight)
        q = validation.number("charge", charge)
        if q == 0:
            raise InputError("`charge` is 0; nothing holds an uncharged sphere.")
        return self._sign * w * self.separation.value / (q * math.cos(self.tilt.value))

    def __repr__(self) -> str:
        return f"<Plates {self.separation.value * 1e3:.4g} mm apart>"


def slowing(diameter: Numbers, separation: Numbers) -> Numbers:
    r"""Share by which two plates slow a sphere that moves from one to the other, midway.

    First order in the radius a over half the separation l: the drag is
    :math:`1 + \kappa\,a/l` times that of Stokes, with

    .. math:: \kappa = \frac34\int_0^\infty e^{-x}\,
        \frac{(1+x)(\sinh x + x\cosh x) + x^2\sinh x}{\sinh x\cosh x + x}\,dx = 1.4516 ,

    the velocity that both plates send back to a point force midway, by Hankel transform. For
    motion along the plates Faxén has 1.004 in its place, and one plate alone 9/8 (Lorentz 1907).

    >>> round(slowing(2.1e-6, 4.24e-3), 6)
    0.000719
    """
    return ACROSS * diameter / separation


def image_pull(charge: Numbers, separation: Numbers) -> Numbers:
    """Force, N, with which its image in one plate draws a sphere midway to it.

    q²/(16 π ε₀ h²) at the distance h from a conducting plane, here half the separation. The image
    in the other plate draws it as much the other way; off the middle, a part is left.

    >>> image_pull(9.6e-19, 4.24e-3) < 1e-21
    True
    """
    from scipy.constants import epsilon_0

    return charge**2 / (16 * math.pi * epsilon_0 * (separation / 2) ** 2)
