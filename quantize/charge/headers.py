"""The text of a page taken apart: the header of a column, and what stands in one cell below it."""

from __future__ import annotations

import contextlib
import math
import re

from quantize._support.errors import InputError
from quantize.charge.units import Unit, kind_of, same_kind, unit

PASSAGES = {"rise_seconds": "up", "fall_seconds": "down"}
"""Columns of times of passages, and which way the sphere went."""

# What each column may be called, in lower case without its unit.
NAMES: dict[str, tuple[str, ...]] = {
    name: tuple(aliases.split(", "))
    for name, aliases in {
        "particle": "particle, sphere, bead, drop, droplet, ball, no, nr, number",
        "state": "state, charge state, chargestate",
        "voltage": "voltage, u, v, volts, volt, plate voltage, balance voltage, potential",
        "divisions": "divisions, division, div, divs, moved, displacement, distance, "
        "divisions moved, division moved, div moved, distance moved, scale divisions",
        "seconds": "seconds, second, time, t, s, sec, interval, duration",
        "fall_seconds": "t fall, tfall, fall time, time of fall, t g, tg",
        "rise_seconds": "t rise, trise, rise time, time of rise, t r, tr",
        "start": "start, begin, from, first, initial, start div, div start, start position",
        "end": "end, stop, finish, to, last, final, end div, div end, end position",
        "position": "position, pos, height, x, y",
        "stage": "stage, stage micrometer, micrometer, true length, stage length",
        "track": "track, passage, clip",
        "polarity": "polarity, plate polarity",
        "direction": "direction, dir, sense, sign, up/down, up or down",
        "repeat": "repeat, rep, repetition, reading",
        "bench": "bench, setup, set-up, station, group",
        "event": "event",
        "changed": "changed within, changed within interval, changed during reading",
        "keep": "keep, kept, use, used, valid",
        "discard": "discard, discarded, reject, rejected, omit, omitted",
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
_LOOKUP |= {
    f"{alias} {count}": name
    for name in ("particle", "state", "track", "repeat")
    for alias in NAMES[name]
    for count in ("no", "nr", "number", "id")
}
_WITH_UNIT = re.compile(r"^(?P<head>.*?)\s*(?:\((?P<a>[^)]*)\)|\[(?P<b>[^\]]*)\])\s*$")
_SLASH = re.compile(r"^(?P<head>[^/]+?)\s*/\s*(?P<unit>[^/]+(?:/[^/]+)?)$")
_IN = re.compile(r"^(?P<head>.+?)(?:\s+in\s+|\s*,\s*)(?P<unit>.+)$", re.IGNORECASE)
# Words that may stand beside a unit, and words for a division.
_BESIDE = {"in", "of", "the", "as", "read", "dc", "small", "scale", "ruler", "eyepiece", "reticle"}
_DIVISIONS = {"square", "squares", "tick", "ticks", "line", "lines", "mark", "marks"}
_PIXELS = {"px", "pixel", "pixels"}  # of print, as units go
# Which way counts as positive: "down", "down +", "- = up"; a hyphen between words is no minus.
_MARK = "positive|negative|plus|minus"
_WAY = re.compile(
    rf"(?:(?P<before>\+|(?<=[(\[,;])\s*-|{_MARK})\s*(?:=|:|is|for)?\s*)?"
    rf"(?:(?P<arrow>[↑↓])|\b(?P<way>up|down)(?:wards?)?\b)"
    rf"(?(before)|(?:\s*(?:=|:|is)?\s*(?P<after>\+|-(?!\s*\w)|{_MARK}))?)",
    re.IGNORECASE,
)
_SIGNED = ("divisions", "start", "end", "position")
_NUMBERED = re.compile(r"^(?P<head>.*?[^\d\s_#.-])[\s_#.-]*(?P<number>\d{1,3})$")
# The time of one reading within the header of its distance: "in 10 s", "/ 10 s", "(10 s)".
_INTERVAL = re.compile(
    r"(?:\b(?:in|per|within|every|each|over|for)\s*|[/,]\s*|(?<=[(\[]))"
    r"(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>s|secs?|seconds?|min|minutes?)\b\.?",
    re.IGNORECASE,
)


class Header:
    """A column header taken apart: canonical name, unit, number of the repeat, seconds, sign.

    The seconds are those of a reading, where the header of its distance gives them; the sign is -1
    where it says that down is positive.
    """

    def __init__(self, text: str) -> None:
        self.text, self.sign = text, 1
        self.name, self.unit, self.number, self.seconds = _timed(text)
        plain = text.replace("−", "-").replace("_", " ")
        ways = [] if self.name == "direction" else list(_WAY.finditer(plain))
        if not ways:
            return
        bare = re.sub(r"(?<=[(\[])[\s,;/]+|[\s,;/]+(?=[)\]])|\(\)|\[\]", "", _WAY.sub("", plain))
        bare = re.sub(r"\(\)|\[\]", "", bare).strip(" ,;/-")
        name, unit, number, seconds = _timed(re.sub(r"^[(\[](.*)[)\]]$", r"\1", bare))
        sign = _sign(text, ways)
        if name in _SIGNED:
            self.name, self.unit, self.number, self.seconds = name, unit, number, seconds
            self.sign = sign or 1
        elif name == "seconds" and sign:
            self.name, self.unit, self.number = _PASSED[sign], unit, number
        elif bare in ("", "or"):
            self.name = "direction" if len(ways) > 1 else None

    def factor(self) -> tuple[float, bool]:
        """Factor onto V, s or divisions, and whether the column is a length, not divisions.

        InputError for a unit that is not understood, or of another kind.
        """
        if self.unit is None or self.name not in UNITS:
            return float(self.sign), False
        wanted = UNITS[self.name]
        found = _read(self.unit, "div" in wanted)
        if found is None:
            plate = self.name == "voltage" and "plate" in self.unit
            rest = "`positive_plate` under [plates]" if plate else "a column of notes"
            raise InputError(
                f"the column {self.text!r} has {self.unit!r} in the place of its unit, which is "
                f"not understood; write {' or '.join(wanted)}, and anything else in {rest}."
            )
        for one in wanted:
            if found.dimensions == unit(one).dimensions:
                return self.sign * found.scale, one == "m"
        kind = kind_of(found.dimensions)
        raise InputError(
            f"the column {self.text!r} has a unit of {kind}; "
            f"{self.name} goes with {' or '.join(wanted)}."
        )


_PASSED = {1 if way == "up" else -1: name for name, way in PASSAGES.items()}


def _sign(text: str, ways: list[re.Match[str]]) -> int:
    """+1 where up counts as positive, -1 where down does, 0 where both are only named."""
    said, named = set(), set()
    for found in ways:
        sign = 1 if found["arrow"] == "↑" or (found["way"] or "").lower() == "up" else -1
        mark = (found["before"] or found["after"] or "").strip().lower()
        named.add(sign)
        if mark:
            said.add(-sign if mark[0] in "-n" or mark == "minus" else sign)
    found_signs = said or named
    if len(said) > 1:
        raise InputError(
            f"the column {text!r} says of up and of down that they are positive; write one of "
            "them, as in 'div (down +)'."
        )
    return found_signs.pop() if len(found_signs) == 1 else 0


def _read(text: str, divisions: bool) -> Unit | None:
    """The unit in a text that may hold words beside it; None where there is none, or a number."""
    text = re.sub("^V(dc|DC)$", "V", re.sub("±.*", "", text))
    words = [word for word in re.split(r"[\s,;]+", text) if word.lower() not in _BESIDE]
    for spelt in (" ".join(words), " ".join(words).lower()):
        if divisions and spelt in _DIVISIONS:
            return unit("div")
        if words and spelt not in _PIXELS and not spelt[0].isdigit():
            with contextlib.suppress(InputError):
                return unit(spelt)
    return None


def _timed(text: str) -> tuple[str | None, str | None, int | None, float | None]:
    """The parts of a header, and the time of a reading where it gives one."""
    name, own, number = _take_apart(text)
    found = _INTERVAL.search(text) if name in (None, "divisions") else None
    if found is not None:
        # Without the time, and without brackets that are empty then.
        left = re.sub(r"\(\s*\)|\[\s*\]", "", text[: found.start()] + text[found.end() :])
        bare = _take_apart(left)
        if bare[0] == "divisions":
            minute = found["unit"].lower().startswith("m")
            return *bare, float(found["number"]) * (60 if minute else 1)
    return name, own, number, None


def _take_apart(text: str) -> tuple[str | None, str | None, int | None]:
    cleaned = " ".join(text.replace("_", " ").replace("№", "no").replace("#", "no").split())
    whole = _LOOKUP.get(cleaned.lower().rstrip(".?:"))
    if whole is not None and cleaned != "T":
        return whole, _UNIT_IN_NAME.get(cleaned.lower()), None
    head, unit = cleaned, None
    if (found := _WITH_UNIT.match(cleaned)) is not None:
        head, unit = found["head"], (found["a"] or found["b"] or "").strip()
    elif (found := _SLASH.match(cleaned) or _IN.match(cleaned)) is not None:
        head, unit = found["head"], found["unit"].strip()
        if (inner := _WITH_UNIT.match(head)) is not None:
            head, unit = inner["head"], f"{inner['a'] or inner['b']}, {unit}"
    number = None
    if _name_of(head, unit) is None and (counted := _NUMBERED.match(head)) is not None:
        head, number = counted["head"], int(counted["number"])
    name = _name_of(head, unit)
    if name is None and unit is None and " " in head:
        first, _, last = head.rpartition(" ")
        name = _name_of(first, last)
        unit = last if name in UNITS and fits(name, last) else None
        name = name if unit else None
    return name, unit if name in UNITS or name is None else None, number


def _name_of(head: str, unit: str | None) -> str | None:
    name = _LOOKUP.get(head.strip().lower().rstrip(".?:"))
    if name == "voltage" and head.strip() == "v" and unit and not fits("voltage", unit):
        return None
    if head.strip() == "T" and not (unit and fits("seconds", unit)):
        return None  # a temperature as likely as not
    bare = f"{head.strip().lower()}_seconds"
    return bare if name is None and unit and bare in PASSAGES and fits(bare, unit) else name


def fits(name: str | None, own: str) -> bool:
    """Whether a unit is of the kind that the column `name` holds."""
    with contextlib.suppress(InputError):
        return any(same_kind(own, wanted) for wanted in UNITS.get(name or "", ()))
    return False


_SIGNS = {"up": 1, "u": 1, "+": 1, "↑": 1, "rise": 1, "rises": 1, "rising": 1, "1": 1, "+1": 1,
          "down": -1, "d": -1, "-": -1, "−": -1, "↓": -1, "fall": -1, "falls": -1,
          "falling": -1, "-1": -1}  # fmt: skip
_YES = {"yes", "y", "true", "1", "keep", "kept", "ok", "x", "good", "✓", "✔", "☑"}
_NO = {"no", "n", "false", "0", "drop", "dropped", "discard", "discarded", "bad"}
_CHANGE = re.compile(r"\b(?:chang|jump)")
_MEANWHILE = re.compile(r"\b(?:within|during|while|midway|in the (?:middle|interval))\b")
_CELL = re.compile(
    r"^(?P<limit>[<>≥≤]=?)?\s*(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<rest>\D*)$"
)
_AS_TYPED = str.maketrans({"−": "-", "–": "-", "\u00a0": "", "½": ".5", "¼": ".25", "¾": ".75"})


def cell_number(
    text: str, *, column: str, row: int, comma: bool, factor: float = 1.0
) -> tuple[float, int, int]:
    """Read one cell: the number, +1/-1 if it is a lower/upper bound, +1/-1 for an arrow or word.

    Blank cells give NaN. A unit in the cell is refused under a header whose unit has a `factor`.
    """
    shown = text.strip().translate(_AS_TYPED)
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
        how = "; write the time in seconds" if ":" in shown else ""
        if re.search(r"±|\+/|\d\(", shown):
            how = "; write the number alone: its error follows from repeats and apparatus"
        elif column in ("divisions", "end"):
            how = "; for a reading off the scale write > and the last division, as in >40"
        raise InputError(f"`{column}` is {text!r} in row {row}, which is not a number{how}.")
    rest = found["rest"].strip().lower()
    if rest in ("+", "-"):
        off_scale = rest == "+" and column in ("divisions", "end")
        beyond = f">{found['number']} where it left the scale, " if off_scale else ""
        raise InputError(
            f"`{column}` is {text!r} in row {row}, with a sign behind the number; write {beyond}"
            f"{rest}{found['number'].lstrip('+-')} where the sign is meant, else the number alone."
        )
    if rest in _SIGNS:
        sign, rest = _SIGNS[rest], ""
    if rest not in ("", "v", "s", "div", "divisions", "sec"):
        united = fits(column, found["rest"].strip())
        where = "its unit into the header" if united else "words into a column of their own"
        raise InputError(f"`{column}` is {text!r} in row {row}; put {where}.")
    if rest and abs(factor) != 1:
        raise InputError(f"`{column}` is {text!r} in row {row}, and its header has another unit.")
    value = float(found["number"])
    if math.isinf(value):
        raise InputError(f"`{column}` is {text[:40]!r} in row {row}, which is too large.")
    limit = {"": 0, ">": 1, "≥": 1, "<": -1, "≤": -1}[(found["limit"] or "")[:1]]
    return value, limit, sign


def direction(text: str, *, row: int, column: str = "direction") -> int:
    """+1 for up, -1 for down, 0 for blank."""
    word = text.strip().lower()
    if word in ("", "nan", "none", "0", "still"):
        return 0
    if word not in _SIGNS:
        raise InputError(f"`{column}` is {text!r} in row {row}; write up or down, or + or -.")
    return _SIGNS[word]


def changed_within(note: str) -> bool:
    """Whether a note says that the charge changed while the reading was timed.

    >>> [changed_within("charge changed" + at) for at in (" within the interval", "")]
    [True, False]
    """
    return all(words.search(note.lower()) for words in (_CHANGE, _MEANWHILE))


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
