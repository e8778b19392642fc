"""The law of the scatter of a reading: the walk of the sphere, the hand on the watch, rounding.

Whatever predicts, simulates or plans readings calls this one law. Lengths are in one unit
throughout, metres or divisions; what comes out are standard deviations of a speed, in that unit
per second.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import ArrayLike

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge import air, drag
from quantize.charge.apparatus import Apparatus, value_of

ROOM = 295.15  # K, where no temperature is stated
ROOM_AIR_DENSITY = 1.2  # kg/m3

# Standard deviation of a difference of positions rounded to a step of 1: at one end (the other
# sat on a line) or at both.
ROUNDING_SD = {"one end": 1 / math.sqrt(12), "both ends": 1 / math.sqrt(6)}


@dataclasses.dataclass(frozen=True, eq=False)
class Scatter:
    """Standard deviations of readings by their causes, each of shape (n,).

    From the walk of the sphere, from the two presses of the watch, and from the steps to which
    positions, or times, are rounded.
    """

    brownian: FloatArray
    watch: FloatArray
    rounding: FloatArray

    @property
    def total(self) -> FloatArray:
        """All three joined, shape (n,)."""
        return np.sqrt(self.brownian**2 + self.watch**2 + self.rounding**2)

    def times(self, factor: ArrayLike) -> Scatter:
        """The same in another unit, `factor` times as large."""
        f = np.asarray(factor, dtype=np.float64)
        return Scatter(self.brownian * f, self.watch * f, self.rounding * f)


def at_fixed_time(
    speed: ArrayLike,
    seconds: ArrayLike,
    *,
    diffusion: float = 0.0,
    press: float = 0.0,
    rounding: ArrayLike = 0.0,
) -> Scatter:
    """Scatter of a speed v read as the distance moved in a fixed time t.

    (t σ_v)² = 2 D t + 2 (v σ_t)² + r²: `diffusion` D, the hand pressing twice with the standard
    deviation `press`, and that of the distance from `rounding`.

    >>> scatter = at_fixed_time(3.0, 10.0, diffusion=0.2, press=0.1, rounding=0.4)
    >>> round(float(scatter.total), 4)
    0.2083
    """
    v, t = np.asarray(speed, dtype=np.float64), np.asarray(seconds, dtype=np.float64)
    return Scatter(
        brownian=np.sqrt(2 * diffusion * t) / t,
        watch=math.sqrt(2) * press * np.abs(v) / t,
        rounding=np.asarray(rounding, dtype=np.float64) / t,
    )


def over_fixed_distance(
    speed: ArrayLike,
    length: ArrayLike,
    *,
    diffusion: float = 0.0,
    press: float = 0.0,
    rounding: float = 0.0,
) -> Scatter:
    """Scatter of a speed v read as the time that a fixed distance L takes; `rounding` is in s.

    σ_v² = 2 D v/L + v⁴ (2 σ_t² + r²)/L²: the time of first passage is inverse Gaussian with mean
    L/v and shape L²/(2D) (Schrödinger, Phys. Z. 16:289, 1915; Folks and Chhikara, J. R. Stat. Soc.
    B 40:263, 1978).

    >>> float(over_fixed_distance(2.0, 8.0, diffusion=0.04).total.round(4))
    0.1414
    """
    v, x = np.abs(np.asarray(speed, dtype=np.float64)), np.asarray(length, dtype=np.float64)
    return Scatter(
        brownian=np.sqrt(2 * diffusion * v / x),
        watch=math.sqrt(2) * press * v**2 / x,
        rounding=rounding * v**2 / x,
    )


def first_passage_excess(length: ArrayLike, diffusion: float) -> FloatArray:
    """How much too high the mean of L/t over a fixed distance is: 2·D/L."""
    return 2 * diffusion / np.asarray(length, dtype=np.float64)


def weight_of(apparatus: Apparatus) -> float:
    """Weight of the sphere in air, N: as stated, else from diameter and density."""
    if apparatus.has("sphere.weight"):
        return apparatus.need("sphere.weight").value
    return weight_by_size(apparatus)


def weight_by_size(apparatus: Apparatus) -> float:
    """Weight less buoyancy in ordinary air, N, from diameter and density."""
    purpose = "the fall of the sphere"
    density = apparatus.need("sphere.density", purpose=purpose).value - ROOM_AIR_DENSITY
    gravity = value_of(apparatus, "site.gravity", drag.STANDARD_GRAVITY)
    size = apparatus.need("sphere.diameter", purpose=purpose).value
    return float(drag.effective_weight(size, density, gravity))


def mobility_of(apparatus: Apparatus, *, fall_speed: float | None = None) -> float:
    """Speed per force, s/kg: from fall speed (m/s) over weight, else from the diameter."""
    weight = apparatus.get("sphere.weight")
    if fall_speed is not None and weight is not None:
        return fall_speed / weight.value
    t = value_of(apparatus, "air.temperature", ROOM)
    p = value_of(apparatus, "air.pressure", air.STANDARD_PRESSURE)
    slip = drag.SlipCorrection(apparatus.word("air.slip", "Kim 2005"))
    viscosity = value_of(apparatus, "air.viscosity", float(air.viscosity(t)))
    if apparatus.has("sphere.diameter"):
        d = apparatus.need("sphere.diameter").value
    elif fall_speed is not None and apparatus.has("sphere.density"):
        d = drag.diameter_from_fall(
            fall_speed,
            density_difference=apparatus.need("sphere.density").value - ROOM_AIR_DENSITY,
            gravity=value_of(apparatus, "site.gravity", drag.STANDARD_GRAVITY),
            viscosity=viscosity,
            slip=slip,
            temperature=t,
            pressure=p,
        )
    else:
        raise InputError(
            "`sphere.diameter` is missing: the scatter of a reading follows from the size of the "
            "sphere, or from its weight or density together with its fall; give one of these."
        )
    return float(drag.mobility(d, viscosity, slip.factor(d, t, p)))


def diffusion_of(
    apparatus: Apparatus, *, fall: float | None = None, interval: float = 1.0
) -> float:
    """Diffusion coefficient of the sphere in divisions²/s; `fall` in divisions per `interval`."""
    scale = apparatus.need("reticle.division", purpose="the predicted scatter").value
    fall_speed = None if fall is None else fall * scale / interval
    mobility = mobility_of(apparatus, fall_speed=fall_speed)
    return float(drag.diffusion(mobility, value_of(apparatus, "air.temperature", ROOM))) / scale**2


def press_of(apparatus: Apparatus) -> float:
    """Standard deviation of one press of the watch, s; zero where none is stated."""
    return value_of(apparatus, "watch.press", 0.0)
