"""The sphere: size, density and weight, and how it moves in air."""

from __future__ import annotations

import dataclasses
from typing import Any

from quantize._support.errors import InputError, warn
from quantize.charge import drag
from quantize.charge.air import Air
from quantize.charge.apparatus import Apparatus
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity, require_positive
from quantize.charge.routes import STANDARD_GRAVITY, VISCOSITY_FORMULA
from quantize.charge.slip import SlipCorrection

_LARGEST_REYNOLDS = 0.1


@dataclasses.dataclass(frozen=True, kw_only=True, repr=False)
class Sphere:
    """One sphere, or the batch it comes from.

    Parameters
    ----------
    diameter : str, float or Quantity
        Metres if a bare number; ``"2.10 +/- 0.02 um"`` as text.
    density : str, float or Quantity
        kg/m3 if a bare number.
    weight : str, float or Quantity, optional
        Effective weight as supplied, of this sphere or of a sphere of the mean diameter of its
        batch, N. Checked against diameter and density.
    diameter_spread : str, float or Quantity, optional
        Standard deviation of the diameters in the batch.
    gravity : float
    slip : SlipCorrection

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

    diameter: Any
    density: Any
    weight: Any = None
    diameter_spread: Any = None
    gravity: float = STANDARD_GRAVITY
    slip: SlipCorrection = dataclasses.field(default_factory=SlipCorrection)

    def __post_init__(self) -> None:
        for name, unit in (
            ("diameter", "m"),
            ("density", "kg/m3"),
            ("weight", "N"),
            ("diameter_spread", "m"),
        ):
            value = getattr(self, name)
            if value is not None:
                read = require_positive(name, Quantity.read(value, unit=unit, name=name))
                object.__setattr__(self, name, read)
        if self.weight is not None:
            self._compare_weight()

    def _compare_weight(self) -> None:
        from quantize.charge.agreement import sphere_agreement

        given = {
            "weight": self.weight,
            "diameter": self.diameter,
            "density": self.density,
        }
        check = sphere_agreement(Apparatus.of({"sphere": given, "site": {"gravity": self.gravity}}))
        if check is not None and check.level != "good":
            warn(check.sentence, stacklevel=4)

    @classmethod
    def from_fall(
        cls,
        speed: Any,
        air: Air,
        *,
        density: Any,
        gravity: float = STANDARD_GRAVITY,
        slip: SlipCorrection | None = None,
    ) -> Sphere:
        """The sphere that falls at `speed`; its diameter carries the propagated uncertainty.

        Examples
        --------
        >>> from quantize.charge import Air
        >>> found = Sphere.from_fall("0.1495 +/- 0.001 mm/s", Air(), density="1055 kg/m3")
        >>> found.diameter
        <Quantity 2.09981e-06 ± 7.44e-09 m>
        """
        law = slip or SlipCorrection()
        inputs = {
            "speed": require_positive("speed", Quantity.read(speed, unit="m/s", name="speed")),
            "density": require_positive(
                "density", Quantity.read(density, unit="kg/m3", name="density")
            ),
            "temperature": air.temperature,
            "pressure": air.pressure,
            "viscosity formula": VISCOSITY_FORMULA,
        }
        from quantize.charge.air import viscosity

        def model(v: Any, rho: Any, t: Any, p: Any, formula: Any) -> Any:
            return drag.diameter_from_fall(
                v,
                density_difference=rho - air.density,
                gravity=gravity,
                viscosity=formula * viscosity(t),
                slip=law,
                temperature=t,
                pressure=p,
            )

        found = propagate(model, inputs, unit="m")
        diameter = Quantity(
            value=found.value, standard_uncertainty=found.standard_uncertainty, unit="m"
        )
        return cls(diameter=diameter, density=inputs["density"], gravity=gravity, slip=law)

    def slip_factor(self, air: Air) -> float:
        """Cunningham's factor in this air."""
        return float(
            self.slip.factor(self.diameter.value, air.temperature.value, air.pressure.value)
        )

    def mobility(self, air: Air) -> float:
        """Speed per force, s/kg."""
        return float(drag.mobility(self.diameter.value, air.viscosity, self.slip_factor(air)))

    def effective_weight(self, air: Air) -> float:
        """As supplied if it was, else from diameter and density, buoyancy taken off; N."""
        if self.weight is not None:
            return float(self.weight.value)
        difference = self.density.value - air.density
        if difference <= 0:
            raise InputError(
                f"`density` is {self.density.value:g} kg/m3, lighter than the air; a sphere falls."
            )
        return float(drag.effective_weight(self.diameter.value, difference, self.gravity))

    def fall_speed(self, air: Air) -> float:
        """Speed without field, m/s, downwards."""
        speed = self.mobility(air) * self.effective_weight(air)
        if self.reynolds(air, speed) > _LARGEST_REYNOLDS:
            warn(
                f"the Reynolds number is {self.reynolds(air, speed):.2g}; Stokes' law is good to "
                "a few per cent only, and worse above 1."
            )
        return speed

    def diffusion(self, air: Air) -> float:
        """Diffusion coefficient, m2/s."""
        return float(drag.diffusion(self.mobility(air), air.temperature.value))

    def relaxation_time(self, air: Air) -> float:
        """Time to reach the steady speed, s."""
        return float(
            drag.relaxation_time(self.diameter.value, self.density.value, self.mobility(air))
        )

    def reynolds(self, air: Air, speed: float) -> float:
        """Reynolds number at `speed` in m/s."""
        return float(drag.reynolds(self.diameter.value, speed, air.viscosity, air.density))

    def knudsen(self, air: Air) -> float:
        """Mean free path over radius, on the scale of the slip correction used."""
        path = self.slip.free_path(air.temperature.value, air.pressure.value)
        return float(2 * path / self.diameter.value)

    def __repr__(self) -> str:
        return f"<Sphere of {self.diameter.value * 1e6:.4g} µm and {self.density.value:.4g} kg/m3>"
