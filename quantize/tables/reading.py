"""From a file of any kind to a table: text, xlsx workbooks, parquet, with limits on their size."""

from __future__ import annotations

import io
import os
import zipfile
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np

from quantize._support.errors import InputError, InputTypeError, listed, missing, one_line
from quantize.tables import text
from quantize.tables.cells import is_blank
from quantize.tables.table import Table

_OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0"
_PACKED = (b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf", b"Rar!")

MOST_BYTES = 256 * 2**20
"""Largest text file, and largest unpacked size of an xlsx or parquet file, that is read."""

MOST_CELLS = 20_000_000
"""Largest number of cells in a workbook or a parquet file."""


def read(path: str | os.PathLike[str], *, headed: bool = False) -> Table:
    """The table in a file; its content, not its name, says what kind it is.

    Where a line of column names is known to come first (`headed`), it is kept as it is written, and
    there may be no rows below it.

    Raises
    ------
    InputError
        For a file that is absent, a folder, empty, binary, too large, or not a regular table.
    """
    source, data = _bytes(path)
    if data[:4] == b"PAR1":
        names, columns = _parquet_columns(data, source)
        rows = range(1, len(columns[0]) + 1)
        return Table(names=list(map(one_line, names)), columns=columns, rows=rows, file=source)
    if data[:4] == b"PK\x03\x04":
        return _table(_workbook_rows(data, source), "", source, headed)
    _refuse_other_kinds(data, source)
    lines, separator = text.rows_of(text.decode(data, source), source, headed=headed)
    return _table(lines, separator, source, headed)


def _refuse_other_kinds(data: bytes, source: str) -> None:
    """Raise for what is known to be no text."""
    if data.startswith(_OLD_SPREADSHEET):
        raise InputError(f"`{source}` is a spreadsheet of the old kind; save it as xlsx or csv.")
    if data.startswith(_PACKED):
        raise InputError(f"`{source}` is a compressed file; unpack it and give the table inside.")
    if Path(source).suffix.lower() in (".xlsx", ".parquet") and data.strip():
        kind = Path(source).suffix.lower().lstrip(".")
        raise InputError(
            f"`{source}` is not the {kind} file that its name says; save it again as {kind} or csv."
        )


def _bytes(path: str | os.PathLike[str]) -> tuple[str, bytes]:
    """What messages call the file, and its content."""
    try:
        file = Path(path).expanduser()
    except TypeError:
        raise InputTypeError(
            f"`path` is a {type(path).__name__}; give the name of a csv, tsv, xlsx or parquet file."
        ) from None
    source = one_line(str(path))
    try:
        if file.is_dir():
            raise InputError(f"`{source}` is a folder; give the name of a file in it.")
        with file.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
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
    if len(data) > MOST_BYTES:
        raise _too_large(source)
    if not data:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    return source, data


def _table(
    rows: Sequence[tuple[int, list[Any]]], separator: str, source: str, headed: bool
) -> Table:
    """The rows as columns, under the names in the first of them or standard ones."""
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


def _too_large(source: str) -> InputError:
    """The error for a file that would not fit."""
    return InputError(
        f"`{source}` is too large to read (over {MOST_BYTES // 2**20} MB, or "
        f"{MOST_CELLS // 10**6} million cells, unpacked); split it, or keep fewer columns."
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
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        sheets = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"]
        rows = next(filter(None, (_sheet_rows(sheet, source) for sheet in sheets)), [])
    except InputError:
        raise
    except Exception:  # a damaged workbook fails in as many ways as it has parts
        raise InputError(
            f"`{source}` is not a workbook that can be read; save it again as xlsx, or as csv."
        ) from None
    if not rows:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    width = max(len(row) for _, row in rows)
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
        total += len(row)
        if total > MOST_CELLS:
            raise _too_large(source)
        note = bool(cells) and isinstance(cells[0], str) and text.is_comment(cells[0])
        if not note and (cells or rows):
            rows.append((number, cells))
    while rows and not rows[-1][1]:
        rows.pop()
    return rows


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
        file = pq.ParquetFile(pa.BufferReader(data))
        meta = file.metadata
        size = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
        if size > MOST_BYTES or meta.num_rows * meta.num_columns > MOST_CELLS:
            raise _too_large(source)
        content = file.read().to_pandas(ignore_metadata=True)
        # pandas stores an unnamed index as a column of this name.
        kept = [name for name in content.columns if not str(name).startswith("__index_level_")]
        # Text that is no UTF-8 shows only now.
        columns = [_parquet_column(content[name]) for name in kept]
    except InputError:
        raise
    except (pa.ArrowException, OSError, ValueError):
        raise InputError(
            f"`{source}` is not a parquet file that can be read; write it again, or save it as csv."
        ) from None
    if content.shape[0] == 0 or not kept:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    return [str(name).strip() for name in kept], columns


def _parquet_column(column: Any) -> Any:
    if column.dtype.kind in "iuf":
        return column.to_numpy(dtype=np.float64)
    cells = np.empty(len(column), dtype=object)
    cells[:] = [
        float(cell) if isinstance(cell, (Decimal, int)) and not isinstance(cell, bool) else cell
        for cell in column.tolist()
    ]
    return cells
