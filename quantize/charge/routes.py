"""The routes from divisions to coulombs, each a formula.

All follow from one line: the speed of a sphere of mobility B, charge q and effective weight w
between plates at distance d and voltage V is ``v = B·(q·V/d - w)``. A formula takes a mapping of
SI values (floats or arrays) and returns coulombs for one unit in divisions.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize.charge import air, drag
from quantize.charge.apparatus import Apparatus
from quantize.charge.drag import SlipCorrection, image_pull, slowing, triples_apart
from quantize.charge.quantity import Quantity, within

GRAVITY_SPREAD = 0.013  # m/s2, half the span from equator to pole over sqrt(12)
# The published formulas for the viscosity of air agree to 0.5 %: a limit of 0.25 % either way.
VISCOSITY_FORMULA = within(1.0, 0.0025)
Values = Mapping[str, Any]


@dataclasses.dataclass(frozen=True)
class Route:
    """One route: what it needs, its formula, and values that this takes beside the inputs."""

    name: str
    needs: tuple[str, ...]
    formula: Callable[[Values], Any]
    depends: str = ""
    optional: tuple[str, ...] = ("plates.tilt",)
    fixed: tuple[tuple[str, float], ...] = ()


def field(x: Values) -> Any:
    """Vertical field at the balance voltage, V/m."""
    volts = x["plates.voltage"] * x.get("plates.meter", 1.0) / (1 + x.get("image force", 0.0))
    return volts * (np.cos(x.get("plates.tilt", 0.0)) / x["plates.separation"])


def fall_measured(x: Values) -> Any:
    """Divisions fallen in one interval, whatever the air did."""
    return x["fall"] if "fall" in x else x["fall.speed"] / speed_per_division(x)


def fall_divisions(x: Values) -> Any:
    """Divisions fallen in one interval, as they would be in air at rest."""
    measured = fall_measured(x)
    return measured + x["air.drift"] / speed_per_division(x) if "air.drift" in x else measured


def unit_divisions(x: Values) -> Any:
    """The unit in divisions, moved along with the fall that went into it."""
    slope = x.get("fall_slope", 0.0)
    return x["unit"] + slope * (fall_measured(x) - x.get("fall_used", 0.0)) if slope else x["unit"]


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
    return _weight(diameter(x), x)


def _weight(size: Any, x: Values) -> Any:
    return drag.effective_weight(size, x["sphere.density"] - air_density(x), x["site.gravity"])


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


def _ratio(weight: Callable[[Values], Any], x: Values) -> Any:
    return unit_divisions(x) / fall_divisions(x) * (weight(x) / field(x))


def speed_per_division(x: Values) -> Any:
    """Metres per second for one division in one interval."""
    time = x["run.interval"] * x.get("watch.rate", 1.0) + x.get("watch.bias", 0.0)
    if "reticle.division" not in x:
        # The gate itself is a length.
        return x["run.distance"] / (x["gate_used"] * time)
    gate = x["run.distance"] / x["gate_used"] if "run.distance" in x else 1.0
    return gate * x["reticle.division"] / time


def air_viscosity(x: Values) -> Any:
    """Viscosity as measured, or from the temperature with the doubt about the formula."""
    if "air.viscosity" in x:
        return x["air.viscosity"]
    dry = air.viscosity(x["air.temperature"]) * x.get("viscosity formula", 1.0)
    if "humidity formula" not in x:
        return dry
    return dry * air.moistening(
        x["air.temperature"], x["air.pressure"], x["air.humidity"], x["humidity formula"]
    )


def _resistance(x: Values, size: Any = None) -> Any:
    """Viscosity as a sphere feels it: the doubt about slip, and the walls where they count."""
    free = air_viscosity(x) / x.get("slip formula", 1.0)
    if size is None or "wall drag" not in x:
        return free
    return free * (1 + x["wall drag"] * slowing(size, x["plates.separation"]))


def _drag(x: Values) -> Any:
    slip: SlipCorrection = x["slip"]
    factor = slip.factor(diameter(x), x["air.temperature"], x["air.pressure"])
    inverse_mobility = 1 / drag.mobility(diameter(x), _resistance(x, diameter(x)), factor)
    return inverse_mobility * unit_divisions(x) * speed_per_division(x) / field(x)


def fallen_diameter(x: Values) -> Any:
    """Diameter that follows from the speed of fall, with slip."""
    size = _fallen(x, None)
    # The walls change it so little that one more look at them is enough.
    return _fallen(x, size) if "wall drag" in x else size


def _fallen(x: Values, size: Any) -> Any:
    return drag.diameter_from_fall(
        fall_divisions(x) * speed_per_division(x),
        density_difference=x["sphere.density"] - air_density(x),
        gravity=x["site.gravity"],
        viscosity=_resistance(x, size),
        slip=x["slip"],
        temperature=x["air.temperature"],
        pressure=x["air.pressure"],
    )


def weight_from_fall(x: Values) -> Any:
    """Effective weight of the sphere that falls as fast, buoyancy taken off."""
    return _weight(fallen_diameter(x), x)


AIR = ("air.temperature", "air.pressure", "air.humidity")
_MOVING_AIR = ("air.temperature", "air.pressure")
ROUTES: dict[str, Route] = {
    route.name: route
    for route in (
        Route(
            "ratio, weight given",
            ("plates.separation", "plates.voltage", "sphere.weight", "fall"),
            partial(_ratio, weight_given),
            "the weight as supplied; viscosity, size, scale and clock cancel",
        ),
        Route(
            "ratio, weight from diameter",
            ("plates.separation", "plates.voltage", "sphere.diameter", "sphere.density", "fall"),
            partial(_ratio, weight_from_diameter),
            "the third power of the diameter; viscosity, scale and clock cancel",
            ("plates.tilt", *AIR),
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
            ("plates.tilt", "watch.rate", "watch.bias", "air.viscosity"),
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
            partial(_ratio, weight_from_fall),
            "viscosity, scale and clock to the power 1.5 and more; not on the diameter",
            ("plates.tilt", "watch.rate", "watch.bias", "air.humidity", "air.viscosity"),
        ),
    )
}
SIMPLEST = "ratio, weight given"
JOINT = "joint fit"


def by_way(route: str) -> str:
    """How a unit in coulombs was found, in words."""
    return "by the joint fit of all inputs" if route == JOINT else f"by the route '{route}'"


def route_name(name: str) -> str:
    """`name`, if it is that of a route or of the joint fit; InputError with those names if not."""
    if name not in (JOINT, *ROUTES):
        listed = ", ".join(repr(known) for known in (JOINT, *ROUTES))
        raise InputError(f"`route` is {name!r}; it must be one of {listed}.")
    return name


REQUESTS = ("budget.", "air.viscosity_of")
"""How the declarations begin that ask for a line."""
_WALLS_KNOWN = 0.5  # the slowing holds midway to first order: a limit of half of it either way


def on_request(
    route: Route, apparatus: Apparatus, inputs: Mapping[str, Quantity]
) -> dict[str, Quantity]:
    """What ``viscosity_of`` under [air], and ``slip``, ``walls``, ``image`` under [budget] add.

    Only what bears on the route: its speeds, or for the images its balance. InputError naming the
    entry that a line cannot be computed without.
    """
    found: dict[str, Quantity] = {}
    drags = "air.temperature" in route.needs
    if (
        drags
        and "air.viscosity" not in inputs
        and apparatus.word("air.viscosity_of") == "moist air"
    ):
        found["air.humidity"] = apparatus.need("air.humidity", purpose="the viscosity of moist air")
        found["humidity formula"] = within(0.0, 1.0)
    if drags and apparatus.word("budget.slip") is not None:
        size = apparatus.need("sphere.diameter", purpose="the choice of a slip correction").value
        t, p = inputs["air.temperature"].value, inputs["air.pressure"].value
        found["slip formula"] = within(1.0, triples_apart(size, t, p))
    if drags and apparatus.word("budget.walls") is not None:
        found["wall drag"] = within(1.0, _WALLS_KNOWN)
    if "plates.voltage" in inputs and apparatus.word("budget.image") is not None:
        found["image force"] = within(0.0, _image(apparatus, inputs))
    return found


def _image(apparatus: Apparatus, inputs: Mapping[str, Quantity]) -> float:
    """Pull of one plate on a balanced sphere midway over its weight: what both leave at most."""
    weight = apparatus.need("sphere.weight", purpose="the pull of the images").value
    gap = inputs["plates.separation"].value
    charge = weight * gap / abs(inputs["plates.voltage"].value)
    return float(image_pull(charge, gap)) / weight
