"""A sphere moving slowly through air between plates: slip, drag, weight, diffusion, images.

Plain formulas in SI units, for floats or arrays.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.charge import air
from quantize.charge.air import Numbers
from quantize.charge.quantity import put

BOLTZMANN = 1.380649e-23  # J/K, exact (SI Brochure, 9th edition)
STANDARD_GRAVITY = 9.80665  # m/s2, exact by convention (CGPM 1901)
ACROSS = 1.4516  # first-order coefficient of the drag for motion towards the plates
_NEWTON_STEPS = 12

# Name: A, B, G, and the mean free path in metres at 296.15 K and 101325 Pa that belongs to them.
TRIPLES: dict[str, tuple[float, float, float, float]] = {
    "Kim 2005": (1.165, 0.483, 0.997, 67.3e-9),
    "Allen and Raabe 1985": (1.142, 0.558, 0.999, 67.3e-9),
    "Davies 1945": (1.257, 0.400, 1.10, 66.0e-9),
    "Millikan 1923": (0.864, 0.29, 1.25, 94.2e-9),
    # 1 + A Kn with A constant; b = 8.226e-3 Pa m of Millikan 1913 over pressure and free path.
    "one term": (8.226e-3 / (101325.0 * 67.3e-9), 0.0, 1.0, 67.3e-9),
    "none": (0.0, 0.0, 1.0, 67.3e-9),
}
PUBLISHED = ("Kim 2005", "Allen and Raabe 1985", "Davies 1945", "Millikan 1923")
"""Triples among which there is a choice."""


@dataclasses.dataclass(frozen=True, repr=False)
class SlipCorrection:
    r"""A published triple, bound to the mean free path with which it was fitted.

    Parameters
    ----------
    name : str
        "Kim 2005", "Allen and Raabe 1985", "Davies 1945" or "Millikan 1923"; "one term" for the
        form 1 + A·Kn of Cunningham with the constant of Millikan 1913, "none" for Stokes' law as
        it stands; or any name together with `triple`.
    triple : (float, float, float), optional
        Coefficients A, B, G of one's own, in place of a published triple.
    free_path_at_room : float, optional
        The mean free path in metres at 23 °C and one atmosphere on which they stand; needed with
        `triple`, and not accepted without, since a triple holds only with its own.

    Raises
    ------
    InputError
        For an unknown name without a triple, a triple without its mean free path, and a mean free
        path given for a published triple.

    Notes
    -----
    :math:`C = 1 + \mathrm{Kn}\,(A + B\,e^{-G/\mathrm{Kn}})` with Kn = mean free path / radius.

    References
    ----------
    Cunningham, Proc. R. Soc. A 83:357 (1910); Millikan, Phys. Rev. 2:109 (1913);
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
            put(self, triple=tuple(triple), free_path_at_room=path)
        elif self.free_path_at_room is None:
            raise InputError(
                "`free_path_at_room` is missing; a triple holds only with its own mean free path."
            )
        else:
            validation.positive("free_path_at_room", self.free_path_at_room)

    def of_knudsen(self, knudsen: Numbers) -> Any:
        """Compute the factor from the Knudsen number.

        Parameters
        ----------
        knudsen : float or array
            Mean free path over radius, above zero.

        Returns
        -------
        float or array
            By how much more than Stokes' law says the sphere moves under a force.
        """
        a, b, g = self.triple or (0.0, 0.0, 0.0)
        return 1 + knudsen * (a + b * np.exp(-g / knudsen))

    def free_path(
        self, temperature: Numbers = air.ROOM_TEMPERATURE, pressure: Numbers = air.STANDARD_PRESSURE
    ) -> Any:
        """Compute the mean free path on the scale of this triple.

        Parameters
        ----------
        temperature, pressure : float or array
            Of the air, kelvin and pascal; 23 °C and one atmosphere if left out.

        Returns
        -------
        float or array
            Metres.
        """
        return air.mean_free_path(temperature, pressure, at_room=self.free_path_at_room or 0.0)

    def factor(
        self,
        diameter: Numbers,
        temperature: Numbers = air.ROOM_TEMPERATURE,
        pressure: Numbers = air.STANDARD_PRESSURE,
    ) -> Any:
        """Compute the factor for a sphere.

        Parameters
        ----------
        diameter : float or array
            Of the sphere, metres.
        temperature, pressure : float or array
            Of the air, kelvin and pascal; 23 °C and one atmosphere if left out.

        Returns
        -------
        float or array
            As from `of_knudsen`.
        """
        return self.of_knudsen(2 * self.free_path(temperature, pressure) / diameter)

    def steepness(
        self,
        diameter: Numbers,
        temperature: Numbers = air.ROOM_TEMPERATURE,
        pressure: Numbers = air.STANDARD_PRESSURE,
    ) -> Any:
        """Compute how steeply the factor falls with the diameter: -d ln C / d ln(diameter).

        Parameters
        ----------
        diameter : float or array
            Of the sphere, metres.
        temperature, pressure : float or array
            Of the air, kelvin and pascal; 23 °C and one atmosphere if left out.

        Returns
        -------
        float or array
            0 for large spheres, 1 for very small ones.
        """
        a, b, g = self.triple or (0.0, 0.0, 0.0)
        knudsen = 2 * self.free_path(temperature, pressure) / diameter
        decay = b * np.exp(-g / knudsen)
        return (knudsen * (a + decay) + g * decay) / self.of_knudsen(knudsen)

    def __repr__(self) -> str:
        path = (self.free_path_at_room or 0.0) * 1e9
        return f"<SlipCorrection {self.name!r}: {self.triple}, mean free path {path:.1f} nm>"


