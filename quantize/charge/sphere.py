"""The sphere: size, density and weight, and how it moves in air; and the plates about it."""

from __future__ import annotations

import dataclasses
import math
from typing import Literal

from quantize._support import validation
from quantize._support.errors import InputError, warn
from quantize.charge import drag
from quantize.charge.air import Air
from quantize.charge.apparatus import Apparatus
from quantize.charge.drag import STANDARD_GRAVITY, SlipCorrection
from quantize.charge.quantity import Quantity, QuantityLike, positive, put

_LARGEST_REYNOLDS = 0.1
_STEEPEST = math.radians(45)


@dataclasses.dataclass(frozen=True, kw_only=True, repr=False, init=False)
class Sphere:
    """One sphere, or the batch it comes from.

    Parameters
    ----------
    diameter : str, float or Quantity
        Diameter of the sphere: text such as ``"2.10 +/- 0.02 um"``, or metres if a bare number.
    density : str, float or Quantity
        Density of its material: text such as ``"1055 kg/m3"``, or kg/m3 if a bare number.
    weight : str, float or Quantity, optional
        Effective weight as supplied, of this sphere or of a sphere of the mean diameter of its
        batch, in newtons if a bare number. Checked against diameter and density.
    diameter_spread : str, float or Quantity, optional
        Standard deviation of the diameters in the batch, in metres if a bare number.
    gravity : float
        Acceleration of free fall at the bench, m/s2.
    slip : SlipCorrection, optional
        The slip correction to be used; that of Kim et al. (2005) if left out.

    Raises
    ------
    InputError
        For values that are missing, not above zero or of the wrong kind.

    Warns
    -----
    QuantizeWarning
        When weight, diameter and density do not agree.

    Examples
    --------
    >>> from quantize.charge import Air
    >>> sphere = Sphere(diameter="2.10 um", density="1055 kg/m3")
    >>> air = Air(temperature="20 degC", pressure="1013.25 hPa")
    >>> round(float(sphere.fall_speed(air)) * 1e3, 4)
    0.1495
    """

    diameter: Quantity
    density: Quantity
    weight: Quantity | None
    diameter_spread: Quantity | None
    gravity: float
    slip: SlipCorrection

    def __init__(
        self,
        *,
        diameter: QuantityLike,
        density: QuantityLike,
        weight: QuantityLike | None = None,
        diameter_spread: QuantityLike | None = None,
        gravity: float = STANDARD_GRAVITY,
        slip: SlipCorrection | None = None,
    ) -> None:
        for name, given, unit in (
            ("diameter", diameter, "m"),
            ("density", density, "kg/m3"),
            ("weight", weight, "N"),
            ("diameter_spread", diameter_spread, "m"),
        ):
            put(self, **{name: None if given is None else positive(name, given, unit)})
        put(self, gravity=gravity, slip=slip or SlipCorrection())
        if self.weight is not None:
            self._compare_weight()

    def _compare_weight(self) -> None:
        from quantize.charge.agreement import sphere_agreement

        given = {name: getattr(self, name) for name in ("weight", "diameter", "density")}
        check = sphere_agreement(Apparatus.of({"sphere": given, "site": {"gravity": self.gravity}}))
        if check is not None and check.level != "good":
            warn(check.sentence)

    def slip_factor(self, air: Air) -> float:
        """Cunningham's factor in this air."""
        return float(
            self.slip.factor(self.diameter.value, air.temperature.value, air.pressure.value)
        )

    def mobility(self, air: Air) -> float:
        """Speed per force in this air, s/kg."""
        return float(drag.mobility(self.diameter.value, air.viscosity, self.slip_factor(air)))

    def effective_weight(self, air: Air) -> float:
        """Weight as supplied if it was, else from diameter and density less buoyancy; N."""
        if self.weight is not None:
            return self.weight.value
        difference = self.density.value - air.density
        if difference <= 0:
            raise InputError(
                f"`density` is {self.density.value:g} kg/m3, lighter than the air; a sphere falls."
            )
        return float(drag.effective_weight(self.diameter.value, difference, self.gravity))

    def fall_speed(self, air: Air) -> float:
        """Speed of fall without field in this air, m/s."""
        speed = self.mobility(air) * self.effective_weight(air)
        if self.reynolds(air, speed) > _LARGEST_REYNOLDS:
            warn(
                f"the Reynolds number is {self.reynolds(air, speed):.2g}; Stokes' law is good to "
                "a few per cent only, and worse above 1."
            )
        return speed

    def diffusion(self, air: Air) -> float:
        """Diffusion coefficient in this air, m2/s."""
        return float(drag.diffusion(self.mobility(air), air.temperature.value))

    def relaxation_time(self, air: Air) -> float:
        """Time in which the sphere reaches its steady speed, s."""
        return float(
            drag.relaxation_time(self.diameter.value, self.density.value, self.mobility(air))
        )

    def reynolds(self, air: Air, speed: float) -> float:
        """Reynolds number in this air at `speed` in m/s."""
        return float(drag.reynolds(self.diameter.value, speed, air.viscosity, air.density))

    def knudsen(self, air: Air) -> float:
        """Mean free path over radius, on the scale of the slip correction used."""
        path = self.slip.free_path(air.temperature.value, air.pressure.value)
        return float(2 * path / self.diameter.value)

    def __repr__(self) -> str:
        return f"<Sphere of {self.diameter.value * 1e6:.4g} µm and {self.density.value:.4g} kg/m3>"


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
