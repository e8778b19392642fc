"""Where readings were read from, in the same words everywhere."""

from __future__ import annotations

import dataclasses
from typing import Any, TypeVar

from quantize._support.errors import one_line
from quantize.tables.cells import place

_LONGEST = 60

T = TypeVar("T")


@dataclasses.dataclass(frozen=True, kw_only=True)
class Origin:
    """Columns and rows of the file from which readings were read.

    Attributes
    ----------
    file : str
    columns : tuple of str
    rows : int
        Rows that the readings stand in.
    rows_in_file : int
        All rows below the column names.
    unit : str or None
        As written in the cells, or in square brackets behind the name of the column.

    Examples
    --------
    >>> str(Origin(file="a.csv", columns=("x",), rows=13, rows_in_file=13, unit="C"))
    'read from column x, 13 of 13 rows, in C'
    """

    file: str
    columns: tuple[str, ...]
    rows: int
    rows_in_file: int
    unit: str | None = None

    def __str__(self) -> str:
        names = list(map(_short, self.columns))
        if len(names) == 1:
            where = place(names[0])
        else:
            where = f"columns {', '.join(names[:-1])} and {names[-1]}"
        known = self.unit is None or any(name.endswith("]") for name in names)
        unit = "" if known else f", in {self.unit}"
        return f"read from {where}, {self.rows} of {self.rows_in_file} rows{unit}"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        return dataclasses.asdict(self) | {"columns": list(self.columns)}

    @classmethod
    def from_dict(cls, state: dict[str, Any] | None) -> Origin | None:
        """What `to_dict` wrote, or None for None."""
        if state is None:
            return None
        return cls(**state | {"columns": tuple(map(str, state["columns"]))})


def with_origin(readings: T, origin: Origin | None) -> T:
    """Fresh readings, with a note of where they are from."""
    object.__setattr__(readings, "origin", origin)
    return readings


def _short(name: str) -> str:
    name = one_line(name)
    return name if len(name) <= _LONGEST else name[: _LONGEST - 1] + "…"
