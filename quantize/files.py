"""Tables in: readings from csv, tsv, xlsx and parquet files."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import cells, containers, textfile
from quantize._support.columns import (
    labels_of,
    listed,
    need_one_unit,
    numbers_of,
    origin_of,
    place_of,
    positive_numbers,
    sole_number_column,
)
from quantize._support.errors import InputError, InputTypeError
from quantize._support.origin import with_origin
from quantize._support.validation import FloatArray
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

_MOST_NAMES = 20
_OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0"
_PACKED = (b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf", b"Rar!")


def read_readings(
    path: str | os.PathLike[str],
    *,
    value: str | None = None,
    sigma: str | None = None,
    state: str | None = None,
    resolution: str | float | None = None,
) -> Readings:
    """Read a page of readings from a csv, tsv, xlsx or parquet file.

    Parameters
    ----------
    path : str or path-like
        The file. Text may be separated by commas, semicolons, tabs or spaces, with or without
        a line of column names; lines that begin with ``#`` are skipped.
    value : str, optional
        Name of the column with the readings. Not needed when only one column holds numbers, and
        these do more than count the rows. Columns of a file without names are called "column 1",
        "column 2", and so on. Cells may carry a unit, such as ``1.6e-19 C``, all of them the same.
    sigma, state : str, optional
        Names of the columns with the standard deviation and the charge state of each reading.
    resolution : str or float, optional
        Step to which the readings were rounded, as a column name or one number. When left out,
        a text file tells it by its printed decimals: 4.90 is printed to 0.01, 120 to 1.

    Returns
    -------
    Readings
        Their `origin` says which column they were read from, and in what unit.

    Raises
    ------
    InputError
        When the file cannot be read or holds text, blanks, NaN or infinities where numbers
        belong. The message names the file, the column and the row. Also when it is not clear
        which column holds the readings.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import quantize as qz
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = pathlib.Path(folder, "page.csv")
    ...     _ = page.write_text("run;divisions\\na;3,10\\na;3,20\\nb;6,25\\n")
    ...     qz.read_readings(page, state="run")
    <Readings: 3 values from 3.1 to 6.25, 2 states, resolution given>
    """
    table = read_table(path)
    given = {"sigma": sigma, "state": state}
    if isinstance(resolution, str):
        given["resolution"] = resolution
    named = {role: name for role, name in given.items() if name is not None}
    used = {role: place_of(table, name, role) for role, name in named.items()}
    if value is None:
        value_at = sole_number_column(table, named.values())
    else:
        value_at = place_of(table, value, "value")
    need_one_unit(table, value_at, used)
    step: Any = resolution
    if isinstance(resolution, str):
        step = positive_numbers(table, used["resolution"])
    elif resolution is None:
        step = table.attrs["printed_steps"][value_at]
    readings = Readings(
        numbers_of(table, value_at),
        sigma=positive_numbers(table, used["sigma"]) if "sigma" in used else None,
        state=labels_of(table, used["state"]) if "state" in used else None,
        resolution=step,
    )
    return with_origin(readings, origin_of(table, value_at))


def read_table(path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read a csv, tsv, xlsx or parquet file with its row numbers.

    The index holds the row in the file, counted from 1 (the line, in a text file). A column is
    of floats where every cell is a finite number; any other column keeps its cells as they are,
    so that `number_column` can say which row is at fault.

    Parameters
    ----------
    path : str or path-like
        The file. In a workbook the first visible sheet that is not empty is read.

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    InputError
        For a file that is absent, a folder, empty, binary, too large, or not a regular table.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from quantize.files import read_table
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = pathlib.Path(folder, "page.csv")
    ...     _ = page.write_text("# second drop\\nvolts,divisions\\n271,3.1\\n271,lost\\n")
    ...     read_table(page)["divisions"].to_dict()
    {3: '3.1', 4: 'lost'}
    """
    source, data = _bytes(path)
    if data[:4] == b"PK\x03\x04":
        return _from_rows(containers.workbook_rows(data, source), "", source)
    if data[:4] == b"PAR1":
        return _from_columns(*containers.parquet_columns(data, source), source)
    if data.startswith(_OLD_SPREADSHEET):
        raise InputError(f"`{source}` is a spreadsheet of the old kind; save it as xlsx or csv.")
    if data.startswith(_PACKED):
        raise InputError(f"`{source}` is a compressed file; unpack it and give the table inside.")
    if Path(source).suffix.lower() in (".xlsx", ".parquet") and data.strip():
        kind = Path(source).suffix.lower().lstrip(".")
        raise InputError(
            f"`{source}` is not the {kind} file that its name says; save it again as {kind} or csv."
        )
    rows, separator = textfile.rows_of(textfile.decode(data, source), source)
    return _from_rows([(row.number, row.cells) for row in rows], separator, source)


