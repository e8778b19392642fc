"""A sphere moving slowly through air. Plain formulas in SI units, for floats or arrays."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from quantize.charge.slip import SlipCorrection

BOLTZMANN = 1.380649e-23  # J/K, exact (SI Brochure, 9th edition)
_NEWTON_STEPS = 12


def mobility(diameter: Any, viscosity: Any, slip_factor: Any) -> Any:
    """Speed per force, s/kg: Stokes' law with slip."""
    return slip_factor / (3 * math.pi * viscosity * diameter)


def effective_weight(diameter: Any, density_difference: Any, gravity: Any) -> Any:
    """Weight less buoyancy, N."""
    return math.pi / 6 * diameter**3 * density_difference * gravity


def settling_speed(
    diameter: Any, density_difference: Any, gravity: Any, viscosity: Any, slip_factor: Any
) -> Any:
    """Speed of fall without field, m/s."""
    return diameter**2 * density_difference * gravity * slip_factor / (18 * viscosity)


def diffusion(mobility_value: Any, temperature: Any) -> Any:
    """Diffusion coefficient k·T·B, m2/s (Einstein, Ann. Phys. 17:549, 1905)."""
    return BOLTZMANN * temperature * mobility_value


def relaxation_time(diameter: Any, density: Any, mobility_value: Any) -> Any:
    """Mass times mobility, s: how long the sphere takes to reach its speed."""
    return math.pi / 6 * diameter**3 * density * mobility_value


def reynolds(diameter: Any, speed: Any, viscosity: Any, air_density: Any) -> Any:
    """Inertia over viscosity; Stokes' law wants it well below 0.1."""
    return air_density * np.abs(speed) * diameter / viscosity


def diameter_from_fall(
    speed: Any,
    *,
    density_difference: Any,
    gravity: Any,
    viscosity: Any,
    slip: SlipCorrection,
    temperature: Any,
    pressure: Any,
) -> Any:
    r"""Diameter of a sphere from its speed of fall, with slip, to machine precision.

    Parameters
    ----------
    speed : float or array
        m/s, above zero.
    density_difference, gravity, viscosity, temperature, pressure : float or array
        SI units.
    slip : SlipCorrection

    Returns
    -------
    float or array
        Metres.

    Notes
    -----
    Newton's method in ln D for
    :math:`2\ln D + \ln C(D) = \ln[18\eta v/(\Delta\rho\,g)]`, whose slope is
    :math:`2 - \varepsilon` with :math:`\varepsilon = -d\ln C/d\ln D` between 0 and 1, so that
    the root is single and the iteration safe.

    Examples
    --------
    >>> slip = SlipCorrection("Kim 2005")
    >>> v = settling_speed(2e-6, 1050.0, 9.81, 1.82e-5, slip.factor(2e-6, 293.15, 101325.0))
    >>> d = diameter_from_fall(v, density_difference=1050.0, gravity=9.81, viscosity=1.82e-5,
    ...                        slip=slip, temperature=293.15, pressure=101325.0)
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
