"""What stands in one cell of a page: a number, a direction, a yes or a no."""

from __future__ import annotations

import math
import re

from quantize._support.errors import InputError
from quantize.charge.headers import fits

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
