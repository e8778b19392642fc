"""From a unit of 1/V to coulombs: every way to the weight of a sphere that stood still."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize.charge.apparatus import Apparatus
from quantize.charge.budgets import Divisions, gather
from quantize.charge.drag import SlipCorrection
from quantize.charge.propagation import Propagation, propagate
from quantize.charge.quantity import Quantity
from quantize.charge.routes import (
    AIR,
    Route,
    weight_from_diameter,
    weight_from_fall,
    weight_given,
)


def _over_field(weight: Any) -> Any:
    """The unit in 1/V times weight times gap: coulombs."""

    def formula(x: Mapping[str, Any]) -> Any:
        gap = x["plates.separation"] / np.cos(x.get("plates.tilt", 0.0))
        return x["unit"] * weight(x) * gap / x.get("plates.meter", 1.0)

    return formula


_OPTIONAL = ("plates.tilt", "plates.meter")
_ROUTES = {
    route.name: route
    for route in (
        Route(
            "ratio, weight given",
            ("plates.separation", "sphere.weight"),
            _over_field(weight_given),
            "the weight as supplied",
            _OPTIONAL,
        ),
        Route(
            "ratio, weight from diameter",
            ("plates.separation", "sphere.diameter", "sphere.density"),
            _over_field(weight_from_diameter),
            "the third power of the diameter",
            (*_OPTIONAL, *AIR),
        ),
        Route(
            "fall and rise, radius from the fall",
            (
                "plates.separation", "sphere.density", "fall.speed",
                "air.temperature", "air.pressure",
            ),
            _over_field(weight_from_fall),
            "viscosity and speed of fall to the power 1.5 and more",
            (*_OPTIONAL, "air.humidity", "air.viscosity"),
        ),
    )
}  # fmt: skip
"""Ways to the weight, under the names that routes of a run have."""


def by_every_weight(
    unit: Quantity, apparatus: Apparatus
) -> tuple[dict[str, Propagation], str | None]:
    """A unit in 1/V in coulombs by every way to the weight; or why by none."""
    found, reasons = {}, []
    for name, route in _ROUTES.items():
        try:
            found[name] = _budget(route, unit, apparatus)
        except InputError as error:
            reasons.append(str(error))
    return found, None if found else reasons[0]


def _budget(route: Route, unit: Quantity, apparatus: Apparatus) -> Propagation:
    inputs = gather(route, apparatus, Divisions(unit=unit))
    fixed: dict[str, Any] = {
        "slip": SlipCorrection(apparatus.word("air.slip", "Kim 2005")),
        "buoyancy_off": float(apparatus.word("sphere.buoyancy", "already off") == "already off"),
        # The speed of fall is one in metres per second.
        "reticle.division": 1.0,
        "run.interval": 1.0,
    }
    mean = apparatus.get("sphere.diameter")
    if mean is not None:
        fixed["sphere.diameter"] = mean.value
    model = functools.partial(_formula, route.name, list(inputs), fixed)
    return propagate(model, inputs, unit="C", correlations=apparatus.correlations)


def _formula(name: str, names: list[str], fixed: dict[str, Any], *values: Any) -> Any:
    return _ROUTES[name].formula(fixed | dict(zip(names, values, strict=True)))
