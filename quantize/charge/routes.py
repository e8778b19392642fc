"""The routes from divisions to coulombs, each a formula with its inputs.

All follow from one line: the speed of a sphere of mobility B, charge q and effective weight w
between plates at distance d and voltage V is ``v = B·(q·V/d - w)``. A formula takes a mapping of
SI values (floats or arrays) and returns coulombs for one unit in divisions.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize.charge import air, drag
from quantize.charge.apparatus import Apparatus
from quantize.charge.drag import STANDARD_GRAVITY, SlipCorrection
from quantize.charge.quantity import Quantity

GRAVITY_SPREAD = 0.013  # m/s2, half the span from equator to pole over sqrt(12)
# The published formulas for the viscosity of air agree to 0.5 %: a limit of 0.25 % either way.
VISCOSITY_FORMULA = Quantity(
    value=1.0,
    standard_uncertainty=0.0025 / math.sqrt(3),
    distribution="rectangular",
    scope="bench",
)
Values = Mapping[str, Any]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Divisions:
    """The unit in divisions per interval, and how it leans on the fall.

    When the fall F was added to the readings, a change of F by one division changes the unit by
    `fall_slope`, so that the two errors must be carried together. Over a fixed distance the
    `gate` is what was measured, and the interval no more than a scale for the speeds.
    """

    unit: Quantity
    fall: Quantity | None = None
    fall_slope: float = 0.0
    interval: Quantity | None = None
    gate: Quantity | None = None


@dataclasses.dataclass(frozen=True)
class Route:
    """One route: what it needs, and its formula."""

    name: str
    needs: tuple[str, ...]
    formula: Callable[[Values], Any]
    depends: str
    optional: tuple[str, ...] = ("plates.tilt",)


def field_per_volt(x: Values) -> Any:
    """Vertical field for one volt, 1/m."""
    return np.cos(x.get("plates.tilt", 0.0)) / x["plates.separation"]


def fall_divisions(x: Values) -> Any:
    """Divisions fallen in one interval, as they would be in air at rest."""
    if "fall" in x:
        measured = x["fall"]
    else:
        measured = x["fall.speed"] / speed_per_division(x)
    if "air.drift" in x:
        return measured + x["air.drift"] / speed_per_division(x)
    return measured


def unit_divisions(x: Values) -> Any:
    """The unit in divisions, moved along with the fall that went into it."""
    return x["unit"] + x.get("fall_slope", 0.0) * (x.get("fall", 0.0) - x.get("fall_used", 0.0))


def air_density(x: Values) -> Any:
    """Density of the air that buoys the sphere; ordinary room air if nothing is known."""
    return air.density(
        x.get("air.temperature", 295.15),
        x.get("air.pressure", 101325.0),
        x.get("air.humidity", 0.5),
    )


def diameter(x: Values) -> Any:
    """Diameter of this sphere: the mean of its batch and its own deviation."""
    return x["sphere.diameter"] + x.get("sphere.diameter_spread", 0.0)


def weight_from_diameter(x: Values) -> Any:
    """Effective weight, buoyancy taken off."""
    return (
        math.pi / 6 * diameter(x) ** 3 * (x["sphere.density"] - air_density(x)) * x["site.gravity"]
    )


def weight_given(x: Values) -> Any:
    """Weight as supplied; `buoyancy_off` is 0 when the buoyancy still has to be taken off.

    That of a batch is the weight at its mean diameter, and this sphere has a diameter of its own.
    """
    weight = x["sphere.weight"]
    if "sphere.diameter_spread" in x:
        weight = weight * (1 + x["sphere.diameter_spread"] / x["sphere.diameter"]) ** 3
    if x.get("buoyancy_off", 1.0):
        return weight
    return weight * (1 - air_density(x) / x.get("sphere.density", 1050.0))


def _ratio(weight: Callable[[Values], Any]) -> Callable[[Values], Any]:
    def formula(x: Values) -> Any:
        held = weight(x) / (x["plates.voltage"] * field_per_volt(x))
        return unit_divisions(x) / fall_divisions(x) * held

    return formula


def speed_per_division(x: Values) -> Any:
    """Metres per second for one division in one interval."""
    gate = x["run.distance"] / x["gate_used"] if "run.distance" in x else 1.0
    return gate * x["reticle.division"] / (x["run.interval"] * x.get("watch.rate", 1.0))


def air_viscosity(x: Values) -> Any:
    """Viscosity as measured, or from the temperature with the doubt about the formula."""
    if "air.viscosity" in x:
        return x["air.viscosity"]
    return air.viscosity(x["air.temperature"]) * x.get("viscosity formula", 1.0)


def _drag(x: Values) -> Any:
    slip: SlipCorrection = x["slip"]
    factor = slip.factor(diameter(x), x["air.temperature"], x["air.pressure"])
    inverse_mobility = 1 / drag.mobility(diameter(x), air_viscosity(x), factor)
    force = inverse_mobility * unit_divisions(x) * speed_per_division(x)
    return force / (x["plates.voltage"] * field_per_volt(x))


def fallen_diameter(x: Values) -> Any:
    """Diameter solved from the speed of fall, with slip."""
    slip: SlipCorrection = x["slip"]
    speed = fall_divisions(x) * speed_per_division(x)
    return drag.diameter_from_fall(
        speed,
        density_difference=x["sphere.density"] - air_density(x),
        gravity=x["site.gravity"],
        viscosity=air_viscosity(x),
        slip=slip,
        temperature=x["air.temperature"],
        pressure=x["air.pressure"],
    )


def _fall_and_rise(x: Values) -> Any:
    weight = drag.effective_weight(
        fallen_diameter(x), x["sphere.density"] - air_density(x), x["site.gravity"]
    )
    held = weight / (x["plates.voltage"] * field_per_volt(x))
    return unit_divisions(x) / fall_divisions(x) * held


_AIR = ("air.temperature", "air.pressure", "air.humidity")
_MOVING_AIR = ("air.temperature", "air.pressure")
ROUTES: dict[str, Route] = {
    route.name: route
    for route in (
        Route(
            "ratio, weight given",
            ("plates.separation", "plates.voltage", "sphere.weight", "fall"),
            _ratio(weight_given),
            "the weight as supplied; viscosity, size, scale and clock cancel",
        ),
        Route(
            "ratio, weight from diameter",
            ("plates.separation", "plates.voltage", "sphere.diameter", "sphere.density", "fall"),
            _ratio(weight_from_diameter),
            "the third power of the diameter; viscosity, scale and clock cancel",
            ("plates.tilt", *_AIR),
        ),
        Route(
            "drag, diameter known",
            (
                "plates.separation",
                "plates.voltage",
                "sphere.diameter",
                "reticle.division",
                "run.interval",
                *_MOVING_AIR,
            ),
            _drag,
            "the first power of viscosity, scale and clock, and about that of the diameter; not on "
            "the density",
            ("plates.tilt", "watch.rate", "air.viscosity"),
        ),
        Route(
            "fall and rise, radius from the fall",
            (
                "plates.separation",
                "plates.voltage",
                "sphere.density",
                "fall",
                "reticle.division",
                "run.interval",
                *_MOVING_AIR,
            ),
            _fall_and_rise,
            "viscosity, scale and clock to the power 1.5 and more; not on the diameter",
            ("plates.tilt", "watch.rate", "air.humidity", "air.viscosity"),
        ),
    )
}


def route_name(name: str) -> str:
    """`name`, if it is that of a route.

    Raises
    ------
    InputError
        With the names that there are.
    """
    if name not in ROUTES:
        listed = ", ".join(repr(known) for known in ROUTES)
        raise InputError(f"`route` is {name!r}; it must be one of {listed}.")
    return name


def gather(route: Route, apparatus: Apparatus, divisions: Divisions) -> dict[str, Quantity]:
    """The inputs of a route, in order, each with its uncertainty.

    Raises
    ------
    InputError
        Naming the first entry that is missing.
    """
    inputs = {"unit": divisions.unit}
    for name in route.needs:
        if name == "fall":
            inputs |= fall_inputs(apparatus, divisions)
        elif name == "run.interval":
            inputs |= _timed(apparatus, divisions)
        else:
            inputs[name] = apparatus.need(name, purpose=f"the route '{route.name}'")
    if divisions.fall is not None and divisions.fall_slope:
        # The fall went into the unit, whether or not the route asks for it otherwise.
        inputs["fall"] = divisions.fall
    optional = route.optional
    if "sphere.weight" in route.needs and apparatus.word("sphere.buoyancy") == "not off":
        optional = (*optional, "sphere.density", *_AIR)
    for name in optional:
        found = apparatus.get(name)
        if found is not None:
            inputs[name] = found
    if "fall" in route.needs and apparatus.has("air.drift"):
        inputs["air.drift"] = apparatus.need("air.drift")
        inputs |= _timed(apparatus, divisions)
        inputs["reticle.division"] = apparatus.need(
            "reticle.division", purpose="a drift of the air"
        )
    for name in ("sphere.weight", "sphere.diameter"):
        spread = apparatus.spread_about(name) if name in route.needs else None
        if spread is not None:
            inputs["sphere.diameter_spread"] = spread
    if "sphere.density" in route.needs:
        inputs["site.gravity"] = apparatus.get("site.gravity") or Quantity(
            value=STANDARD_GRAVITY, standard_uncertainty=GRAVITY_SPREAD, unit="m/s2"
        )
    if route.formula in (_drag, _fall_and_rise) and "air.viscosity" not in inputs:
        inputs["viscosity formula"] = VISCOSITY_FORMULA
    if "plates.voltage" in inputs and inputs["plates.voltage"].value < 0:
        voltage = inputs["plates.voltage"]
        inputs["plates.voltage"] = dataclasses.replace(voltage, value=-voltage.value)
    return inputs


def scales_of(divisions: Divisions) -> dict[str, float]:
    """What turns a passage over a fixed distance into divisions per interval."""
    if divisions.gate is None or divisions.interval is None:
        return {}
    return {"run.interval": divisions.interval.value, "gate_used": divisions.gate.value}


def model_of(
    route: str, names: list[str], apparatus: Apparatus, divisions: Divisions
) -> Callable[..., Any]:
    """The formula as a function of its inputs in order."""
    fixed: dict[str, Any] = {
        "slip": SlipCorrection(apparatus.word("air.slip", "Kim 2005")),
        "buoyancy_off": float(apparatus.word("sphere.buoyancy", "already off") == "already off"),
        "fall_slope": divisions.fall_slope,
        "fall_used": divisions.fall.value if divisions.fall else 0.0,
    }
    fixed |= scales_of(divisions)
    mean = apparatus.get("sphere.diameter")
    if mean is not None:
        # What the spread of a batch is relative to, where the route has no need of it.
        fixed["sphere.diameter"] = mean.value
    # Not a function within this one: what holds it is to be pickled.
    return functools.partial(_formula, route, names, fixed)


def _formula(route: str, names: list[str], fixed: dict[str, Any], *values: Any) -> Any:
    return ROUTES[route].formula(fixed | dict(zip(names, values, strict=True)))


def available(apparatus: Apparatus, divisions: Divisions) -> list[str]:
    """Names of the routes for which nothing is missing, in order of preference."""
    names = []
    for name, route in ROUTES.items():
        try:
            gather(route, apparatus, divisions)
        except InputError:
            continue
        names.append(name)
    return names


def fall_inputs(apparatus: Apparatus, divisions: Divisions) -> dict[str, Quantity]:
    """What tells the divisions fallen in one interval.

    Raises
    ------
    InputError
        Where nothing does.
    """
    if divisions.fall is not None:
        return {"fall": divisions.fall}
    if apparatus.has("fall.divisions"):
        return {"fall": apparatus.need("fall.divisions")}
    if not apparatus.has("fall.speed"):
        raise InputError(
            "`fall.divisions` is missing: the ratio routes need how far the sphere falls without "
            "field; read some rows at zero voltage, or give fall.divisions or fall.speed in the "
            f"apparatus ({apparatus.source})."
        )
    purpose = "the fall speed in divisions"
    return {
        "fall.speed": apparatus.need("fall.speed"),
        "reticle.division": apparatus.need("reticle.division", purpose=purpose),
    } | _timed(apparatus, divisions)


def _timed(apparatus: Apparatus, divisions: Divisions) -> dict[str, Quantity]:
    """The time of a reading, or the length of the gate where that was fixed."""
    if divisions.gate is not None:
        return {"run.distance": divisions.gate}
    if divisions.interval is not None and not apparatus.has("run.interval"):
        return {"run.interval": divisions.interval}
    purpose = "a speed in metres per second"
    return {"run.interval": apparatus.need("run.interval", purpose=purpose)}
