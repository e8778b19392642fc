"""From the bytes of a text file to lines cut into cells: encoding, comments, separators."""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from quantize._support.errors import InputError
from quantize.tables.cells import (
    begins_like_number,
    common_unit,
    has_decimal_comma,
    is_number,
    tidy,
    with_unit,
)

_SAMPLE_ROWS = 1000
_ONE_COLUMN = ""
_SPACE = " "
# In order of preference where two ways of cutting the lines are equally good.
_SEPARATORS = ("\t", ";", ",", _SPACE, _ONE_COLUMN)
_SEPARATOR_NAMES = {"\t": "tabs", ";": "semicolons", ",": "commas", _SPACE: "spaces"}
# Spreadsheets write these for a cell that could not be worked out: damage, not comments.
_CELL_ERRORS = ("#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!")

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
            return text.lstrip("\ufeff")
        break
    raise InputError(
        f"`{source}` is a binary file, not a table; save the readings as csv, tsv, xlsx or parquet."
    )


def rows_of(text: str, source: str, *, headed: bool = False) -> tuple[list[Row], str]:
    """Cut `text` into rows of equal length; also returns the separator found ("" for none).

    Where a line of column names is known to come first (`headed`), rows that end early are filled
    with blanks, unless spaces separate the cells, and blank lines are never missing cells.
    """
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
    _need_short_cells(lines, source)
    if headed:
        lines = [item for item in lines if item[1].strip()]
    marks = [mark for mark in "\t;," if headed and mark in lines[0][1]]
    separator = _separator(lines, source, marks or _SEPARATORS)
    rows = list(_cut(lines, separator, source))
    _check_lengths(rows, separator, source, fill=headed and separator != _SPACE)
    return rows, separator


def is_comment(line: str) -> bool:
    """Whether a line begins with ``#``, no damaged cell, or names the separator (``sep=;``)."""
    start = line.lstrip()
    named = len(start) < 6 and start.lower().startswith("sep=")
    return named or (start.startswith("#") and not start.startswith(_CELL_ERRORS))


def has_header(first: list[str], rest: list[list[str]]) -> bool:
    """Whether the first row names the columns.

    It does when none of its cells is a number, or when it has text above a column of numbers. A
    cell that begins like a number is taken for a reading with a slip in it where it stands alone or
    above numbers, unless another cell there names its column.
    """
    cells = [tidy(cell) for cell in first]
    slips = [begins_like_number(cell) and not re.search(r"\s", cell) for cell in cells]
    if slips == [True]:
        return False
    sample = rest[:_SAMPLE_ROWS]
    read = [
        is_number(cell) or _carries(cell, [row[j] for row in sample])
        for j, cell in enumerate(cells)
    ]
    named = [bool(cell) and not number for cell, number in zip(cells, read, strict=True)]
    if not any(named):
        return False
    above_numbers = [
        bool(rest)
        and (
            all(is_number(tidy(row[j])) for row in sample)
            or common_unit([row[j] for row in sample]) is not None
        )
        for j in range(len(cells))
    ]
    over = [slips[j] for j, text in enumerate(named) if text and above_numbers[j]]
    return not all(over) if over else not any(read)


def _carries(cell: str, below: list[str]) -> bool:
    """Whether a cell is a number with the unit of the cells below it."""
    _, unit = with_unit(cell)
    return unit is not None and unit == common_unit(below)


def _separator(lines: list[tuple[int, str]], source: str, marks: Sequence[str]) -> str:
    """The one of `marks` that cuts all rows alike and leaves the most numbers."""
    head = lines[0][1]
    worded_head = any(head.count(mark) for mark in "\t;,") and not any(
        is_number(tidy(cell)) for cell in re.split("[\t;,]", head)
    )
    scores: dict[str, float] = {}
    ragged: dict[str, float] = {}
    decimal_commas = False
    for separator in marks:
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
                decimal_commas |= any(has_decimal_comma(cell) for row in rows for cell in row.cells)
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
    return max(ragged, key=lambda mark: ragged[mark], default=marks[-1])


def _number_share(rows: list[Row]) -> float:
    body = rows[1:] if len(rows) > 1 and not all(map(is_number, map(tidy, rows[0].cells))) else rows
    cells = [cell for row in body for cell in map(tidy, row.cells) if cell]
    units = Counter(unit for _, unit in map(with_unit, cells) if unit is not None)
    united = sum(hits for hits in units.values() if 2 * hits > len(body))
    return (sum(map(is_number, cells)) + united) / max(len(cells), 1)


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
                f"`{source}` has a quotation mark out of place in line {lines[first][0]}; "
                "a quoted cell must begin and end with one."
            ) from None
        yield Row(lines[first][0], [cell.strip() for cell in cells] or [""])


def _cut_at_spaces(lines: list[tuple[int, str]]) -> Iterator[Row]:
    for number, line in lines:
        cells = _SPACED_CELL.findall(line)
        if cells:
            yield Row(number, [c[1:-1].replace('""', '"') if c[0] == '"' else c for c in cells])


def _need_short_cells(lines: list[tuple[int, str]], source: str) -> None:
    """Raise for a cell that is longer than the reader of text tables takes."""
    most = csv.field_size_limit()
    for number, line in lines:
        if len(line) > most and max(map(len, re.split("[\t;, ]", line))) > most:
            raise InputError(
                f"`{source}` is no table of text (a cell of more than {most} characters in line "
                f"{number}); save the readings as csv, tsv, xlsx or parquet."
            )


def _check_lengths(rows: list[Row], separator: str, source: str, *, fill: bool) -> None:
    """Make all rows as long as the first, or raise."""
    width = len(rows[0].cells)
    for row in rows[1:]:
        # Some programs end every line of numbers with a separator.
        while len(row.cells) > width and not row.cells[-1]:
            row.cells.pop()
        if fill:
            row.cells.extend([""] * (width - len(row.cells)))
        if len(row.cells) != width:
            marks = _SEPARATOR_NAMES.get(separator, "separators")
            above = "; begin what stands above the column names with #" if width == 1 else ""
            also = "; a decimal comma needs columns separated by semicolons" + above if fill else ""
            raise InputError(
                f"`{source}` has {len(row.cells)} fields in line {row.number} and {width} in line "
                f"{rows[0].number}, cut at {marks}; give every row the same number of fields"
                f"{also}."
            )
