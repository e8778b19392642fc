"""From a file of any kind to a table: text, xlsx workbooks, parquet, with limits on their size."""

from __future__ import annotations

import io
import os
import re
import select
import stat
import sys
import zipfile
from collections import Counter
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from quantize._support.errors import InputError, InputTypeError, listed, missing, one_line, warn
from quantize.tables import text
from quantize.tables.cells import EXACT, is_blank, place
from quantize.tables.table import Table

_OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0"
_PACKED = (b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf", b"Rar!")

MOST_BYTES = 256 * 2**20
"""Largest text file, and largest unpacked size of an xlsx or parquet file, that is read."""

MOST_CELLS = 20_000_000
"""Largest number of cells in a parquet file."""

MOST_TEXT = 128 * 2**20
"""Largest text file: its characters are kept several times over."""

MOST_TEXT_CELLS = 4_000_000
"""Largest number of cells in a text file or a workbook, where each is an object of its own."""

_PIECE = 2**22
_SHEET_ROWS = 2**20
MOST_COLUMNS = 2**14
"""Rows and columns that a sheet can have; no table of readings has more columns."""
_PATIENCE = 5.0
"""Seconds that a pipe may wait for somebody who writes into it."""


def read(path: str | os.PathLike[str], *, headed: bool = False) -> Table:
    """The table in a file; its content, not its name, says what kind it is.

    Where a line of column names is known to come first (`headed`), it is kept as it is written, and
    there may be no rows below it.

    `InputError` for a file that is absent, a folder, empty, binary, too large, or not a regular
    table.
    """
    source, data = _bytes(path)
    if data[:4] == b"PAR1":
        names, columns = _parquet_columns(data, source)
        rows = range(1, len(columns[0]) + 1)
        return Table(names=list(map(one_line, names)), columns=columns, rows=rows, file=source)
    if data[:4] == b"PK\x03\x04":
        return _table(_workbook_rows(data, source), "", source, headed)
    _refuse_other_kinds(data, source)
    marks = max(map(data.count, (b"\t", b";", b",", b" ")))
    if len(data) > MOST_TEXT or max(map(data.count, (b"\n", b"\r"))) + marks > MOST_TEXT_CELLS:
        raise _too_large(source, MOST_TEXT, MOST_TEXT_CELLS)
    lines, separator = text.rows_of(text.decode(data, source), source, headed=headed)
    return _table(lines, separator, source, headed)


def _refuse_other_kinds(data: bytes, source: str) -> None:
    """Raise for what is known to be no text."""
    if data.startswith(_OLD_SPREADSHEET):
        raise InputError(f"`{source}` is a spreadsheet of the old kind; save it as xlsx or csv.")
    if data.startswith(_PACKED):
        raise InputError(f"`{source}` is a compressed file; unpack it and give the table inside.")
    if data.lstrip()[:1] in (b"{", b"[") and (other := _other_text(data)):
        raise InputError(
            f"`{source}` is {other}, not a table; give the readings as csv, tsv, xlsx or parquet, "
            "one row for each."
        )
    if Path(source).suffix.lower() in (".xlsx", ".parquet") and data.strip():
        kind = Path(source).suffix.lower().lstrip(".")
        raise InputError(
            f"`{source}` is not the {kind} file that its name says; save it again as {kind} or csv."
        )


def _other_text(data: bytes) -> str | None:
    """What a text is that begins with a bracket: of these two kinds, or none of them."""
    import json
    import tomllib

    try:
        content = json.loads(data)
    except (ValueError, RecursionError):
        content = None
    if isinstance(content, (dict, list)):
        of_ours = isinstance(content, dict) and str(content.get("schema", "")).startswith(
            "quantize"
        )
        return f"JSON{' that this program wrote' * of_ours}"
    try:
        tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    return "TOML, as an apparatus file is"


def _bytes(path: str | os.PathLike[str]) -> tuple[str, bytes]:
    """What messages call the file, and its content."""
    if str(path) == "-":
        return "standard input", _all_of(sys.stdin.buffer, "standard input")
    try:
        file = Path(path).expanduser()
    except RuntimeError:
        raise InputError(
            f"`{one_line(str(path))}` names the home of a user who is not known here; give the "
            "whole path."
        ) from None
    except TypeError:
        raise InputTypeError(
            f"`path` is a {type(path).__name__}; give the name of a csv, tsv, xlsx or parquet file."
        ) from None
    source = one_line(str(path))
    try:
        if file.is_dir():
            raise InputError(f"`{source}` is a folder; give the name of a file in it.")
        with open(file, "rb", opener=_opened) as stream:
            return source, _all_of(stream, source)
    except FileNotFoundError:
        raise InputError(
            f"`{source}` does not exist; check the name and the folder it is in."
        ) from None
    except InputError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(
            f"`{source}` cannot be read ({reason}); check its name and permissions."
        ) from None


def _all_of(stream: BinaryIO, source: str) -> bytes:
    parts, size = [], 0
    # To ask for all at once would take the memory of the largest file that is read.
    while part := stream.read(_PIECE):
        parts.append(part)
        size += len(part)
        if size > MOST_BYTES:
            raise _too_large(source)
    if not size:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    return b"".join(parts)


def _opened(path: str, flags: int) -> int:
    """A file that is opened; a pipe only when somebody writes into it before long."""
    if not stat.S_ISFIFO(os.stat(path).st_mode):
        return os.open(path, flags)
    number = os.open(path, flags | os.O_NONBLOCK)
    if not select.select([number], [], [], _PATIENCE)[0]:
        os.close(number)
        raise TimeoutError(None, f"a pipe into which nobody wrote for {_PATIENCE:g} s")
    os.set_blocking(number, True)
    return number


def _table(
    rows: Sequence[tuple[int, list[Any]]], separator: str, source: str, headed: bool
) -> Table:
    """The rows as columns, under the names in the first of them or standard ones."""
    _need_few_columns(len(rows[0][1]), source)
    first = ["" if cell is None else str(cell) for cell in rows[0][1]]
    names = [f"column {j + 1}" for j in range(len(first))]
    sample = [["" if c is None else str(c) for c in row] for _, row in rows[1:1001]]
    if headed or text.has_header(first, sample):
        given = list(map(one_line, first))
        names = given if headed else [own or name for own, name in zip(given, names, strict=True)]
        rows = rows[1:]
    while rows and all(map(is_blank, rows[-1][1])):
        rows = rows[:-1]
    if not rows and not headed:
        raise InputError(
            f"`{source}` has column names ({listed(names)}) and no rows below them; "
            "it must hold at least one reading."
        )
    columns = [[row[j] for _, row in rows] for j in range(len(names))]
    numbers = [number for number, _ in rows]
    table = Table(names=names, columns=columns, rows=numbers, file=source, separator=separator)
    if not headed:
        _ = table.decimal  # an unclear one is refused, whichever column is wanted
    return table


def _need_few_columns(columns: int, source: str) -> None:
    if columns > MOST_COLUMNS:
        raise InputError(
            f"`{source}` has {columns:,} columns, more than the {MOST_COLUMNS:,} that are read; "
            "write one reading a row."
        )


def _too_large(source: str, size: int | None = None, cells: int | None = None) -> InputError:
    """The error for a file that would not fit."""
    size, cells = size or MOST_BYTES, cells or MOST_CELLS
    return InputError(
        f"`{source}` is too large to read (over {size // 2**20} MB, or {cells / 10**6:g} million "
        "cells, unpacked); split it, keep fewer columns, or save numbers as parquet."
    )


def _workbook_rows(data: bytes, source: str) -> list[tuple[int, list[Any]]]:
    """Row numbers and cells of the first visible sheet that is not empty, all rows equally long.

    Cells are floats, text, or None where blank.
    """
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > MOST_BYTES:
                raise _too_large(source)
            hidden = _hidden_rows(archive)
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        sheets = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"]
        found = ((sheet, _sheet_rows(sheet, source)) for sheet in sheets)
        sheet, rows = next((pair for pair in found if pair[1]), (None, []))
    except InputError:
        raise
    except Exception:  # a damaged workbook fails in as many ways as it has parts
        raise InputError(
            f"`{source}` is not a workbook that can be read; save it again as xlsx, or as csv."
        ) from None
    if not rows:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    width = max(len(row) for _, row in rows)
    if width * len(rows) > MOST_TEXT_CELLS:
        raise _too_large(source, cells=MOST_TEXT_CELLS)
    read = {number for number, _ in rows} & hidden.get(_part_of(sheet), set())
    if read:
        many = "a row" if len(read) == 1 else f"{len(read)} rows"
        warn(
            f"`{source}` has {many} hidden in the workbook, as by a filter, row {min(read)} first; "
            "what is hidden is read like all the rest."
        )
    return [(number, row + [None] * (width - len(row))) for number, row in rows]


def _sheet_rows(sheet: Any, source: str) -> list[tuple[int, list[Any]]]:
    # The stated size of a sheet may be anything; only the cells themselves count.
    sheet.reset_dimensions()
    rows: list[tuple[int, list[Any]]] = []
    total = 0
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        cells = [_tidy_cell(cell) for cell in row]
        while cells and cells[-1] is None:
            cells.pop()
        total += max(len(row), 1)
        if total > MOST_TEXT_CELLS or number > _SHEET_ROWS:
            raise _too_large(source, cells=MOST_TEXT_CELLS)
        note = bool(cells) and isinstance(cells[0], str) and text.is_comment(cells[0])
        if not note and (cells or rows):
            rows.append((number, cells))
    while rows and not rows[-1][1]:
        rows.pop()
    return rows


def _hidden_rows(archive: zipfile.ZipFile) -> dict[str, set[int]]:
    """The numbers of hidden rows in each part of a workbook that is a sheet."""
    row = re.compile(rb"<row\b[^>]*>")
    out: dict[str, set[int]] = {}
    for name in archive.namelist():
        if name.startswith("xl/worksheets/"):
            marks = (tag for tag in row.findall(archive.read(name)) if b"hidden=" in tag)
            gone = (tag for tag in marks if re.search(rb'\bhidden="(?:1|true)"', tag))
            numbers = (re.search(rb'\br="(\d{1,9})"', tag) for tag in gone)
            out[name] = {int(number[1]) for number in numbers if number}
    return out


def _part_of(sheet: Any) -> str:
    return str(getattr(sheet, "_worksheet_path", "")).lstrip("/")


def _tidy_cell(cell: Any) -> Any:
    if isinstance(cell, str):
        return cell.strip() or None
    if isinstance(cell, bool) or not isinstance(cell, (int, float)):
        return None if cell is None else str(cell)
    return float(cell)


def _parquet_columns(data: bytes, source: str) -> tuple[list[str], list[Any]]:
    """Names and columns of a parquet file: float arrays where the type is a number's."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise missing("Reading parquet files", "pyarrow") from None
    try:
        schema = pq.read_schema(pa.BufferReader(data))
        # Repeated text stays a dictionary: as long as the file, whatever it unpacks to.
        text_columns = [f.name for f in schema if pa.types.is_string(f.type)]
        file = pq.ParquetFile(pa.BufferReader(data), read_dictionary=text_columns)
        _refuse_parquet(file, source)
        content = file.read()
        # pandas stores an unnamed index as a column of this name.
        kept = [name for name in content.column_names if not name.startswith("__index_level_")]
        # Text that is no UTF-8 shows only now.
        columns = [_parquet_column(content[name], source) for name in kept]
    except InputError:
        raise
    except (pa.ArrowException, OSError, ValueError):
        raise InputError(
            f"`{source}` is not a parquet file that can be read; write it again, or save it as csv."
        ) from None
    if content.num_rows == 0 or not kept:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    return [name.strip() for name in kept], columns


def _refuse_parquet(file: Any, source: str) -> None:
    """Raise for what is no table of single cells, or would not fit, before it is unpacked."""
    import pyarrow as pa

    schema, meta = file.schema_arrow, file.metadata
    twice = [name for name, count in Counter(schema.names).items() if count > 1]
    if twice:
        raise InputError(
            f"`{source}` has {Counter(schema.names)[twice[0]]} columns of the name "
            f"{one_line(twice[0])[:40]!r}; give each its own."
        )
    for field in schema:
        if pa.types.is_nested(field.type) and not pa.types.is_dictionary(field.type):
            raise InputError(
                f"`{source}` has more than one value a cell in {place(field.name)} "
                f"({one_line(str(field.type))[:40]}); write one value in each, or leave the "
                "column out."
            )
    _need_few_columns(len(schema), source)
    groups = [meta.row_group(i) for i in range(meta.num_row_groups)]
    size = sum(group.total_byte_size for group in groups)
    if size > MOST_BYTES or meta.num_rows * meta.num_columns > MOST_CELLS:
        raise _too_large(source)
    for i in range(len(groups)):
        # pyarrow ends the process when it is asked what a damaged file says of a column; when it
        # reads the first row, the same is an error.
        next(file.iter_batches(1, row_groups=[i]), None)
    values = sum(group.column(j).num_values for group in groups for j in range(group.num_columns))
    if values > MOST_CELLS:
        raise _too_large(source)


def _parquet_column(column: Any, source: str) -> Any:
    """Cells of a column: floats, text and others, whole numbers that no float holds as text."""
    import pyarrow as pa

    kind = column.type
    if pa.types.is_dictionary(kind):
        parts, total = [np.empty(0, dtype=object)], 0
        for part in column.chunks:
            words = np.append(_cells(part.dictionary), [None])
            which = part.indices.fill_null(words.size - 1).to_numpy(zero_copy_only=False)
            total += sum(len(str(words[i])) * n for i, n in Counter(which.tolist()).items())
            if total > MOST_TEXT:
                raise _too_large(source, MOST_TEXT)
            parts.append(words[which])
        return np.concatenate(parts)
    if pa.types.is_integer(kind):
        ends = pa.compute.min_max(column).as_py().values()
        if any(abs(end or 0) > EXACT for end in ends):
            return np.array(
                [None if cell is None else str(cell) for cell in column.to_pylist()], object
            )
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        return column.to_pandas().to_numpy(dtype=np.float64)
    return _cells(column)


def _cells(column: Any) -> Any:
    cells = np.empty(len(column), dtype=object)
    cells[:] = [
        float(cell) if isinstance(cell, (Decimal, int)) and not isinstance(cell, bool) else cell
        for cell in column.to_pandas().tolist()
    ]
    return cells
