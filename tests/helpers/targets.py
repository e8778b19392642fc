"""A posterior to be sampled, from readings, a range of units and what is assumed."""

from __future__ import annotations

from typing import Any

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.sampling.target import Target


def target_of(readings: Any, limits: tuple[float, float], **options: Any) -> Target:
    """`options` are those of `MixtureModel`."""
    data = readings if isinstance(readings, qz.Readings) else qz.Readings(readings)
    unit_range = UnitRange(low=limits[0], high=limits[1], chosen=False, reason="")
    return Target(data, unit_range, qz.MixtureModel(**options))
