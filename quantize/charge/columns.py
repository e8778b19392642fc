"""Headers and cells as students write them."""

from __future__ import annotations

import math
import re

from quantize._support.errors import InputError
from quantize.charge import unit_names

# What each column may be called, in lower case without its unit.
NAMES: dict[str, tuple[str, ...]] = {
    "particle": (
        "particle",
        "sphere",
        "bead",
        "drop",
        "droplet",
        "ball",
        "no",
        "nr",
        "number",
        "particle no",
        "sphere no",
        "bead no",
        "drop no",
        "particle number",
        "drop number",
        "sphere number",
    ),
    "state": ("state", "charge state", "chargestate"),
    "voltage": ("voltage", "u", "v", "volts", "volt", "plate voltage", "potential"),
    "divisions": ("divisions", "division", "div", "divs", "moved", "displacement", "distance"),
    "seconds": ("seconds", "second", "time", "t", "s", "sec", "interval", "duration"),
    "start": ("start", "begin", "from", "first", "start div", "div start"),
    "end": ("end", "stop", "finish", "to", "last", "end div", "div end"),
    "position": ("position", "pos", "height", "x", "y"),
    "track": ("track", "track no", "passage", "clip"),
    "direction": ("direction", "dir", "sense", "sign", "up/down", "up or down"),
    "repeat": ("repeat", "rep", "repetition", "reading", "reading no"),
    "bench": ("bench", "setup", "set-up", "station", "group"),
    "event": ("event",),
    "changed": ("changed within", "changed within interval", "changed during reading"),
    "keep": ("keep", "kept", "use", "used", "valid"),
    "reason": ("reason", "why", "reason discarded"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments"),
    "clock": ("clock", "clock time", "time of day", "when"),
}
UNITS: dict[str, tuple[str, ...]] = {
    "voltage": ("V",),
    "divisions": ("div", "m"),
    "seconds": ("s",),
    "start": ("div", "m"),
    "end": ("div", "m"),
    "position": ("div", "m"),
}
_LOOKUP = {alias: name for name, aliases in NAMES.items() for alias in aliases}
_WITH_UNIT = re.compile(r"^(?P<head>.*?)\s*(?:\((?P<a>[^)]*)\)|\[(?P<b>[^\]]*)\])\s*$")
_SLASH = re.compile(r"^(?P<head>[^/]+?)\s*/\s*(?P<unit>[^/]+(?:/[^/]+)?)$")
_NUMBERED = re.compile(r"^(?P<head>.*?[^\d\s_#.-])[\s_#.-]*(?P<number>\d{1,3})$")
_SIGNS = {"up": 1, "u": 1, "+": 1, "↑": 1, "rise": 1, "rises": 1, "rising": 1, "1": 1, "+1": 1,
          "down": -1, "d": -1, "-": -1, "−": -1, "↓": -1, "fall": -1, "falls": -1,
          "falling": -1, "-1": -1}  # fmt: skip
_YES = {"yes", "y", "true", "1", "keep", "kept", "ok", "x", "good"}
_NO = {"no", "n", "false", "0", "drop", "dropped", "discard", "discarded", "bad"}
_CHANGE = re.compile(r"\b(?:chang|jump)")
_MEANWHILE = re.compile(r"\b(?:within|during|while|midway|in the (?:middle|interval))\b")
_CELL = re.compile(
    r"^(?P<limit>[<>≥≤]=?)?\s*(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<rest>\D*)$"
)


class Header:
    """A column header taken apart: canonical name, unit, number of the repeat."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.name, self.unit, self.number = _take_apart(text)


def _take_apart(text: str) -> tuple[str | None, str | None, int | None]:
    cleaned = " ".join(text.replace("_", " ").replace("№", "no").split())
    whole = _LOOKUP.get(cleaned.lower().rstrip(".?"))
    if whole is not None:
        return whole, _unit_in_name(cleaned), None
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


def _unit_in_name(cleaned: str) -> str | None:
    return {"div": "div", "volts": "V", "seconds": "s"}.get(cleaned.lower())


def _name_of(head: str, unit: str | None) -> str | None:
    name = _LOOKUP.get(head.strip().lower().rstrip(".?"))
    if name == "voltage" and head.strip() == "v" and unit and not _fits("voltage", unit):
        return None
    return name


def _fits(name: str | None, unit: str) -> bool:
    if name not in UNITS:
        return False
    try:
        return any(unit_names.same_kind(unit, wanted) for wanted in UNITS[name])
    except InputError:
        return False


def factor(header: Header) -> tuple[float, bool]:
    """Factor onto V, s or divisions, and whether the column is a length instead of divisions."""
    if header.unit is None or header.name not in UNITS:
        return 1.0, False
    try:
        found = unit_names.unit(header.unit)
    except InputError:
        return 1.0, False
    for wanted in UNITS[header.name]:
        if found.dimensions == unit_names.unit(wanted).dimensions:
            return found.scale, wanted == "m"
    kind = unit_names.kind_of(found.dimensions)
    raise InputError(
        f"the column {header.text!r} has a unit of {kind}; "
        f"{header.name} goes with {' or '.join(UNITS[header.name])}."
    )


def cell_number(text: str, *, column: str, row: int, comma: bool) -> tuple[float, int, int]:
    """Read one cell: the number, +1/-1 if it is a lower/upper bound, +1/-1 for an arrow or word.

    Blank cells give NaN.
    """
    shown = text.strip().replace("−", "-").replace("–", "-").replace("\u00a0", "")
    if shown.lower() in ("", "nan", "na", "n/a", "none", "-", "--", "?"):
        return math.nan, 0, 0
    if column == "voltage" and shown.lower() in ("off", "zero", "earthed"):
        return 0.0, 0, 0
    if "," in shown:
        if not comma:
            raise InputError(
                f"`{column}` is {text!r} in row {row}, with a comma; write a decimal point, or "
                "separate the columns by semicolons."
            )
        shown = shown.replace(",", ".", 1)
    sign = 0
    for mark in ("↑", "↓"):
        if mark in shown:
            sign, shown = _SIGNS[mark], shown.replace(mark, "").strip()
    found = _CELL.match(shown)
    if found is None:
        how = (
            "; for a reading off the scale write > and the last division, as in >40"
            if column in ("divisions", "end")
            else ""
        )
        raise InputError(f"`{column}` is {text!r} in row {row}, which is not a number{how}.")
    rest = found["rest"].strip().lower()
    if rest in _SIGNS:
        sign, rest = _SIGNS[rest], ""
    if rest not in ("", "v", "s", "div", "divisions", "sec"):
        raise InputError(
            f"`{column}` is {text!r} in row {row}; put words into a column of their own."
        )
    value = float(found["number"])
    if math.isinf(value):
        raise InputError(f"`{column}` is {text[:40]!r} in row {row}, which is too large.")
    limit = {"": 0, ">": 1, "≥": 1, "<": -1, "≤": -1}[(found["limit"] or "")[:1]]
    return value, limit, sign


def direction(text: str, *, row: int) -> int:
    """+1 for up, -1 for down, 0 for blank."""
    word = text.strip().lower()
    if word in ("", "nan", "none", "0", "still"):
        return 0
    if word not in _SIGNS:
        raise InputError(f"`direction` is {text!r} in row {row}; write up or down, or + or -.")
    return _SIGNS[word]


def changed_within(note: str) -> bool:
    """Whether a note says that the charge changed while the reading was timed.

    Examples
    --------
    >>> changed_within("charge changed within the interval"), changed_within("charge changed")
    (True, False)
    """
    text = note.lower()
    return _CHANGE.search(text) is not None and _MEANWHILE.search(text) is not None


def kept(text: str, *, row: int, column: str = "keep") -> bool | None:
    """Whether a row counts, or another question answered by yes or no; None for a blank."""
    word = text.strip().lower().removesuffix(".0")
    if word in ("", "nan", "none"):
        return None
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise InputError(f"`{column}` is {text!r} in row {row}; write yes or no.")