def triples_apart(diameter: float, temperature: float, pressure: float) -> float:
    """Half the span of the published slip factors of a sphere, over their mean.

    >>> round(triples_apart(2.1e-6, 293.15, 101325.0), 5)
    0.00267
    """
    factors = [float(SlipCorrection(n).factor(diameter, temperature, pressure)) for n in PUBLISHED]
    return (max(factors) - min(factors)) / (max(factors) + min(factors))


def mobility(diameter: Numbers, viscosity: Numbers, slip_factor: Numbers) -> Any:
    """Speed per force, s/kg: Stokes' law with slip."""
    return slip_factor / (3 * math.pi * viscosity * diameter)


def effective_weight(diameter: Numbers, density_difference: Numbers, gravity: Numbers) -> Any:
    """Weight less buoyancy, N."""
    return math.pi / 6 * diameter**3 * density_difference * gravity


def diffusion(mobility_value: Numbers, temperature: Numbers) -> Any:
    """Diffusion coefficient k·T·B, m2/s (Einstein, Ann. Phys. 17:549, 1905)."""
    return BOLTZMANN * temperature * mobility_value


def relaxation_time(diameter: Numbers, density: Numbers, mobility_value: Numbers) -> Any:
    """Mass times mobility, s: how long the sphere takes to reach its speed."""
    return math.pi / 6 * diameter**3 * density * mobility_value


def reynolds(diameter: Numbers, speed: Numbers, viscosity: Numbers, air_density: Numbers) -> Any:
    """Inertia over viscosity; Stokes' law wants it well below 0.1."""
    return air_density * np.abs(speed) * diameter / viscosity


def diameter_from_fall(
    speed: Numbers,
    *,
    density_difference: Numbers,
    gravity: Numbers,
    viscosity: Numbers,
    slip: SlipCorrection,
    temperature: Numbers,
    pressure: Numbers,
) -> Any:
    """Diameter of a sphere, m, from its speed of fall above zero, with slip, to machine precision.

    By Newton's method in ln D for 2 ln D + ln C(D) = ln[18 η v/(Δρ g)], whose slope is 2 - ε with
    ε = -d ln C/d ln D between 0 and 1, so that the root is single and the iteration safe.

    >>> slip = SlipCorrection("Kim 2005")
    >>> v = mobility(2e-6, 1.82e-5, slip.factor(2e-6, 293, 101325))
    >>> v = v * effective_weight(2e-6, 1050, 9.81)
    >>> d = diameter_from_fall(v, density_difference=1050, gravity=9.81, slip=slip,
    ...                        viscosity=1.82e-5, temperature=293, pressure=101325)
    >>> abs(float(d) / 2e-6 - 1) < 1e-14
    True
    """
    stokes_square = 18 * viscosity * speed / (density_difference * gravity)
    target = np.log(stokes_square)
    log_d = 0.5 * target
    for _ in range(_NEWTON_STEPS):
        d = np.exp(log_d)
        excess = 2 * log_d + np.log(slip.factor(d, temperature, pressure)) - target
        step = excess / (2 - slip.steepness(d, temperature, pressure))
        log_d = log_d - step
        if np.max(np.abs(step)) < 1e-15:
            break
    return np.exp(log_d)


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