def number_column(table: pd.DataFrame, name: str, *, argument: str = "value") -> FloatArray:
    """The numbers in column `name` of a table from `read_table`.

    Raises InputError naming the row for text, blanks, NaN and infinities, and naming the columns
    that there are when `name` is not one of them.
    """
    return numbers_of(table, place_of(table, name, argument))


def _bytes(path: str | os.PathLike[str]) -> tuple[str, bytes]:
    try:
        file = Path(path).expanduser()
    except TypeError:
        raise InputTypeError(
            f"`path` is a {type(path).__name__}; give the name of a csv, tsv, xlsx or parquet file."
        ) from None
    source = textfile.one_line(str(path))
    try:
        if file.is_dir():
            raise InputError(f"`{source}` is a folder; give the name of a file in it.")
        with file.open("rb") as stream:
            data = stream.read(containers.MOST_BYTES + 1)
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
    if len(data) > containers.MOST_BYTES:
        raise containers.too_large(source)
    if not data:
        raise InputError(f"`{source}` is empty; it must hold at least one reading.")
    return source, data


def _from_columns(names: list[str], columns: list[Any], source: str) -> pd.DataFrame:
    numbers = range(1, len(columns[0]) + 1)
    names = [textfile.one_line(name) for name in names]
    return _table(names, [list(column) for column in columns], numbers, "", source)


def _from_rows(rows: list[tuple[int, list[Any]]], separator: str, source: str) -> pd.DataFrame:
    texts = [["" if cell is None else str(cell) for cell in cells] for _, cells in rows[:1001]]
    names = [f"column {j + 1}" for j in range(len(rows[0][1]))]
    if textfile.has_header(texts[0], texts[1:]):
        given = map(textfile.one_line, texts[0])
        names = [name or standard for name, standard in zip(given, names, strict=True)]
        rows = rows[1:]
    while rows and not any(cell not in (None, "") for cell in rows[-1][1]):
        rows = rows[:-1]
    if not rows:
        raise InputError(
            f"`{source}` has column names ({listed(names)}) and no rows below them; "
            "it must hold at least one reading."
        )
    columns = [[cells[j] for _, cells in rows] for j in range(len(names))]
    return _table(names, columns, [number for number, _ in rows], separator, source)


def _table(
    names: list[str], columns: list[list[Any]], rows: Sequence[int], separator: str, source: str
) -> pd.DataFrame:
    """The table, with what its text told kept beside it."""
    import pandas as pd

    plain = [cells.plain(column) for column in columns]
    numeric = [
        j for j, found in enumerate(plain) if found is not None or cells.mostly_numbers(columns[j])
    ]
    units = {j: cells.unit_of(columns[j]) for j in range(len(names)) if j not in numeric}
    units = {j: unit for j, unit in units.items() if unit is not None}
    bare = [cells.without_unit(column, units.get(j)) for j, column in enumerate(columns)]
    numeric = sorted([*numeric, *units])
    words = [(names[j], [cell for cell in bare[j] if isinstance(cell, str)]) for j in numeric]
    decimal = textfile.decimal_mark(words, separator, source)
    steps: list[float | None] = []
    content: dict[int, Any] = {}
    for j, column in enumerate(columns):
        values = plain[j]
        if values is None:
            found = [cells.number(cell, decimal, units.get(j)) for cell in column]
            values = np.array([np.nan if v is None else v for v in found])
        steps.append(cells.printed_step(bare[j], values))
        if j in units or not np.isfinite(values).all():
            values = np.empty(len(column), dtype=object)
            values[:] = column
        content[j] = values
    frame = pd.DataFrame(content, index=pd.Index(rows, name="row"))
    frame.columns = pd.Index(names)
    frame.attrs = {
        "source": source,
        "decimal": decimal,
        "numeric": numeric,
        "units": units,
        "printed_steps": steps,
    }
    return frame
