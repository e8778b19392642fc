"""Columns of a table that was read: which one holds the readings, and what its cells say."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from quantize._support import cells, textfile
from quantize._support.errors import InputError, InputTypeError
from quantize._support.origin import Origin
from quantize._support.validation import FloatArray

if TYPE_CHECKING:
    import pandas as pd

_MOST_NAMES = 20


def place_of(table: pd.DataFrame, name: str, argument: str) -> int:
    """Place of the column of that name; `argument` named it."""
    names = [str(column) for column in table.columns]
    if not isinstance(name, str):
        raise InputTypeError(f"`{argument}` is {name!r}; give the name of a column.")
    found = [j for j, column in enumerate(names) if column == textfile.one_line(name)]
    if not found:
        raise InputError(
            f"`{argument}` is {name!r}, and `{_source(table)}` has no such column; "
            f"its columns are {listed(names)}."
        )
    if len(found) > 1:
        raise InputError(
            f"`{argument}` is {name!r}, and `{_source(table)}` has {len(found)} columns "
            "of that name; give each its own."
        )
    return found[0]


def sole_number_column(table: pd.DataFrame, taken: Iterable[str], *, by: str | None = None) -> int:
    """Place of the only column of numbers, for readings whose column nobody named.

    Parameters
    ----------
    table : pandas.DataFrame
        From `read_table`.
    taken : iterable of str
        Columns that hold something else.
    by : str, optional
        Column that says whose reading it is.

    Raises
    ------
    InputError
        When there is none, when there are several, and when it merely counts the rows.
    """
    names = [str(name) for name in table.columns]
    gone = set(map(textfile.one_line, taken))
    left = [j for j, name in enumerate(names) if name not in gone]
    free = [j for j in table.attrs["numeric"] if j in left]
    if len(free) == 1:
        _need_informative(table, free[0], by if names.count(str(by)) == 1 else None)
        return cast(int, free[0])
    if not free and len(left) == 1 and by is None:
        # The only column there is: reading it names the row that is not a number.
        return left[0]
    if free:
        raise InputError(
            f"`{_source(table)}` has {len(free)} columns of numbers "
            f"({listed([names[j] for j in free])}); say with `value` which of them holds the "
            "readings."
        )
    raise InputError(
        f"`{_source(table)}` has no column of numbers left for the readings; its columns are "
        f"{listed(names)}."
    )


def _need_informative(table: pd.DataFrame, at: int, by: str | None) -> None:
    """Raise where the only column of numbers, which nobody named, merely counts the rows."""
    numbers = np.array([np.nan if v is None else v for v in _each(table, at)])
    group = None if by is None else table[by].tolist()
    if not cells.counts_rows(numbers, group):
        return
    what = f"the rows of each {textfile.one_line(str(by))[:40]}"
    if cells.counts_rows(numbers):
        what = f"the rows from {numbers[0]:g} to {numbers[-1]:g}"
    raise InputError(
        f"`{_source(table)}` has numbers only in {textfile.place(str(table.columns[at]))}, which "
        f"counts {what}{_nearly_numbers(table)}; name the readings' column with `value`, even if "
        "it is this one."
    )


def _nearly_numbers(table: pd.DataFrame) -> str:
    """The first cell of text that begins like a number, in words, or nothing."""
    for j, name in enumerate(map(str, table.columns)):
        for row, cell in zip(table.index, table.iloc[:, j].tolist(), strict=True):
            if isinstance(cell, str) and cells.begins_like_number(cell):
                shown = textfile.one_line(cell)[:40]
                return f", and the text {shown!r} in {textfile.place(name)}, row {row}"
    return ""


def need_one_unit(table: pd.DataFrame, at: int, roles: dict[str, int]) -> None:
    """Raise where the sigma or the resolution has another unit in its cells than the readings."""
    units = table.attrs["units"]
    for role in ("sigma", "resolution"):
        place = roles.get(role, at)
        if units.get(place, units.get(at)) != units.get(at, units.get(place)):
            raise InputError(
                f"`{role}` is in {units[place]} and the readings are in {units[at]}; write both in "
                "one unit."
            )


def origin_of(table: pd.DataFrame, at: int) -> Origin:
    """Where the readings are from when they are read from this column."""
    return Origin(
        file=_source(table),
        columns=(str(table.columns[at]),),
        rows=len(table),
        rows_in_file=len(table),
        unit=table.attrs["units"].get(at),
    )


def numbers_of(table: pd.DataFrame, at: int) -> FloatArray:
    """The numbers of a column, or InputError for the first cell that is none."""
    column = table.iloc[:, at]
    if column.dtype.kind == "f":
        values = column.to_numpy(dtype=np.float64)
        if np.isfinite(values).all():
            return values
    place = f"in {textfile.place(str(table.columns[at]))}, row"
    out = np.empty(len(column))
    unit = table.attrs.get("units", {}).get(at)
    numeric = at in table.attrs.get("numeric", [at])
    found = zip(table.index, column.tolist(), _each(table, at), strict=True)
    for i, (row, cell, number) in enumerate(found):
        if number is None or not np.isfinite(number):
            fault = cells.fault(cell, number, unit, numeric)
            raise InputError(
                f"`{_source(table)}` has {fault} {place} {row}; mend the cell or take the row out."
            )
        out[i] = number
    return out


def number_cells(table: pd.DataFrame, at: int) -> Any:
    """A column for those who judge its cells themselves: numbers where they are, else the cells."""
    column = table.iloc[:, at]
    if column.dtype.kind == "f":
        return column.to_numpy(dtype=np.float64)
    out = np.empty(len(column), dtype=object)
    pairs = zip(column.tolist(), _each(table, at), strict=True)
    out[:] = [cell if number is None else number for cell, number in pairs]
    return out


def positive_numbers(table: pd.DataFrame, at: int) -> FloatArray:
    """The same, all of them above zero."""
    values = numbers_of(table, at)
    bad = np.flatnonzero(values <= 0)
    if bad.size:
        place = textfile.place(str(table.columns[at]))
        raise InputError(
            f"`{_source(table)}` has {values[bad[0]]:g} in {place}, row {table.index[bad[0]]}; "
            "it must be above zero everywhere."
        )
    return values


def labels_of(table: pd.DataFrame, at: int) -> list[Any]:
    """The labels of a column, one in every cell."""
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


def _each(table: pd.DataFrame, at: int) -> list[float | None]:
    """The number in each cell of a column, None where there is none."""
    decimal, unit = table.attrs.get("decimal", "."), table.attrs.get("units", {}).get(at)
    return [cells.number(cell, decimal, unit) for cell in table.iloc[:, at].tolist()]


def listed(names: list[str]) -> str:
    """Names for a message, of very many the first."""
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _source(table: pd.DataFrame) -> str:
    return str(table.attrs.get("source", "table"))
