"""The joint density of a bench with its unknowns written out, for `quantize.charge.bench`.

Where the library adjusts inputs under conditions, this takes the charge, the sphere's deviation
from its batch and every true input as parameters, and compares what they predict with what was
stated. It is the same density in other variables, and shares no code with the library.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray
from plain_bench import AIR_DENSITY, FREE_PATH, VISCOSITY

NAMES = (
    "charge", "diameter", "deviation", "division", "separation", "voltage", "viscosity", "gravity",
)  # fmt: skip
VISCOSITY_KNOWN = 0.0025 / math.sqrt(3)  # the formulas agree to 0.25 % either way
GRAVITY, GRAVITY_KNOWN = 9.80665, 0.013


@dataclasses.dataclass(frozen=True)
class LatentBench:
    """What was stated of a bench, each a value with its standard uncertainty; SI and divisions.

    `weight` is None where none is stated, else of this sphere or of the mean of its batch; so is
    `spread`, the standard deviation of the diameters, None where the diameter is this sphere's.
    """

    unit: tuple[float, float]
    fall: tuple[float, float]
    diameter: tuple[float, float]
    division: tuple[float, float]
    separation: tuple[float, float]
    voltage: tuple[float, float]
    weight: tuple[float, float] | None
    spread: float | None = None
    weight_of_batch: bool = False
    density: float = 1055.0
    interval: float = 10.0

    def residuals(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Stated less predicted over the uncertainty, in logs; the last axis of x as in `NAMES`.

        The charge is the log of one over 1e-19 C, every other but the deviation, in standard
        deviations of the batch, the log of one over the value stated.
        """
        charge, diameter, deviation, division, gap, volts, viscosity, gravity = np.moveaxis(
            x, -1, 0
        )
        mean = self.diameter[0] * np.exp(diameter)
        own = mean + deviation * (self.spread or 0.0)
        per_division = self.division[0] * np.exp(division) / self.interval
        weight, mobility = self._weight(own, gravity), self._mobility(own, viscosity)
        field = self.voltage[0] * np.exp(volts) / (self.separation[0] * np.exp(gap))
        predicted = {
            "unit": mobility * 1e-19 * np.exp(charge) * field / per_division,
            "fall": mobility * weight / per_division,
        }
        if self.weight is not None:
            predicted["weight"] = self._weight(mean, gravity) if self.weight_of_batch else weight
        rows = [_log_off(getattr(self, name), value) for name, value in predicted.items()]
        for name, moved in (("diameter", diameter), ("division", division)):
            rows.append(_log_off(getattr(self, name), getattr(self, name)[0] * np.exp(moved)))
        for name, moved in (("separation", gap), ("voltage", volts)):
            rows.append(_log_off(getattr(self, name), getattr(self, name)[0] * np.exp(moved)))
        rows += [deviation, viscosity / VISCOSITY_KNOWN, gravity * GRAVITY / GRAVITY_KNOWN]
        return np.stack(rows, axis=-1)

    def _weight(self, diameter: NDArray, gravity: NDArray) -> NDArray:
        lifted = self.density - AIR_DENSITY
        return math.pi / 6 * diameter**3 * lifted * GRAVITY * np.exp(gravity)

    def _mobility(self, diameter: NDArray, viscosity: NDArray) -> NDArray:
        knudsen = 2 * FREE_PATH / diameter
        slip = 1 + knudsen * (1.165 + 0.483 * np.exp(-0.997 / knudsen))
        return slip / (3 * math.pi * VISCOSITY * np.exp(viscosity) * diameter)


def _log_off(stated: tuple[float, float], predicted: NDArray) -> NDArray:
    value, error = stated
    return np.log(predicted / value) / (error / value)
