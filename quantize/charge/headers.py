"""The header of a column of a run taken apart: what the column is, its unit, its repeat."""

from __future__ import annotations

import contextlib
import re

from quantize._support.errors import InputError
from quantize.charge.units import kind_of, same_kind, unit

PASSAGES = {"rise_seconds": "up", "fall_seconds": "down"}
"""Columns of times of passages, and which way the sphere went."""

# What each column may be called, in lower case without its unit.
NAMES: dict[str, tuple[str, ...]] = {
    name: tuple(aliases.split(", "))
    for name, aliases in {
        "particle": "particle, sphere, bead, drop, droplet, ball, no, nr, number, particle no, "
        "sphere no, bead no, drop no, particle number, drop number, sphere number",
        "state": "state, charge state, chargestate",
        "voltage": "voltage, u, v, volts, volt, plate voltage, potential",
        "divisions": "divisions, division, div, divs, moved, displacement, distance, "
        "divisions moved, division moved, div moved, distance moved",
        "seconds": "seconds, second, time, t, s, sec, interval, duration",
        "fall_seconds": "t fall, tfall, fall time, time of fall, t g, tg, t down",
        "rise_seconds": "t rise, trise, rise time, time of rise, t r, tr, t up",
        "start": "start, begin, from, first, start div, div start",
        "end": "end, stop, finish, to, last, end div, div end",
        "position": "position, pos, height, x, y",
        "stage": "stage, stage micrometer, micrometer, true length, stage length",
        "track": "track, track no, passage, clip",
        "direction": "direction, dir, sense, sign, up/down, up or down",
        "repeat": "repeat, rep, repetition, reading, reading no",
        "bench": "bench, setup, set-up, station, group",
        "event": "event",
        "changed": "changed within, changed within interval, changed during reading",
        "keep": "keep, kept, use, used, valid",
        "reason": "reason, why, reason discarded",
        "note": "note, notes, remark, remarks, comment, comments",
        "clock": "clock, clock time, time of day, when",
    }.items()
}
UNITS: dict[str, tuple[str, ...]] = {
    "voltage": ("V",),
    "divisions": ("div", "m"),
    "seconds": ("s",),
    "fall_seconds": ("s",),
    "rise_seconds": ("s",),
    "start": ("div", "m"),
    "end": ("div", "m"),
    "position": ("div", "m"),
    "stage": ("m",),
}
_UNIT_IN_NAME = {"div": "div", "volts": "V", "seconds": "s"}
_LOOKUP = {alias: name for name, aliases in NAMES.items() for alias in aliases}
_WITH_UNIT = re.compile(r"^(?P<head>.*?)\s*(?:\((?P<a>[^)]*)\)|\[(?P<b>[^\]]*)\])\s*$")
_SLASH = re.compile(r"^(?P<head>[^/]+?)\s*/\s*(?P<unit>[^/]+(?:/[^/]+)?)$")
_NUMBERED = re.compile(r"^(?P<head>.*?[^\d\s_#.-])[\s_#.-]*(?P<number>\d{1,3})$")
# The time of one reading within the header of its distance: "in 10 s", "/ 10 s", "(10 s)".
_INTERVAL = re.compile(
    r"(?:\b(?:in|per|within|every|each|over|for)\s*|[/,]\s*|(?<=[(\[]))"
    r"(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>s|secs?|seconds?|min|minutes?)\b\.?",
    re.IGNORECASE,
)


class Header:
    """A column header taken apart: canonical name, unit, number of the repeat, seconds.

    The last are those of a reading, where the header of its distance gives them.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self.name, self.unit, self.number = _take_apart(text)
        self.seconds: float | None = None
        found = _INTERVAL.search(text) if self.name in (None, "divisions") else None
        if found is not None:
            # Without the time, and without brackets that are empty then.
            left = re.sub(r"\(\s*\)|\[\s*\]", "", text[: found.start()] + text[found.end() :])
            bare = _take_apart(left)
            if bare[0] == "divisions":
                self.name, self.unit, self.number = bare
                minute = found["unit"].lower().startswith("m")
                self.seconds = float(found["number"]) * (60 if minute else 1)

    def factor(self) -> tuple[float, bool]:
        """Factor onto V, s or divisions, and whether the column is a length, not divisions."""
        if self.unit is None or self.name not in UNITS:
            return 1.0, False
        try:
            found = unit(self.unit)
        except InputError:
            return 1.0, False
        for wanted in UNITS[self.name]:
            if found.dimensions == unit(wanted).dimensions:
                return found.scale, wanted == "m"
        kind = kind_of(found.dimensions)
        raise InputError(
            f"the column {self.text!r} has a unit of {kind}; "
            f"{self.name} goes with {' or '.join(UNITS[self.name])}."
        )


def _take_apart(text: str) -> tuple[str | None, str | None, int | None]:
    cleaned = " ".join(text.replace("_", " ").replace("№", "no").split())
    whole = _LOOKUP.get(cleaned.lower().rstrip(".?"))
    if whole is not None:
        return whole, _UNIT_IN_NAME.get(cleaned.lower()), None
    head, unit = cleaned, None
    if (found := _WITH_UNIT.match(cleaned)) is not None:
        head, unit = found["head"], (found["a"] or found["b"] or "").strip()
    elif (found := _SLASH.match(cleaned)) is not None:
        head, unit = found["head"], found["unit"].strip()
    number = None
    if _name_of(head, unit) is None and (counted := _NUMBERED.match(head)) is not None:
        head, number = counted["head"], int(counted["number"])
    name = _name_of(head, unit)
    if name is None and unit is None and " " in head:
        first, _, last = head.rpartition(" ")
        name = _name_of(first, last)
        unit = last if name in UNITS and _fits(name, last) else None
        name = name if unit else None
    return name, unit if name in UNITS else None, number


def _name_of(head: str, unit: str | None) -> str | None:
    name = _LOOKUP.get(head.strip().lower().rstrip(".?"))
    if name == "voltage" and head.strip() == "v" and unit and not _fits("voltage", unit):
        return None
    bare = f"{head.strip().lower()}_seconds"
    return bare if name is None and unit and bare in PASSAGES and _fits(bare, unit) else name


def _fits(name: str | None, own: str) -> bool:
    with contextlib.suppress(InputError):
        return any(same_kind(own, wanted) for wanted in UNITS.get(name or "", ()))
    return False
