"""A table as it was written: cells under the names of their columns, and what they hold."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from quantize._support.errors import InputError, InputTypeError, listed, one_line, warn
from quantize._support.validation import FloatArray
from quantize.tables import cells
from quantize.tables.cells import place
from quantize.tables.origin import Origin

if TYPE_CHECKING:
    import pandas as pd

_LAST_ROWS = 12
"""Among which a line that sums up the others is looked for."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Table:
    """Cells of a file, a DataFrame or a mapping of columns.

    `columns` hold the cells of each: text and numbers, None where blank. `rows` has the number of
    each row in the file, or its label in the DataFrame. `file` is what messages call it, None in
    memory; `separator` stood between the cells of a text file, and is empty elsewhere;
    `known_decimal` is the decimal mark, where it was found before.
    """

    names: list[Any]
    columns: list[Any]
    rows: Sequence[Any]
    file: str | None = None
    separator: str = ""
    known_decimal: str | None = None

    @classmethod
    def of(cls, source: Any) -> Table | None:
        """A DataFrame or a mapping of columns as a table; None for anything else."""
        if isinstance(source, cls):
            return source
        if isinstance(source, Mapping):
            columns = list(source.values())
            return cls(names=list(source), columns=columns, rows=range(_length(columns)))
        if not (hasattr(source, "columns") and hasattr(source, "iloc")):
            return None
        return cls(
            names=list(source.columns),
            columns=[source.iloc[:, j] for j in range(len(source.columns))],
            rows=source.index,
            file=source.attrs.get("source"),
            known_decimal=source.attrs.get("decimal"),
        )

    @property
    def source(self) -> str:
        """What messages call the table."""
        return "table" if self.file is None else self.file

    # ---- columns ----------------------------------------------------------------------------

    def place(self, name: Any, argument: str) -> int:
        """Place of the column of that name; `argument` named it."""
        if self.file is not None and not isinstance(name, str):
            raise InputTypeError(f"`{argument}` is {name!r}; give the name of a column.")
        found = [j for j, column in enumerate(self.names) if column == name]
        if not found and isinstance(name, str):
            found = [j for j, column in enumerate(self.names) if one_line(name) in _names(column)]
        if len(found) == 1:
            return found[0]
        if self.file is None:
            names = listed([repr(str(column)) for column in self.names]) or "none"
            fault = (
                f"and {len(found)} columns have that name; rename them"
                if found
                else f"which is no column of the table; it has {names}"
            )
        elif found:
            fault = f"and `{self.file}` has {len(found)} columns of that name; give each its own"
        else:
            fault = f"and `{self.file}` has no such column; its columns are {listed(self.names)}"
        raise InputError(f"`{argument}` is {name!r}, {fault}.")

    def sole_number_column(self, taken: Iterable[str], *, by: str | None = None) -> int:
        """Place of the only column of numbers, for readings whose column nobody named.

        Columns that are `taken` hold something else; `by` says whose reading it is. Raises
        InputError when there is none, when there are several, and when it merely counts the rows.
        """
        gone = set(map(one_line, taken))
        left = [j for j, name in enumerate(self.names) if gone.isdisjoint(_names(name))]
        free = [j for j in self.numeric if j in left]
        if len(free) == 1:
            self._need_informative(free[0], by)
            return free[0]
        if not free and len(left) == 1 and by is None:
            # The only column there is: reading it names the row that is not a number.
            return left[0]
        if free:
            raise InputError(
                f"`{self.source}` has {len(free)} columns of numbers "
                f"({listed([self.names[j] for j in free])}); say with `value` which of them holds "
                "the readings."
            )
        raise InputError(
            f"`{self.source}` has no column of numbers left for the readings; its columns are "
            f"{listed(self.names)}."
        )

    def _need_informative(self, at: int, by: str | None) -> None:
        """Raise where the only column of numbers, which nobody named, merely counts the rows."""
        numbers = self.values(at)
        group = self.columns[self.names.index(by)] if self.names.count(by) == 1 else None
        if not cells.counts_rows(numbers, group):
            return
        what = f"the rows of each {one_line(str(by))[:40]}"
        if cells.counts_rows(numbers):
            what = f"the rows from {numbers[0]:g} to {numbers[-1]:g}"
        raise InputError(
            f"`{self.source}` has numbers only in {place(self.names[at])}, which counts {what}"
            f"{self._nearly_numbers()}; name the readings' column with `value`, even if it is this "
            "one."
        )

    def _nearly_numbers(self) -> str:
        """The first cell of text that begins like a number, in words, or nothing."""
        for j, name in enumerate(self.names):
            for row, cell in zip(self.rows, self.array(j).tolist(), strict=True):
                if isinstance(cell, str) and cells.begins_like_number(cell):
                    shown = one_line(cell)[:40]
                    return f", and the text {shown!r} in {place(name)}, row {row}"
        return ""

    def need_one_unit(self, at: int, roles: Mapping[str, int]) -> None:
        """Raise where one column has two parts, or sigma or resolution another unit."""
        parts = {at: "the readings"}
        for role, other in roles.items():
            if other in parts:
                raise InputError(
                    f"`{role}` is {str(self.names[other])!r}, the column of {parts[other]}; name "
                    "the column that holds it."
                )
            parts[other] = f"`{role}`"
        units = {j: unit for j in (at, *roles.values()) if (unit := self.unit_of(j)) is not None}
        for role in ("sigma", "resolution"):
            other = roles.get(role, at)
            if units.get(other, units.get(at)) != units.get(at, units.get(other)):
                raise InputError(
                    f"`{role}` is in {units[other]} and the readings are in {units[at]}; write "
                    "both in one unit."
                )

    def need_readings_alone(self, at: int) -> None:
        """Raise where another cell of one of the last rows says that it sums up those above it."""
        for j, column in enumerate(self.columns):
            last = len(self.rows) - min(len(self.rows), _LAST_ROWS)
            for row, cell in zip(self.rows[last:], list(column[last:]), strict=True):
                word = str(cell).strip().rstrip(":").casefold() if isinstance(cell, str) else ""
                if j != at and word in cells.SUMMARIES:
                    raise InputError(
                        f"`{self.source}` has {one_line(str(cell))!r} in {place(self.names[j])}, "
                        f"row {row}, whose number is no reading of its own; take the row out."
                    )

    # ---- cells ------------------------------------------------------------------------------

    @functools.cached_property
    def _plain(self) -> list[FloatArray | None]:
        """Columns that are numbers throughout, at once."""
        return [cells.plain_numbers(column) for column in self.columns]

    @functools.cached_property
    def _mostly_numbers(self) -> list[bool]:
        """Whether most cells of each column are numbers without a unit."""
        return [
            plain is not None or cells.mostly_numbers(column)
            for plain, column in zip(self._plain, self.columns, strict=True)
        ]

    @functools.cached_property
    def units(self) -> dict[int, str]:
        """The unit that more than half of the filled cells of a column carry."""
        found = {
            j: cells.common_unit([cell for cell in column if not cells.is_blank(cell)])
            for j, column in enumerate(self.columns)
            if not self._mostly_numbers[j]
        }
        return {j: unit for j, unit in found.items() if unit is not None}

    def unit_of(self, at: int) -> str | None:
        """The unit that the cells of a column carry, or else its name."""
        return self.units.get(at) or cells.named_unit(str(self.names[at]))[1]

    @functools.cached_property
    def numeric(self) -> list[int]:
        """Places of the columns of numbers, with units or without."""
        return [j for j, most in enumerate(self._mostly_numbers) if most or j in self.units]

    @functools.cached_property
    def decimal(self) -> str:
        """The decimal mark."""
        if self.known_decimal is not None:
            return self.known_decimal
        texts = [
            (str(self.names[j]), [cell for cell in self._bare(j) if isinstance(cell, str)])
            for j in self.numeric
        ]
        return cells.decimal_mark(texts, self.separator, self.source)

    def _bare(self, at: int) -> Sequence[Any]:
        """The cells of a column without its unit."""
        return cells.without_unit(self.columns[at], self.units.get(at))

    def values(self, at: int) -> FloatArray:
        """The number in each cell of a column, NaN where there is none."""
        plain = self._plain[at]
        if plain is not None:
            return plain
        found = [cells.number(c, self.decimal, self.units.get(at)) for c in self.columns[at]]
        return np.array([np.nan if v is None else v for v in found], dtype=np.float64)

    def numbers(self, at: int) -> FloatArray:
        """The numbers of a column, or InputError for the first cell that is none."""
        values = self.values(at)
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            cell, unit = list(self.columns[at])[bad[0]], self.units.get(at)
            number = cells.number(cell, self.decimal, unit)
            fault = cells.fault(cell, number, unit, at in self.numeric)
            raise InputError(
                f"`{self.source}` has {fault} in {place(self.names[at])}, row "
                f"{self.rows[bad[0]]}; mend the cell or take the row out."
            )
        for i in np.flatnonzero(np.abs(values) >= cells.EXACT).tolist():
            cell = str(self.columns[at][i])
            if cell.isdecimal() and int(cell[:400]) != int(values[i]):
                warn(
                    f"`{self.source}` has {cell[:40]} in {place(self.names[at])}, row "
                    f"{self.rows[i]}, of which a float keeps the first sixteen digits; subtract "
                    "what the numbers have in common first."
                )
                break
        return values

    def positive_numbers(self, at: int) -> FloatArray:
        """The numbers of a column, all of them above zero."""
        values = self.numbers(at)
        bad = np.flatnonzero(values <= 0)
        if bad.size:
            raise InputError(
                f"`{self.source}` has {values[bad[0]]:g} in {place(self.names[at])}, row "
                f"{self.rows[bad[0]]}; it must be above zero everywhere."
            )
        return values

    def labels(self, at: int) -> list[Any]:
        """The labels of a column, one in every cell."""
        labels: list[Any] = []
        exact = not (np.abs(self.values(at)) >= cells.EXACT).any()
        found = self.array(at).tolist() if exact else list(self.columns[at])
        for row, cell in zip(self.rows, found, strict=True):
            if cells.is_blank(cell) or cell != cell:
                raise InputError(
                    f"`{self.source}` has a blank in {place(self.names[at])}, row {row}; "
                    "give every reading a state, or leave `state` out."
                )
            labels.append(int(cell) if isinstance(cell, float) and cell.is_integer() else cell)
        return labels

    def text(self, at: int) -> list[str]:
        """The cells of a column as text, blank where nothing stands."""
        column = self.columns[at]
        blank = column.isna() if hasattr(column, "isna") else [cell is None for cell in column]
        return ["" if gone else _as_text(c) for c, gone in zip(column, blank, strict=True)]

    def array(self, at: int) -> npt.NDArray[Any]:
        """A column of floats, or of its cells as they are where one is no number or has a unit."""
        values = self.values(at)
        if at not in self.units and np.isfinite(values).all():
            return values
        out = np.empty(len(values), dtype=object)
        out[:] = self.columns[at]
        return out

    def mixed(self, at: int) -> npt.NDArray[Any]:
        """A column for those who judge its cells: numbers where they are, else the cells."""
        cells_of = self.columns[at]
        numbers = [cells.number(cell, self.decimal, self.units.get(at)) for cell in cells_of]
        out = np.empty(len(numbers), dtype=object)
        out[:] = [
            c if number is None else number for c, number in zip(cells_of, numbers, strict=True)
        ]
        return out

    # ---- as a whole -------------------------------------------------------------------------

    def origin(self, at: int) -> Origin:
        """Where the readings are from when they are read from this column."""
        return Origin(
            file=self.source,
            columns=(str(self.names[at]),),
            rows=len(self.rows),
            rows_in_file=len(self.rows),
            unit=self.unit_of(at),
        )

    def frame(self) -> pd.DataFrame:
        """A DataFrame with the row numbers as index.

        A column is of floats where every cell is a finite number without a unit; any other keeps
        its cells as they are.
        """
        import pandas as pd

        columns = {j: self.array(j) for j in range(len(self.names))}
        frame = pd.DataFrame(columns, index=pd.Index(self.rows, name="row"))
        frame.columns = pd.Index(self.names)
        frame.attrs = {"source": self.source, "decimal": self.decimal}
        return frame


def _length(columns: list[Any]) -> int:
    """Entries of the first column that has any number of them."""
    return next((len(column) for column in columns if hasattr(column, "__len__")), 0)


def _as_text(cell: Any) -> str:
    """A cell as it would be written by hand."""
    if isinstance(cell, float):
        return "" if cell != cell else repr(float(cell)).removesuffix(".0")
    return str(cell)


def _names(column: Any) -> tuple[str, str]:
    """A column name as it stands, and without the unit behind it."""
    return str(column), cells.named_unit(str(column))[0]
