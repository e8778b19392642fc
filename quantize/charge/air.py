"""Air: viscosity, mean free path and density from temperature, pressure and humidity.

The module-level functions are plain formulas that take floats or arrays.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError, warn
from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity, QuantityLike, put

Numbers = float | FloatArray

ROOM_TEMPERATURE = 296.15  # K
STANDARD_PRESSURE = 101325.0  # Pa
_SUTHERLAND = 110.4  # K
_VISCOSITY_AT_ROOM = 1.83245e-5  # Pa s
_FREE_PATH_AT_ROOM = 67.3e-9  # m
_AIR_TO_WATER = 28.9647 / 18.01528  # molar masses


def viscosity(temperature: Numbers) -> Any:
    """Viscosity of air in Pa s at `temperature` in kelvin.

    Sutherland's form as in Kim, Mulholland, Kukuck and Pui, J. Res. NIST 110:31 (2005), eq. 3,
    and ISO 15900.

    >>> round(viscosity(293.15) * 1e6, 3)
    18.181
    """
    t = temperature / ROOM_TEMPERATURE
    return (
        _VISCOSITY_AT_ROOM * t**1.5 * (ROOM_TEMPERATURE + _SUTHERLAND) / (temperature + _SUTHERLAND)
    )


def mean_free_path(
    temperature: Numbers, pressure: Numbers, *, at_room: float = _FREE_PATH_AT_ROOM
) -> Any:
    """Mean free path in metres at kelvin and pascal (Willeke, J. Aerosol Sci. 7:381, 1976).

    `at_room` is its value at 296.15 K and 101325 Pa, on whose scale the answer is.

    >>> round(mean_free_path(293.15, 101325) * 1e9, 3)
    66.434
    """
    return (
        at_room
        * (temperature / ROOM_TEMPERATURE) ** 2
        * (STANDARD_PRESSURE / pressure)
        * (ROOM_TEMPERATURE + _SUTHERLAND)
        / (temperature + _SUTHERLAND)
    )


def vapour_share(temperature: Numbers, pressure: Numbers, humidity: Numbers) -> Any:
    """Mole fraction of water vapour; CIPM-2007, as for `density`."""
    saturation = np.exp(
        1.2378847e-5 * temperature**2
        - 1.9121316e-2 * temperature
        + 33.93711047
        - 6.3431645e3 / temperature
    )
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * (temperature - 273.15) ** 2
    return humidity * enhancement * saturation / pressure


def vapour_viscosity(temperature: Numbers) -> Any:
    """Viscosity of thin water vapour in Pa s: IAPWS R12-08 (2008), equation 11.

    >>> round(float(vapour_viscosity(293.15)) * 1e6, 3)
    9.55
    """
    t = temperature / 647.096
    return 1e-4 * np.sqrt(t) / (1.67752 + 2.20462 / t + 0.6366564 / t**2 - 0.241605 / t**3)


def moistening(
    temperature: Numbers, pressure: Numbers, humidity: Numbers, between: Numbers = 0.0
) -> Any:
    """Viscosity of moist air over that of dry air: the middle of two published formulas.

    At `between` = -1 it is by the rule of Wilke for mixtures, at +1 by the fit of Zuckerwar and
    Meredith to measurements; they differ by half a per cent at 20 °C and half saturation, so that
    an error of up to 1 either way belongs to `between`.

    Wilke, J. Chem. Phys. 18:517 (1950), with `vapour_viscosity`; Zuckerwar and Meredith,
    J. Acoust. Soc. Am. 78:946 (1985), as in IEC 61094-2, its coefficients from memory.

    >>> [round(float(moistening(293.15, 101325, 0.5, b)), 4) for b in (-1, 0, 1)]
    [0.9941, 0.9965, 0.9988]
    """
    x = vapour_share(temperature, pressure, humidity)
    dry, vapour = viscosity(temperature), vapour_viscosity(temperature)
    air_in, vapour_in = _wilke(dry / vapour, _AIR_TO_WATER), _wilke(vapour / dry, 1 / _AIR_TO_WATER)
    mixed = (1 - x) / (1 - x + x * air_in) + x * vapour / dry / (x + (1 - x) * vapour_in)
    measured = 1 + (1e-8 * ((113.157 - temperature) * x - 100.015 * x**2)) / (
        1e-8 * (84.986 + 7.0 * temperature - 3.7501e-3 * temperature**2)
    )
    return (mixed * (1 - between) + measured * (1 + between)) / 2


def _wilke(viscosities: Numbers, masses: float) -> Any:
    """The coefficient of Wilke of two gases, from ratios of viscosities and molar masses."""
    return (1 + np.sqrt(viscosities) * masses**-0.25) ** 2 / np.sqrt(8 * (1 + masses))


def density(temperature: Numbers, pressure: Numbers, humidity: Numbers) -> Any:
    """Density of moist air in kg/m3; `humidity` is relative, 0 to 1.

    CIPM-2007: Picard, Davis, Gläser and Fujii, Metrologia 45:149 (2008), equations 1 and A1 to
    A3, for 400 parts per million of carbon dioxide.

    >>> round(float(density(293.15, 101325, 0.5)), 6)
    1.199314
    """
    celsius = temperature - 273.15
    x = vapour_share(temperature, pressure, humidity)
    first = (
        1.58123e-6
        - 2.9331e-8 * celsius
        + 1.1043e-10 * celsius**2
        + (5.707e-6 - 2.051e-8 * celsius) * x
        + (1.9898e-4 - 2.376e-6 * celsius) * x**2
    )
    ratio = pressure / temperature
    compressibility = 1 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * x**2)
    return 3.483740e-3 * ratio / compressibility * (1 - 0.3780 * x)


@dataclasses.dataclass(frozen=True, kw_only=True, repr=False, init=False)
class Air:
    """The air in the cell.

    Parameters
    ----------
    temperature : str, float or Quantity
        Temperature of the air: text such as ``"21.5 +/- 0.5 degC"``, or kelvin if a bare number.
    pressure : str, float or Quantity
        Its pressure: text such as ``"1013 +/- 3 hPa"``, or pascal if a bare number.
    humidity : str, float or Quantity
        Its relative humidity, 0 to 1, or text such as ``"45 %"``.

    Raises
    ------
    InputError
        For values outside -40 to 100 °C, 1 kPa to 300 kPa, or 0 to 1.

    Warns
    -----
    QuantizeWarning
        Outside the published range of the density formula (15 to 27 °C, 600 to 1100 hPa).

    Examples
    --------
    >>> Air(temperature="20 degC", pressure="1013.25 hPa", humidity="50 %")
    <Air 293.15 K, 101325 Pa, 50 %: viscosity 1.818e-05 Pa s, mean free path 66.4 nm, 1.1993 kg/m3>
    """

    temperature: Quantity
    pressure: Quantity
    humidity: Quantity

    def __init__(
        self,
        *,
        temperature: QuantityLike = 293.15,
        pressure: QuantityLike = STANDARD_PRESSURE,
        humidity: QuantityLike = 0.5,
    ) -> None:
        for name, given, unit, low, high in (
            ("temperature", temperature, "K", 233.15, 373.15),
            ("pressure", pressure, "Pa", 1e3, 3e5),
            ("humidity", humidity, "1", 0.0, 1.0),
        ):
            read = Quantity.read(given, unit=unit, name=name, scope="session")
            if not low <= read.value <= high:
                raise InputError(
                    f"`{name}` is {read.value:g} {unit}; for air in a cell it must lie between "
                    f"{low:g} and {high:g} {unit}, so look at the number and its unit."
                )
            put(self, **{name: read})
        t, p = self.temperature.value, self.pressure.value
        if not (288.15 <= t <= 300.15 and 6e4 <= p <= 1.1e5):
            warn(
                f"the air is at {t - 273.15:.1f} °C and {p / 100:.0f} hPa; the formula for its "
                "density is published for 15 to 27 °C and 600 to 1100 hPa."
            )

    @property
    def viscosity(self) -> float:
        """Viscosity, Pa s."""
        return float(viscosity(self.temperature.value))

    @property
    def mean_free_path(self) -> float:
        """Mean free path in metres, on the scale on which it is 67.3 nm at 23 °C and 1 atm."""
        return float(mean_free_path(self.temperature.value, self.pressure.value))

    @property
    def density(self) -> float:
        """Density, kg/m3."""
        return float(density(self.temperature.value, self.pressure.value, self.humidity.value))

    def __repr__(self) -> str:
        t, p, h = self.temperature.value, self.pressure.value, self.humidity.value
        return (
            f"<Air {t:.2f} K, {p:.0f} Pa, {100 * h:.0f} %: viscosity {self.viscosity:.4g} Pa s, "
            f"mean free path {self.mean_free_path * 1e9:.1f} nm, {self.density:.4f} kg/m3>"
        )
