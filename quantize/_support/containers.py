"""The cells of xlsx workbooks and parquet files, with limits on what they unpack to."""

from __future__ import annotations

import io
import zipfile
from decimal import Decimal
from typing import Any

import numpy as np

from quantize._support import textfile
from quantize._support.errors import InputError, missing

MOST_BYTES = 256 * 2**20
"""Largest text file, and largest unpacked size of an xlsx or parquet file, that is read."""

MOST_CELLS = 20_000_000
"""Largest number of cells in a workbook or a parquet file."""


def too_large(source: str) -> InputError:
    """The error for a file that would not fit."""
    return InputError(
        f"`{source}` is too large to read (over {MOST_BYTES // 2**20} MB, or "
        f"{MOST_CELLS // 10**6} million cells, unpacked); split it, or keep fewer columns."
    )


def workbook_rows(data: bytes, source: str) -> list[tuple[int, list[Any]]]:
    """Row numbers and cells of the first visible sheet that is not empty, all rows equally long.

    Cells are floats, text, or None where blank.
    """
    try:
        import openpyxl
    except ImportError:
        raise missing("Reading xlsx files", "openpyxl", "excel") from None
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > MOST_BYTES:
                raise too_large(source)
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
    width = max(len(cells) for _, cells in rows)
    return [(number, cells + [None] * (width - len(cells))) for number, cells in rows]


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
            raise too_large(source)
        note = bool(cells) and isinstance(cells[0], str) and textfile.is_comment(cells[0])
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


def parquet_columns(data: bytes, source: str) -> tuple[list[str], list[Any]]:
    """Names and columns of a parquet file: float arrays where the type is a number's."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise missing("Reading parquet files", "pyarrow", "large") from None
    try:
        file = pq.ParquetFile(pa.BufferReader(data))
        meta = file.metadata
        size = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
        if size > MOST_BYTES or meta.num_rows * meta.num_columns > MOST_CELLS:
            raise too_large(source)
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
