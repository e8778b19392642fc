"""Tables in: readings from csv, tsv, xlsx and parquet files."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from quantize._support import containers, textfile
from quantize._support.errors import InputError, InputTypeError
from quantize._support.validation import FloatArray
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

_MOST_PRINTED_DIGITS = 8
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
        Name of the column with the readings. Not needed when only one column holds numbers.
        Columns of a file without names are called "column 1", "column 2", and so on.
    sigma, state : str, optional
        Names of the columns with the standard deviation and the charge state of each reading.
    resolution : str or float, optional
        Step to which the readings were rounded, as a column name or one number. When left out,
        a text file tells it by its printed decimals: 4.90 is printed to 0.01, 120 to 1.

    Returns
    -------
    Readings

    Raises
    ------
    InputError
        When the file cannot be read or holds text, blanks, NaN or infinities where numbers
        belong. The message names the file, the column and the row.

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
    source = table.attrs["source"]
    named = {"sigma": sigma, "state": state}
    if isinstance(resolution, str):
        named["resolution"] = resolution
    used = {role: _column(table, name, role) for role, name in named.items() if name is not None}
    if value is None:
        value_at = _only_numeric(table, set(used.values()), source)
    else:
        value_at = _column(table, value, "value")
    step: Any = resolution
    if isinstance(resolution, str):
        step = _positive_numbers(table, used["resolution"])
    elif resolution is None:
        step = table.attrs["printed_steps"][value_at]
    return Readings(
        _numbers(table, value_at),
        sigma=_positive_numbers(table, used["sigma"]) if "sigma" in used else None,
        state=_labels(table, used["state"]) if "state" in used else None,
        resolution=step,
    )


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
    return _numbers(table, _column(table, name, argument))


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
            f"`{source}` has column names ({_listed(names)}) and no rows below them; "
            "it must hold at least one reading."
        )
    columns = [[cells[j] for _, cells in rows] for j in range(len(names))]
    return _table(names, columns, [number for number, _ in rows], separator, source)


def _table(
    names: list[str], columns: list[list[Any]], rows: Sequence[int], separator: str, source: str
) -> pd.DataFrame:
    """The table, with what its text told kept beside it."""
    import pandas as pd

    plain = [_plain(column) for column in columns]
    numeric = [
        found is not None or _mostly_numbers(column)
        for found, column in zip(plain, columns, strict=True)
    ]
    words = [
        (names[j], [cell for cell in columns[j] if isinstance(cell, str)])
        for j in range(len(names))
        if numeric[j]
    ]
    decimal = textfile.decimal_mark(words, separator, source)
    steps: list[float | None] = []
    content: dict[int, Any] = {}
    for j, column in enumerate(columns):
        values = plain[j]
        if values is None:
            found = [_value(cell, decimal) for cell in column]
            values = np.array([np.nan if v is None else v for v in found])
        steps.append(_printed_step(column, values))
        if not np.isfinite(values).all():
            values = np.empty(len(column), dtype=object)
            values[:] = column
        content[j] = values
    frame = pd.DataFrame(content, index=pd.Index(rows, name="row"))
    frame.columns = pd.Index(names)
    frame.attrs = {
        "source": source,
        "decimal": decimal,
        "numeric": [j for j, yes in enumerate(numeric) if yes],
        "printed_steps": steps,
    }
    return frame


def _plain(column: list[Any]) -> FloatArray | None:
    if all(isinstance(cell, str) for cell in column):
        return textfile.plain_numbers(column)
    return None


def _value(cell: Any, decimal: str) -> float | None:
    if isinstance(cell, str):
        return textfile.to_number(cell, decimal)
    return float(cell) if isinstance(cell, (int, float)) and not isinstance(cell, bool) else None


def _mostly_numbers(cells: list[Any]) -> bool:
    filled = [cell for cell in cells if cell is not None and cell != ""]
    hits = sum(
        textfile.is_number(textfile.tidy(cell))
        if isinstance(cell, str)
        else _value(cell, ".") is not None
        for cell in filled
    )
    return 2 * hits > len(filled)


def _printed_step(column: list[Any], values: FloatArray) -> float | None:
    """The finest printed decimal of a column of text, or None in full machine precision."""
    if not (np.isfinite(values).all() and all(isinstance(cell, str) for cell in column)):
        return None
    finest = textfile.printed_exponent(column)
    largest = float(np.abs(values).max())
    if largest > 0 and np.floor(np.log10(largest)) - finest + 1 > _MOST_PRINTED_DIGITS:
        return None
    step = float(f"1e{finest}")
    return step if 0 < step < np.inf else None


def _listed(names: list[str]) -> str:
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _source(table: pd.DataFrame) -> str:
    return str(table.attrs.get("source", "table"))


def _column(table: pd.DataFrame, name: str, argument: str) -> int:
    names = [str(column) for column in table.columns]
    if not isinstance(name, str):
        raise InputTypeError(f"`{argument}` is {name!r}; give the name of a column.")
    found = [j for j, column in enumerate(names) if column == textfile.one_line(name)]
    if not found:
        raise InputError(
            f"`{argument}` is {name!r}, and `{_source(table)}` has no such column; "
            f"its columns are {_listed(names)}."
        )
    if len(found) > 1:
        raise InputError(
            f"`{argument}` is {name!r}, and `{_source(table)}` has {len(found)} columns "
            "of that name; give each its own."
        )
    return found[0]


def _only_numeric(table: pd.DataFrame, used: set[int], source: str) -> int:
    free = [j for j in table.attrs["numeric"] if j not in used]
    if len(free) == 1:
        return cast(int, free[0])
    left = [j for j in range(table.shape[1]) if j not in used]
    if not free and len(left) == 1:
        # The only column there is: reading it names the row that is not a number.
        return left[0]
    names = [str(table.columns[j]) for j in (free or range(table.shape[1]))]
    if free:
        raise InputError(
            f"`{source}` has {len(free)} columns of numbers ({_listed(names)}); "
            "say with `value` which of them holds the readings."
        )
    raise InputError(
        f"`{source}` has no column of numbers left for the readings; its columns are "
        f"{_listed(names)}."
    )


def _numbers(table: pd.DataFrame, at: int) -> FloatArray:
    column = table.iloc[:, at]
    if column.dtype.kind == "f":
        values = column.to_numpy(dtype=np.float64)
        if np.isfinite(values).all():
            return values
    where = f"`{_source(table)}` has"
    place = f"in {textfile.place(str(table.columns[at]))}, row"
    out = np.empty(len(column))
    for i, (row, cell) in enumerate(zip(table.index, column.tolist(), strict=True)):
        number = _value(cell, table.attrs.get("decimal", "."))
        if number is None or not np.isfinite(number):
            raise InputError(
                f"{where} {_fault(cell, number)} {place} {row}; mend the cell or take the row out."
            )
        out[i] = number
    return out


def _fault(cell: Any, number: float | None) -> str:
    if cell is None or cell == "":
        return "a blank"
    if number is None:
        return f"the text {textfile.one_line(str(cell))[:40]!r}"
    return "NaN" if np.isnan(number) else "an infinity"


def _positive_numbers(table: pd.DataFrame, at: int) -> FloatArray:
    values = _numbers(table, at)
    bad = np.flatnonzero(values <= 0)
    if bad.size:
        place = textfile.place(str(table.columns[at]))
        raise InputError(
            f"`{_source(table)}` has {values[bad[0]]:g} in {place}, row {table.index[bad[0]]}; "
            "it must be above zero everywhere."
        )
    return values


def _labels(table: pd.DataFrame, at: int) -> list[Any]:
    place = textfile.place(str(table.columns[at]))
    labels: list[Any] = []
    for row, cell in zip(table.index, table.iloc[:, at].tolist(), strict=True):
        if cell is None or cell == "" or cell != cell:
            raise InputError(
                f"`{_source(table)}` has a blank in {place}, row {row}; "
                "give every reading a state, or leave `state` out."
            )
        labels.append(int(cell) if isinstance(cell, float) and cell.is_integer() else cell)
    return labels
