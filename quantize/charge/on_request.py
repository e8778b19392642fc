"""Lines of a budget that an apparatus file may ask for: moist air, slip, walls, images."""

from __future__ import annotations

from collections.abc import Mapping

from quantize.charge.apparatus import Apparatus
from quantize.charge.drag import triples_apart
from quantize.charge.plates import image_pull
from quantize.charge.quantity import Quantity, within
from quantize.charge.routes import Route

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
