"""What the cells of a table hold: numbers, numbers with a unit, or text."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, one_line
from quantize._support.validation import FloatArray

EXACT = 2.0**53
"""Up to here every whole number is a float."""
SUMMARIES = {
    *("mean", "average", "avg", "median", "sum", "total", "sd", "std", "stdev", "std dev"),
    *("standard deviation", "standard error", "sem"),
}
"""What stands beside a number that was reckoned from those above it."""

# No part is tried twice, so that a cell of many digits takes no longer than it is.
_POINT_NUMBER = re.compile(r"[+-]?+(?:\d++(?:\.\d*+)?+|\.\d++)(?:[eE][+-]?\d{1,9}+)?", re.ASCII)
_PLAIN_COLUMN = re.compile(rf"(?:{_POINT_NUMBER.pattern}\n)++", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+-]?\d++,\d++(?:[eE][+-]?\d{1,9}+)?", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
# Not what follows the first number in "1.6x10^-19", "1.6 e-19" and "1.6D-19": a power of ten.
_UNIT = r"(?![xXeEdD][+-]?\d)(?:[^\W\d_]|[%°])(?:[^\W_]|[%°/·^*.⁻-]){0,14}"
_WITH_UNIT = re.compile(rf"((?a:{_COMMA_NUMBER.pattern}|{_POINT_NUMBER.pattern}))\s*({_UNIT})")
_NAMED_UNIT = re.compile(r"(.*\S)\s*\[\s*([^\[\]]{0,23}[^\[\]\s])\s*\]\s*")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)


# ---- one cell -------------------------------------------------------------------------------


def named_unit(name: str) -> tuple[str, str | None]:
    """A column name and the unit in square brackets behind it: "charge [1e-19 C]"."""
    found = _NAMED_UNIT.fullmatch(name)
    return (name, None) if found is None else (found[1], found[2])


def tidy(cell: str) -> str:
    """A cell without spaces around it and with the typographic minus sign made plain."""
    return cell.strip().replace("\N{MINUS SIGN}", "-")


def is_number(cell: str) -> bool:
    """Whether a tidy cell reads as a number, with a decimal point or a decimal comma."""
    return bool(
        _POINT_NUMBER.fullmatch(cell)
        or _COMMA_NUMBER.fullmatch(cell)
        or _NOT_FINITE.fullmatch(cell)
    )


def has_decimal_comma(cell: str) -> bool:
    """Whether a cell is a number with a decimal comma, with or without a unit behind it."""
    return _COMMA_NUMBER.fullmatch(with_unit(cell)[0]) is not None


def begins_like_number(cell: str) -> bool:
    """Whether text may be meant for a number: "1.6x10^-19", "~3.1"."""
    return re.match(r"[^\w\s]{0,3}\d", tidy(cell)) is not None


def with_unit(cell: str) -> tuple[str, str | None]:
    """A cell as the text of its number and the unit behind it: ``1.6e-19 C``; else with None."""
    found = _WITH_UNIT.fullmatch(tidy(cell))
    return (cell, None) if found is None else (found[1], found[2])


def number(cell: Any, decimal: str, unit: str | None = None) -> float | None:
    """The number in a cell, or None where it is text or does not carry the unit."""
    amount, own = (cell, None) if unit is None else with_unit(str(cell))
    if own != unit:
        return None
    if isinstance(amount, str):
        amount = tidy(amount)
        if decimal == "," and _COMMA_NUMBER.fullmatch(amount):
            return float(amount.replace(",", "."))
        if _POINT_NUMBER.fullmatch(amount) or _NOT_FINITE.fullmatch(amount):
            return float(amount)
        return None
    plain_number = isinstance(amount, (int, float)) and not isinstance(amount, bool)
    return float(amount) if plain_number else None


def is_blank(cell: Any) -> bool:
    """Whether nothing stands in a cell; NaN is a number that went wrong."""
    return cell == "" if isinstance(cell, (str, float)) else validation.is_blank(cell)


def fault(cell: Any, value: float | None, unit: str | None, numeric: bool) -> str:
    """What is wrong with a cell of a column of numbers, or of one that is none."""
    shown = one_line(str(cell))[:40]
    if is_blank(cell):
        return "a blank"
    if value is not None:
        return "NaN" if np.isnan(value) else "an infinity"
    amount, own = with_unit(str(cell))
    if unit is not None and is_number(amount):
        return f"{shown!r}, not in {unit} like most cells,"
    if own is not None and not numeric:
        return f"{shown!r}, with a unit that most cells do not have,"
    return f"the text {shown!r}"


# ---- one column -----------------------------------------------------------------------------


def plain_numbers(column: Sequence[Any]) -> FloatArray | None:
    """A column of floats, or of text that is numbers with a decimal point throughout; else None."""
    dtype = getattr(column, "dtype", None)
    if isinstance(dtype, np.dtype) and dtype.kind == "f":
        return np.asarray(column, dtype=np.float64)
    if not all(isinstance(cell, str) for cell in column):
        return None
    joined = "\n".join([*column, ""])
    # A quoted cell may hold line ends of its own.
    if joined.count("\n") != len(column) or not _PLAIN_COLUMN.fullmatch(joined):
        return None
    return np.fromiter(map(float, column), dtype=np.float64, count=len(column))


def mostly_numbers(column: Iterable[Any]) -> bool:
    """Whether more than half of the cells that are not blank are numbers."""
    filled = [cell for cell in column if not is_blank(cell)]
    hits = sum(
        is_number(tidy(cell)) if isinstance(cell, str) else number(cell, ".") is not None
        for cell in filled
    )
    return 2 * hits > len(filled)


def common_unit(column: Iterable[Any]) -> str | None:
    """The unit behind more than half of the cells, blank ones included, as in "1.6e-19 C"."""
    texts = [str(cell) for cell in column]
    units = Counter(unit for _, unit in map(with_unit, texts) if unit is not None)
    unit, hits = max(units.items(), key=lambda item: item[1], default=(None, 0))
    return unit if 2 * hits > len(texts) else None


def without_unit(column: Sequence[Any], unit: str | None) -> Sequence[Any]:
    """The cells, those that carry the unit without it."""
    if unit is None:
        return column
    parts = [with_unit(str(cell)) for cell in column]
    return [
        amount if own == unit else cell for cell, (amount, own) in zip(column, parts, strict=True)
    ]


def counts_rows(values: FloatArray, group: Any = None) -> bool:
    """Whether numbers only count the rows, from 0 or from 1: all rows, or those of each group."""
    parts = [values]
    if group is not None and not _counts(values):
        _, codes = np.unique([str(label) for label in group], return_inverse=True)
        order = np.argsort(codes, kind="stable")
        parts = np.split(values[order], np.cumsum(np.bincount(codes))[:-1])
    return all(map(_counts, parts)) and any(part.size > 1 for part in parts)


def _counts(values: FloatArray) -> bool:
    return bool(values[0] in (0.0, 1.0) and (np.diff(values) == 1).all())


# ---- one table ------------------------------------------------------------------------------


def decimal_mark(columns: Iterable[tuple[str, Sequence[str]]], separator: str, source: str) -> str:
    """The decimal mark of a table ("." or ","), from the text in its columns of numbers.

    A table that has both, or whose commas may as well mark thousands, is refused.
    """
    columns = list(columns)
    if not any("," in cell for _, cells in columns for cell in cells):
        return "."
    comma = point = None
    only_thousands = True
    for name, cells in columns:
        for cell in map(tidy, cells):
            if _COMMA_NUMBER.fullmatch(cell) or _THOUSANDS.fullmatch(cell):
                comma = comma or (name, cell[:40])
                only_thousands = only_thousands and bool(_THOUSANDS.fullmatch(cell))
            elif "." in cell and _POINT_NUMBER.fullmatch(cell):
                point = point or (name, cell[:40])
    if comma is None:
        return "."
    if point is not None:
        raise InputError(
            f"`{source}` has numbers with a comma ({comma[1]} in {place(comma[0])}) and with a "
            f"point ({point[1]} in {place(point[0])}); write all of them with one decimal mark."
        )
    if only_thousands and separator != ";":
        raise InputError(
            f"`{source}` has {comma[1]} in {place(comma[0])}, where the comma may mark decimals or "
            "thousands; write the numbers with a decimal point and nothing between thousands."
        )
    return ","


def place(name: object) -> str:
    """How a message calls a column, with or without a name of its own."""
    return str(name) if re.fullmatch(r"column \d+", str(name)) else f"column {name}"
