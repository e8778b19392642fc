"""Slip correction: how much faster a sphere moves when the air is no continuum for it."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.charge import air

# Name: A, B, G, and the mean free path in metres at 296.15 K and 101325 Pa that belongs to them.
TRIPLES: dict[str, tuple[float, float, float, float]] = {
    "Kim 2005": (1.165, 0.483, 0.997, 67.3e-9),
    "Allen and Raabe 1985": (1.142, 0.558, 0.999, 67.3e-9),
    "Davies 1945": (1.257, 0.400, 1.10, 66.0e-9),
    "Millikan 1923": (0.864, 0.29, 1.25, 94.2e-9),
}
ONE_TERM_COEFFICIENT = 8.226e-3  # Pa·m, 6.17e-4 cm·cmHg


@dataclasses.dataclass(frozen=True, repr=False)
class SlipCorrection:
    r"""A published triple, bound to the mean free path with which it was fitted.

    Parameters
    ----------
    name : str
        A key of `TRIPLES`; or any name together with `triple`.
    triple : (float, float, float), optional
        Coefficients A, B, G of one's own.
    free_path_at_room : float, optional
        The mean free path in metres at 23 °C and one atmosphere on which they stand; needed with
        `triple`, and not accepted without, since a triple holds only with its own.

    Notes
    -----
    :math:`C = 1 + \mathrm{Kn}\,(A + B\,e^{-G/\mathrm{Kn}})` with Kn = mean free path / radius.

    References
    ----------
    Kim, Mulholland, Kukuck and Pui, J. Res. NIST 110:31 (2005), also ISO 15900; Allen and Raabe,
    Aerosol Sci. Technol. 4:269 (1985); Davies, Proc. Phys. Soc. 57:259 (1945); Millikan,
    Phys. Rev. 22:1 (1923).

    Examples
    --------
    >>> slip = SlipCorrection("Kim 2005")
    >>> round(float(slip.of_knudsen(0.1)), 6)
    1.116502
    >>> round(float(slip.factor(1e-6)), 3)
    1.157
    """

    name: str = "Kim 2005"
    triple: tuple[float, float, float] | None = None
    free_path_at_room: float | None = None

    def __post_init__(self) -> None:
        if self.triple is None:
            if self.name not in TRIPLES:
                raise InputError(
                    f"`name` is {self.name!r}; it must be one of {', '.join(TRIPLES)}, or come "
                    "with a `triple`."
                )
            if self.free_path_at_room is not None:
                raise InputError(
                    f"`free_path_at_room` cannot be changed for {self.name!r}: a published triple "
                    "holds only with its own mean free path."
                )
            *triple, path = TRIPLES[self.name]
            object.__setattr__(self, "triple", tuple(triple))
            object.__setattr__(self, "free_path_at_room", path)
        elif self.free_path_at_room is None:
            raise InputError(
                "`free_path_at_room` is missing; a triple holds only with its own mean free path."
            )
        else:
            validation.positive("free_path_at_room", self.free_path_at_room)

    def of_knudsen(self, knudsen: Any) -> Any:
        """The factor at mean free path / radius."""
        a, b, g = self.triple or (0.0, 0.0, 0.0)
        return 1 + knudsen * (a + b * np.exp(-g / knudsen))

    def free_path(
        self, temperature: Any = air.ROOM_TEMPERATURE, pressure: Any = air.STANDARD_PRESSURE
    ) -> Any:
        """The mean free path on the scale of this triple, metres."""
        return air.mean_free_path(temperature, pressure, at_room=self.free_path_at_room or 0.0)

    def factor(
        self,
        diameter: Any,
        temperature: Any = air.ROOM_TEMPERATURE,
        pressure: Any = air.STANDARD_PRESSURE,
    ) -> Any:
        """The factor for a sphere of `diameter` metres in air at kelvin and pascal."""
        return self.of_knudsen(2 * self.free_path(temperature, pressure) / diameter)

    def steepness(
        self,
        diameter: Any,
        temperature: Any = air.ROOM_TEMPERATURE,
        pressure: Any = air.STANDARD_PRESSURE,
    ) -> Any:
        """-d ln C / d ln(diameter): 0 for large spheres, 1 for very small ones."""
        a, b, g = self.triple or (0.0, 0.0, 0.0)
        knudsen = 2 * self.free_path(temperature, pressure) / diameter
        decay = b * np.exp(-g / knudsen)
        return (knudsen * (a + decay) + g * decay) / self.of_knudsen(knudsen)

    def __repr__(self) -> str:
        path = (self.free_path_at_room or 0.0) * 1e9
        return f"<SlipCorrection {self.name!r}: {self.triple}, mean free path {path:.1f} nm>"


def one_term(radius: Any, pressure: Any, *, coefficient: float = ONE_TERM_COEFFICIENT) -> Any:
    """The form 1 + b/(p·a), for spheres much larger than the mean free path.

    References
    ----------
    Millikan, Phys. Rev. 2:109 (1913), b = 6.17e-4 cm·cmHg (number from memory).
    """
    return 1 + coefficient / (pressure * radius)


def one_term_radius(
    stokes_radius: Any, pressure: Any, *, coefficient: float = ONE_TERM_COEFFICIENT
) -> Any:
    """Radius from the radius without slip: the positive root of a² (1 + b/(p·a)) = a0²."""
    half = coefficient / (2 * pressure)
    return np.sqrt(half**2 + stokes_radius**2) - half
