"""Whether a table that is read column by column was written as a run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from quantize._support.errors import InputError, warn
from quantize.charge.page import Header
from quantize.files import read_table

_LARGEST = 5_000_000  # bytes; no page of a run written by hand is larger


def say_if_run(path: Any, column: str | None, apparatus: Any) -> None:
    """Warn that a table looks like a run, and say what to do.

    Parameters
    ----------
    path : str or path-like
        The table, of which one column is being analyzed.
    column : str or None
        Its name, where one was given.
    apparatus : Apparatus or None
    """
    falls = falls_in(path)
    if falls is None:
        return
    name, count = falls
    rows = (
        "1 row at zero volts is a fall" if count == 1 else f"{count} rows at zero volts are falls"
    )
    what = f"column {column!r}" if column else "the one column of numbers"
    how = (
        "leave the name of the column out to have it read as a run"
        if apparatus is not None
        else "give --apparatus FILE to have it read as a run, with the fall added to every reading "
        "(quantize convert --template prints such a file to fill in)"
    )
    warn(
        f"the table looks like a run: column {name!r} holds voltages, and {rows} without field; "
        f"{how}. Here {what} is analyzed as it stands, the falls among the readings."
    )


def falls_in(path: Any) -> tuple[str, int] | None:
    """The column of voltages and the number of falls, in a table with divisions; else None."""
    try:
        if Path(path).stat().st_size > _LARGEST:
            return None
        table = read_table(path)
        names = {Header(str(column)).name: str(column) for column in table.columns}
    except (InputError, OSError):
        return None
    moved = "divisions" in names or {"start", "end"} <= set(names) or "position" in names
    if not moved or "voltage" not in names:
        return None
    column = table[names["voltage"]]
    zero = column.astype(str).str.strip().str.lower().isin(["0", "0.0", "off", "zero", "earthed"])
    count = int(zero.sum())
    return (names["voltage"], count) if 0 < count < len(column) else None
