"""From the bytes of a text file to lines cut into cells: encoding, comments, separators."""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray

_SAMPLE_ROWS = 1000
_ONE_COLUMN = ""
_SPACE = " "
# In order of preference where two ways of cutting the lines are equally good.
_SEPARATORS = ("\t", ";", ",", _SPACE, _ONE_COLUMN)
_SEPARATOR_NAMES = {"\t": "tabs", ";": "semicolons", ",": "commas", _SPACE: "spaces"}
# Spreadsheets write these for a cell that could not be worked out: damage, not comments.
_CELL_ERRORS = ("#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!")

_POINT_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_PLAIN_COLUMN = re.compile(rf"(?:{_POINT_NUMBER.pattern}\n)+", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
# Not what follows the first number in "1.6x10^-19" and "1.6 e-19": a power of ten.
_UNIT = r"(?![xXeE][+-]?\d)(?:[^\W\d_]|[%°])(?:[^\W_]|[%°/·^*.⁻-]){0,14}"
_WITH_UNIT = re.compile(rf"((?a:{_COMMA_NUMBER.pattern}|{_POINT_NUMBER.pattern}))\s*({_UNIT})")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
_SPACED_CELL = re.compile(r'"(?:[^"]|"")*"|\S+')


class Row(NamedTuple):
    """The number of one row in the file, counted from 1, and its cells."""

    number: int
    cells: list[str]


def decode(data: bytes, source: str) -> str:
    """Text in UTF-8, in UTF-16, or failing these in Latin-1; anything else is refused."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings = ["utf-16"]
    elif data[1:200:2].count(0) > 50 or (len(data) < 200 and 0 in data[1:8:2]):
        encodings = ["utf-16-le"]
    else:
        encodings = ["utf-8-sig", "latin-1"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if not re.search(r"[\x00-\x08\x0e-\x1f]", text):
            return text
        break
    raise InputError(
        f"`{source}` is a binary file, not a table; save the readings as csv, tsv, xlsx or parquet."
    )


def rows_of(text: str, source: str) -> tuple[list[Row], str]:
    """Cut `text` into rows of equal length; also returns the separator found ("" for none)."""
    lines = [
        (number, line)
        for number, line in enumerate(re.split(r"\r\n|\n|\r", text), start=1)
        if not is_comment(line)
    ]
    while lines and not lines[-1][1].strip():
        lines.pop()
    lines = list(itertools.dropwhile(lambda item: not item[1].strip(), lines))
    if not lines:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    separator = _separator(lines, source)
    rows = list(_cut(lines, separator, source))
    _check_lengths(rows, separator, source)
    return rows, separator


def is_comment(line: str) -> bool:
    """Whether a line begins with ``#`` and is not a damaged spreadsheet cell."""
    start = line.lstrip()
    return start.startswith("#") and not start.startswith(_CELL_ERRORS)


def tidy(cell: str) -> str:
    """A cell without spaces around it and with the typographic minus sign made plain."""
    return cell.strip().replace("\N{MINUS SIGN}", "-")


def one_line(text: str) -> str:
    """Text for a message: control characters out, every run of spaces one."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def place(name: str) -> str:
    """How a message calls a column, with or without a name of its own."""
    return name if re.fullmatch(r"column \d+", name) else f"column {name}"


def is_number(cell: str) -> bool:
    """Whether a tidy cell reads as a number, with a decimal point or a decimal comma."""
    return bool(
        _POINT_NUMBER.fullmatch(cell)
        or _COMMA_NUMBER.fullmatch(cell)
        or _NOT_FINITE.fullmatch(cell)
    )


def to_number(cell: str, decimal: str) -> float | None:
    """The number in a cell, or None where it is text."""
    cell = tidy(cell)
    if decimal == "," and _COMMA_NUMBER.fullmatch(cell):
        return float(cell.replace(",", "."))
    if _POINT_NUMBER.fullmatch(cell) or _NOT_FINITE.fullmatch(cell):
        return float(cell)
    return None


def with_unit(cell: str) -> tuple[str, str | None]:
    """A cell as the text of its number and the unit behind it: ``1.6e-19 C``; else with None."""
    found = _WITH_UNIT.fullmatch(tidy(cell))
    return (cell, None) if found is None else (found[1], found[2])


def common_unit(cells: list[str]) -> str | None:
    """The unit that more than half of the cells carry behind a number."""
    units = Counter(unit for _, unit in map(with_unit, cells) if unit is not None)
    unit, hits = max(units.items(), key=lambda item: item[1], default=(None, 0))
    return unit if 2 * hits > len(cells) else None


def plain_numbers(cells: list[str]) -> FloatArray | None:
    """A whole column at once, or None unless every cell is a number with a decimal point."""
    joined = "\n".join([*cells, ""])
    # A quoted cell may hold line ends of its own.
    if joined.count("\n") != len(cells) or not _PLAIN_COLUMN.fullmatch(joined):
        return None
    return np.fromiter(map(float, cells), dtype=np.float64, count=len(cells))


def decimal_mark(columns: Iterable[tuple[str, Iterable[str]]], separator: str, source: str) -> str:
    """The decimal mark of a table ("." or ","), from its columns of numbers.

    A table that has both, or whose commas may as well mark thousands, is refused.
    """
    columns = [(name, list(cells)) for name, cells in columns]
    if not any("," in cell for _, cells in columns for cell in cells):
        return "."
    comma = point = None
    only_thousands = True
    for name, cells in columns:
        for cell in map(tidy, cells):
            if _COMMA_NUMBER.fullmatch(cell) or _THOUSANDS.fullmatch(cell):
                comma = comma or (name, cell)
                only_thousands = only_thousands and bool(_THOUSANDS.fullmatch(cell))
            elif "." in cell and _POINT_NUMBER.fullmatch(cell):
                point = point or (name, cell)
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


def printed_exponent(cells: Iterable[str]) -> int:
    """The power of ten of the finest printed digit: -2 for 4.90, 0 for 500, -21 for 1.60e-19."""
    return min(_last_digit(cell.strip()) for cell in cells)


def _last_digit(cell: str) -> int:
    mantissa, _, exponent = cell.lower().partition("e")
    point = max(mantissa.find("."), mantissa.find(","))
    return int(exponent or 0) - (len(mantissa) - 1 - point if point >= 0 else 0)


def has_header(first: list[str], rest: list[list[str]]) -> bool:
    """Whether the first row names the columns.

    It does when none of its cells is a number, or when it has text above a column of numbers. A
    lone cell that begins like a number is taken for a reading with a slip in it.
    """
    cells = [tidy(cell) for cell in first]
    if len(cells) == 1 and re.fullmatch(r"[+-]?[.,]?\d\S*", cells[0]):
        return False
    sample = rest[:_SAMPLE_ROWS]
    read = [
        is_number(cell) or _carries(cell, [row[j] for row in sample])
        for j, cell in enumerate(cells)
    ]
    named = [bool(cell) and not number for cell, number in zip(cells, read, strict=True)]
    if not any(named):
        return False
    if not any(read):
        return True
    return any(
        text
        and rest
        and (
            all(is_number(tidy(row[j])) for row in sample)
            or common_unit([row[j] for row in sample]) is not None
        )
        for j, text in enumerate(named)
    )


def _carries(cell: str, below: list[str]) -> bool:
    """Whether a cell is a number with the unit of the cells below it."""
    _, unit = with_unit(cell)
    return unit is not None and unit == common_unit(below)


def _separator(lines: list[tuple[int, str]], source: str) -> str:
    head = lines[0][1]
    worded_head = any(head.count(mark) for mark in "\t;,") and not any(
        is_number(tidy(cell)) for cell in re.split("[\t;,]", head)
    )
    scores: dict[str, float] = {}
    ragged: dict[str, float] = {}
    decimal_commas = False
    for separator in _SEPARATORS:
        try:
            rows = list(itertools.islice(_cut(lines, separator, source), _SAMPLE_ROWS))
        except InputError:
            continue
        widths = Counter(len(row.cells) for row in rows)
        if separator == _ONE_COLUMN and worded_head:
            continue
        if separator == _ONE_COLUMN or (len(widths) == 1 and 1 not in widths):
            share = _number_share(rows)
            if separator in (_SPACE, _ONE_COLUMN) and share == scores.get(","):
                cells = (with_unit(cell)[0] for row in rows for cell in row.cells)
                decimal_commas |= any(_COMMA_NUMBER.fullmatch(cell) for cell in cells)
            scores[separator] = share
        elif len(widths) > 1:
            wide = max(widths, key=lambda width: (width > 1) * widths[width])
            ragged[separator] = widths[wide] / len(rows)
    best = max(scores, key=lambda mark: scores[mark], default=None)
    if best == "," and decimal_commas:
        raise InputError(
            f"`{source}` has commas that may separate columns or mark decimals; give it "
            "a line of column names, or write the numbers with a decimal point."
        )
    if best == _ONE_COLUMN and scores[best] <= 0.5 and any(ragged.get(m, 0) > 0.5 for m in ragged):
        best = None
    if best is not None:
        return best
    return max(ragged, key=lambda mark: ragged[mark], default=_ONE_COLUMN)


def _number_share(rows: list[Row]) -> float:
    body = rows[1:] if len(rows) > 1 and not _all_numbers(rows[0]) else rows
    cells = [cell for row in body for cell in map(tidy, row.cells) if cell]
    units = Counter(unit for _, unit in map(with_unit, cells) if unit is not None)
    united = sum(hits for hits in units.values() if 2 * hits > len(body))
    return (sum(map(is_number, cells)) + united) / max(len(cells), 1)


def _all_numbers(row: Row) -> bool:
    return all(is_number(cell) for cell in map(tidy, row.cells))


def _cut(lines: list[tuple[int, str]], separator: str, source: str) -> Iterator[Row]:
    if separator == _SPACE:
        yield from _cut_at_spaces(lines)
        return
    if separator != _ONE_COLUMN:
        lines = [item for item in lines if item[1].strip()]
    # A separator that cannot occur leaves each line whole and still takes off the quotes.
    mark = separator or "\N{INFORMATION SEPARATOR ONE}"
    reader = csv.reader(
        (line + "\n" for _, line in lines), delimiter=mark, skipinitialspace=True, strict=True
    )
    while True:
        first = reader.line_num
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            raise InputError(
                f"`{source}` has a quotation mark out of place in row {lines[first][0]}; "
                "a quoted cell must begin and end with one."
            ) from None
        yield Row(lines[first][0], [cell.strip() for cell in cells] or [""])


def _cut_at_spaces(lines: list[tuple[int, str]]) -> Iterator[Row]:
    for number, line in lines:
        cells = _SPACED_CELL.findall(line)
        if cells:
            yield Row(number, [c[1:-1].replace('""', '"') if c[0] == '"' else c for c in cells])


def _check_lengths(rows: list[Row], separator: str, source: str) -> None:
    width = len(rows[0].cells)
    for row in rows[1:]:
        # Some programs end every line of numbers with a separator.
        while len(row.cells) > width and not row.cells[-1]:
            row.cells.pop()
        if len(row.cells) != width:
            marks = _SEPARATOR_NAMES.get(separator, "separators")
            raise InputError(
                f"`{source}` has {len(row.cells)} fields in row {row.number} and {width} in row "
                f"{rows[0].number}, cut at {marks}; give every row the same number of fields."
            )
