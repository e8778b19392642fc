"""A table cut into groups of readings; a group that cannot be used keeps one sentence instead."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Hashable
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.validation import IntArray
from quantize.readings import Readings, as_readings
from quantize.tables.table import Table

_LEAST = 3


@dataclasses.dataclass(frozen=True, kw_only=True)
class Group:
    """The readings of one particle.

    Its `label` is as it stands in the table, `size` the number of its rows; `problem` says in one
    sentence why there are no readings.
    """

    label: Hashable
    size: int
    readings: Readings | None = None
    problem: str | None = None


def split(
    table: Any,
    *,
    by: Any,
    value: Any,
    sigma: Any = None,
    state: Any = None,
    resolution: Any = None,
    unit_name: str | None = None,
) -> tuple[list[Group], str | None]:
    """Groups in the order in which their labels first appear, and what they are measured in.

    `sigma` and `resolution` are the name of a column or one number. Categories without rows come
    last. The column of the readings says what they are measured in, unless `unit_name` does.

    Raises
    ------
    InputError
        For a table without these columns, with columns of different lengths, without rows, or
        with a row that belongs to no group.
    """
    columns = Table.of(table)
    if columns is None:
        raise InputTypeError(
            f"`table` is a {type(table).__name__}; give a pandas DataFrame or a dict of columns "
            "(a file is read by pandas.read_csv, for one)."
        )
    # A frame that was read from a file is a table in memory like any other.
    columns = dataclasses.replace(columns, file=None)
    labels = _column(columns, "by", by)
    values, at = _column(columns, "value", value), columns.place(value, "value")
    states = None if state is None else _column(columns, "state", state)
    given: dict[str, Any] = {"sigma": sigma, "resolution": resolution}
    told = [(value, values), (state, states)]
    named = {"by": by, "state": state} | {n: x for n, x in given.items() if isinstance(x, str)}
    roles = {n: columns.place(x, n) for n, x in named.items() if x is not None}
    columns.need_one_unit(at, roles)
    for name, item in given.items():
        if isinstance(item, str):
            given[name] = _numbers(_column(columns, name, item))
            told.append((item, given[name]))
        elif item is not None:
            given[name] = validation.positive(name, item)
    codes, found = _coded(labels, by)
    for name, column in told:
        if column is not None and len(column) != codes.size:
            raise InputError(
                f"`table` has columns of different lengths ({codes.size} labels in {by!r}, "
                f"{len(column)} entries in {name!r}); give one row for each reading."
            )
    values, states = _numbers(values), None if states is None else _cells(states)
    order = np.argsort(codes, kind="stable")
    ends = np.cumsum(np.bincount(codes, minlength=len(found)))
    said = columns.unit_of(at) if unit_name is None else unit_name
    measured = validation.name_of_unit(said)
    groups = []
    for label, rows in zip(found, np.split(order, ends[:-1]), strict=True):
        parts = {n: c[rows] if isinstance(c, np.ndarray) else c for n, c in given.items()}
        parts["state"] = None if states is None else states[rows]
        parts["unit_name"] = measured
        try:
            groups.append(_group(label, values[rows], parts))
        except InputError as error:
            problem = _in_table(str(error), str(value), columns, rows)
            groups.append(Group(label=label, size=rows.size, problem=problem))
    empty = getattr(getattr(labels, "cat", None), "categories", ())
    groups += [
        Group(label=label, size=0, problem=f"`{value}` has no readings of this group; take some.")
        for label in empty
        if label not in set(found)
    ]
    return groups, measured


def _group(label: Hashable, values: Any, parts: dict[str, Any]) -> Group:
    readings = as_readings(Readings(values, **parts), least=_LEAST, measured=False)
    return Group(label=label, size=len(values), readings=readings)


def _in_table(problem: str, name: str, table: Table, rows: IntArray) -> str:
    """What is wrong with the readings of some rows, in the words of the table."""
    problem = problem.replace("`values`", f"`{name}`").replace("`readings`", f"`{name}`")
    labelled = getattr(table.rows, "is_unique", not isinstance(table.rows, range))

    def where(found: re.Match[str]) -> str:
        at = rows[int(found[1])]
        return f"in row {table.rows[at]}" if labelled else f"at entry {at}"

    return re.sub(r"at entry (\d+)", where, problem)


def _column(table: Table, argument: str, name: Any) -> Any:
    """The column of that name, one entry for each row."""
    column = table.columns[table.place(name, argument)]
    dimensions = validation.dimensions(column)
    if dimensions != 1:
        raise InputTypeError(
            f"`{argument}` is {name!r}, a column of {dimensions} dimensions; "
            "give one entry for each row."
        )
    return column


def _numbers(column: Any) -> Any:
    """The column as an array with its own type and mask, for `Readings` to judge by groups."""
    kind = getattr(getattr(column, "dtype", None), "kind", "O")
    return _cells(column) if kind == "O" else np.asanyarray(column)


def _cells(column: Any) -> Any:
    cells = np.empty(len(column), dtype=object)
    cells[:] = list(column)
    return cells


def _coded(labels: Any, name: Any) -> tuple[IntArray, list[Hashable]]:
    """For each row the place of its label in order of first appearance."""
    import pandas as pd

    cells = labels if hasattr(labels, "dtype") else pd.Series(list(labels), dtype=object)
    if isinstance(cells, np.ma.MaskedArray):
        cells = pd.Series(cells.tolist(), dtype=object)
    elif isinstance(cells.dtype, np.dtype):
        # As in files of telescopes, whose bytes stand the other way round.
        cells = np.asarray(cells, cells.dtype.newbyteorder("="))
    if len(cells) == 0:
        raise InputError("`table` has no rows; give one row for each reading.")
    try:
        codes, found = pd.factorize(cells)
    except TypeError:
        raise InputTypeError(
            f"`by` is {name!r}, whose labels are neither numbers nor text; give such labels."
        ) from None
    # A blank cell of a text file names nobody either.
    nobody = [i for i, label in enumerate(found) if isinstance(label, str) and not label.strip()]
    blank = np.flatnonzero((codes < 0) | np.isin(codes, nobody))
    if blank.size:
        more = f" (and {blank.size - 1} more)" if blank.size > 1 else ""
        raise InputError(
            f"`by` is {name!r}, which is blank at row {blank[0]}{more}; say whose readings these "
            "are, or drop the rows."
        )
    return codes.astype(np.int64), list(found)
