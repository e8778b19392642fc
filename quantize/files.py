"""Tables in: readings from csv, tsv, xlsx and parquet files."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from quantize._support.errors import InputTypeError
from quantize._support.validation import FloatArray
from quantize.readings import Readings
from quantize.tables.origin import with_origin
from quantize.tables.reading import read
from quantize.tables.table import Table

if TYPE_CHECKING:
    import pandas as pd


def read_readings(
    path: str | os.PathLike[str],
    *,
    value: str | None = None,
    sigma: str | None = None,
    state: str | None = None,
    resolution: str | float | None = None,
) -> Readings:
    """Read readings from a column of a csv, tsv, xlsx or parquet file.

    Parameters
    ----------
    path : str or path-like
        The file. Text may be separated by commas, semicolons, tabs or spaces, with or without
        a line of column names; lines that begin with ``#`` are skipped.
    value : str, optional
        Name of the column with the readings. Not needed when only one column holds numbers, and
        these do more than count the rows. Columns of a file without names are called "column 1",
        "column 2", and so on. Cells may carry a unit, such as ``1.6e-19 C``, all of them the
        same; or the name of the column has it in square brackets, as in ``charge [1e-19 C]``.
    sigma, state : str, optional
        Names of the columns with the standard deviation and the charge state of each reading.
    resolution : str or float, optional
        Step to which the readings were rounded, as a column name or one number. When left out,
        the readings themselves determine it (`quantize.recording`).

    Returns
    -------
    Readings
        Their `origin` says which column they were read from, and in what unit.

    Raises
    ------
    InputError
        When the file cannot be read or holds text, blanks, NaN or infinities where numbers
        belong, or a row that sums up those above it, such as their mean. The message names the
        file, the column and the row. Also when it is not clear which column holds the readings.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import quantize as qz
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "run.csv")
    ...     _ = file.write_text("run;divisions\\na;3,10\\na;3,20\\nb;6,25\\n")
    ...     qz.read_readings(file, state="run")
    <Readings: 3 values from 3.1 to 6.25, 2 states>
    """
    table = read(path)
    given = {"sigma": sigma, "state": state}
    if isinstance(resolution, str):
        given["resolution"] = resolution
    named = {role: name for role, name in given.items() if name is not None}
    used = {role: table.place(name, role) for role, name in named.items()}
    at = table.sole_number_column(named.values()) if value is None else table.place(value, "value")
    table.need_one_unit(at, used)
    table.need_readings_alone(at)
    step: Any = resolution
    if isinstance(resolution, str):
        step = table.positive_numbers(used["resolution"])
    readings = Readings(
        table.numbers(at),
        sigma=table.positive_numbers(used["sigma"]) if "sigma" in used else None,
        state=table.labels(used["state"]) if "state" in used else None,
        resolution=step,
        unit_name=table.unit_of(at),
    )
    return with_origin(readings, table.origin(at))


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
    ...     file = pathlib.Path(folder, "run.csv")
    ...     _ = file.write_text("# second drop\\nvolts,divisions\\n271,3.1\\n271,lost\\n")
    ...     read_table(file)["divisions"].to_dict()
    {3: '3.1', 4: 'lost'}
    """
    return read(path).frame()


def number_column(table: pd.DataFrame, name: str, *, argument: str = "value") -> FloatArray:
    """The numbers in column `name` of a table from `read_table`.

    Raises InputError naming the row for text, blanks, NaN and infinities, and naming the columns
    that there are when `name` is not one of them.
    """
    read_before = Table.of(table)
    if read_before is None:
        raise InputTypeError(f"`table` is a {type(table).__name__}; give a pandas DataFrame.")
    return read_before.numbers(read_before.place(name, argument))
