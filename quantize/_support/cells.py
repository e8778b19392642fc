"""What the cells of one column hold: numbers, numbers with a unit, or text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from quantize._support import textfile
from quantize._support.validation import FloatArray

_MOST_PRINTED_DIGITS = 8


def plain(column: list[Any]) -> FloatArray | None:
    """A whole column of text at once, or None unless every cell is a plain number."""
    if all(isinstance(cell, str) for cell in column):
        return textfile.plain_numbers(column)
    return None


def number(cell: Any, decimal: str, unit: str | None = None) -> float | None:
    """The number in a cell, or None where it is text or does not carry the unit."""
    amount, own = (cell, None) if unit is None else textfile.with_unit(str(cell))
    if own != unit:
        return None
    if isinstance(amount, str):
        return textfile.to_number(amount, decimal)
    plain_number = isinstance(amount, (int, float)) and not isinstance(amount, bool)
    return float(amount) if plain_number else None


def mostly_numbers(column: Iterable[Any]) -> bool:
    """Whether more than half of the cells that are not blank are numbers."""
    filled = [cell for cell in column if cell is not None and cell != ""]
    hits = sum(
        textfile.is_number(textfile.tidy(cell))
        if isinstance(cell, str)
        else number(cell, ".") is not None
        for cell in filled
    )
    return 2 * hits > len(filled)


def unit_of(column: Iterable[Any]) -> str | None:
    """The unit that more than half of the cells carry, blank ones apart, as in "1.6e-19 C"."""
    return textfile.common_unit([str(cell) for cell in column if cell is not None and cell != ""])


def without_unit(column: Sequence[Any], unit: str | None) -> Sequence[Any]:
    """The cells, those that carry the unit without it."""
    if unit is None:
        return column
    parts = [textfile.with_unit(str(cell)) for cell in column]
    return [
        amount if own == unit else cell for cell, (amount, own) in zip(column, parts, strict=True)
    ]


def printed_step(column: Sequence[Any], values: FloatArray) -> float | None:
    """The finest printed decimal of a column of text, or None in full machine precision."""
    if not (np.isfinite(values).all() and all(isinstance(cell, str) for cell in column)):
        return None
    finest = textfile.printed_exponent(column)
    largest = float(np.abs(values).max())
    if largest > 0 and np.floor(np.log10(largest)) - finest + 1 > _MOST_PRINTED_DIGITS:
        return None
    step = float(f"1e{finest}")
    return step if 0 < step < np.inf else None


def fault(cell: Any, value: float | None, unit: str | None, numeric: bool) -> str:
    """What is wrong with a cell of a column of numbers, or of one that is none."""
    shown = textfile.one_line(str(cell))[:40]
    if cell is None or cell == "":
        return "a blank"
    if value is not None:
        return "NaN" if np.isnan(value) else "an infinity"
    amount, own = textfile.with_unit(str(cell))
    if unit is not None and textfile.is_number(amount):
        return f"{shown!r}, not in {unit} like most cells,"
    if own is not None and not numeric:
        return f"{shown!r}, with a unit that most cells do not have,"
    return f"the text {shown!r}"


def begins_like_number(cell: str) -> bool:
    """Whether text may be meant for a number: "1.6x10^-19"."""
    return re.match(r"[+-]?[.,]?\d", textfile.tidy(cell)) is not None


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
