"""What an apparatus file may hold: names, units, scopes and permitted words."""

from __future__ import annotations

import contextlib
import dataclasses
import difflib
import re
from collections.abc import Iterator, Mapping
from typing import Any, cast

from quantize._support.errors import InputError, listed
from quantize.charge.drag import TRIPLES
from quantize.charge.quantity import Quantity, Scope

_BLANK = re.compile(r"_{2,}")  # what a template leaves to be filled in
_GATE = (1e-9, 10.0)  # metres, where the gate is given as a length


@dataclasses.dataclass(frozen=True)
class Entry:
    """One measured entry: SI unit, what shares its error, what it is, permitted range in SI."""

    unit: str
    scope: str
    meaning: str
    low: float
    high: float


QUANTITIES: dict[str, Entry] = {
    "plates.separation": Entry("m", "bench", "distance between the plates", 1e-5, 0.5),
    "plates.voltage": Entry("V", "session", "voltage at which the run was balanced", -2e4, 2e4),
    "plates.setting": Entry("V", "reading", "standard deviation of one balance voltage", 1e-6, 1e4),
    "plates.meter": Entry("1", "session", "true volts for one volt of the meter", 0.5, 2.0),
    "plates.tilt": Entry("rad", "bench", "angle between field and vertical", -1.0, 1.0),
    "sphere.weight": Entry("N", "batch", "effective weight of a sphere", 1e-18, 1e-8),
    "sphere.diameter": Entry("m", "batch", "mean diameter of the batch", 1e-8, 1e-4),
    "sphere.diameter_spread": Entry(
        "m", "particle", "standard deviation of the diameters in the batch", 0.0, 1e-4
    ),
    "sphere.density": Entry("kg/m3", "batch", "density of the spheres", 100, 25000),
    "reticle.division": Entry("m/div", "bench", "length of one scale division", 1e-8, 1e-2),
    "reticle.length": Entry("div", "bench", "divisions on the whole scale", 1, 1e5),
    "reticle.step": Entry("div", "bench", "step to which positions are read", 1e-6, 1e3),
    "reticle.localisation": Entry(
        "div", "reading", "standard deviation of one position of a track", 1e-6, 1e3
    ),
    "watch.press": Entry("s", "reading", "standard deviation of one press", 0.0, 5.0),
    "watch.bias": Entry("s", "session", "true less shown time of one reading", -1.0, 1.0),
    "watch.rate": Entry("1", "session", "true seconds in one second of the watch", 0.5, 2.0),
    "fall.speed": Entry("m/s", "particle", "speed of fall without field", 1e-9, 1.0),
    "fall.divisions": Entry("div", "particle", "divisions fallen in one interval", 1e-3, 1e6),
    "air.temperature": Entry("K", "session", "temperature of the air", 233.15, 373.15),
    "air.pressure": Entry("Pa", "session", "pressure of the air", 1e3, 3e5),
    "air.humidity": Entry("1", "session", "relative humidity", 0.0, 1.0),
    "air.drift": Entry("m/s", "session", "slow upward drift of the air", -1e-2, 1e-2),
    "air.viscosity": Entry("Pa s", "session", "viscosity, if measured", 1e-6, 1e-4),
    "site.gravity": Entry("m/s2", "bench", "local gravity", 9.7, 9.9),
    "run.interval": Entry("s", "session", "time of one reading", 1e-3, 1e5),
    "run.distance": Entry("div", "bench", "length of one timed passage", 1e-3, 1e6),
}

WORDS: dict[str, tuple[str, ...]] = {
    "plates.positive_plate": ("lower", "upper"),
    "sphere.weight_of": ("the batch", "this sphere"),
    "sphere.buoyancy": ("already off", "not off"),
    "reticle.rounding": ("one end", "both ends"),
    "run.timing": ("fixed time", "fixed distance"),
    "run.blank_voltage": ("zero", "as above"),
    "run.blank_state": ("as above",),
    "run.residual_voltage": ("taken off",),
    "air.slip": tuple(TRIPLES),
    "air.viscosity_of": ("dry air", "moist air"),
    "budget.slip": ("choice of triple",),
    "budget.walls": ("corrected",),
    "budget.image": ("budgeted",),
}
FLAGS: tuple[str, ...] = ("run.image_inverted", "apparatus.invented")
TEXTS: tuple[str, ...] = ("apparatus.name", "apparatus.note", "run.held_state")
HAZARDS: tuple[str, ...] = (
    "x-ray", "sealed source", "lamp", "laser", "uv", "ioniser", "spray", "flammable",
)  # fmt: skip
SECTIONS: tuple[str, ...] = tuple(
    dict.fromkeys(name.partition(".")[0] for name in (*QUANTITIES, *WORDS, *FLAGS, *TEXTS))
)


def measured(name: str, value: Any, scope: Scope | None = None) -> Quantity:
    """The measured entry `name` from what stands in the file.

    InputError for a unit of the wrong kind, and a value out of range.
    """
    entry = QUANTITIES[name]
    shared = scope or cast(Scope, entry.scope)
    low, high = entry.low, entry.high
    if name == "reticle.division":
        value = _per_division(value, shared)
    elif name == "run.distance" and not isinstance(value, int | float):
        with contextlib.suppress(InputError):
            Quantity.read(value, unit="m")
            entry, (low, high) = dataclasses.replace(entry, unit="m"), _GATE
    found = Quantity.read(value, unit=entry.unit, name=name, scope=shared)
    if not low <= found.value <= high:
        unit = "" if entry.unit == "1" else f" {entry.unit}"
        raise InputError(
            f"`{name}` is {found.value:g}{unit}; the {entry.meaning} should lie between "
            f"{low:g} and {high:g}{unit}, so look at the number and its unit."
        )
    return found


def _per_division(value: Any, scope: Scope) -> Any:
    """A length is taken as the length of one division."""
    try:
        return dataclasses.replace(
            Quantity.read(value, unit="m", name="reticle.division", scope=scope), unit="m/div"
        )
    except InputError:
        if isinstance(value, str) and "/" not in value.replace("+/-", ""):
            raise
        return value


def unknown(name: str, allowed: tuple[str, ...], source: str) -> str:
    """What to say of an entry that there is not."""
    near = difflib.get_close_matches(name, (*allowed, *QUANTITIES), n=1, cutoff=0.74)
    beside = [known for known in allowed if known.startswith(f"{name.partition('.')[0]}.")]
    known = ", ".join(sorted(beside or allowed))
    hint = f"did you mean {near[0]!r}?" if near else f"known are {known}."
    return f"`{name}` is no entry of an apparatus ({source}); {hint}"


def refuse_blanks(tables: Mapping[str, Any], source: str) -> None:
    """Raise InputError where blanks of a template are left, naming them all."""
    blank = list(_blanks(tables))
    if blank:
        raise InputError(
            f"`apparatus` ({source}) is not filled in: write {listed(blank)}, each in place of its "
            "____, or delete the line of what you do not know."
        )


def _blanks(tables: Mapping[str, Any], above: str = "") -> Iterator[str]:
    for key, value in tables.items():
        if isinstance(value, Mapping):
            yield from _blanks(value, f"{above}{key}.")
        elif isinstance(value, str) and _BLANK.search(value):
            yield f"{above}{key}"
