"""A run in a file: read, and recognised among other tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from quantize._support.errors import InputError, warn
from quantize.charge.apparatus import Apparatus, ApparatusLike
from quantize.charge.headers import PASSAGES, Header, fits
from quantize.charge.page import REPEATED, Page, read_page
from quantize.charge.run import Run, RunLike
from quantize.charge.stated import counted
from quantize.charge.tidy import is_zero

_LARGEST_TABLE = 5_000_000  # bytes; no run written by hand is larger


def read_run(path_or_frame: RunLike | Run, apparatus: ApparatusLike | None = None) -> Run:
    """Read a run from a file, a DataFrame or a mapping of columns.

    Parameters
    ----------
    path_or_frame : str, Path, DataFrame, mapping or Run
        csv, tsv, xlsx or parquet; columns may carry the names and units that students give them.
        A `Run` comes back as it is.
    apparatus : Apparatus, str, path-like or mapping, optional
        What the apparatus file declares settles signs, timing and blanks.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        One sentence, with the row where there is one.

    Examples
    --------
    >>> from quantize.charge import read_run
    >>> run = read_run({"drop no.": [1, 1], "U / V": [219, 0], "divisions": [7, -60]})
    >>> run.table["voltage"].tolist()
    [219.0, 0.0]
    """
    return path_or_frame if isinstance(path_or_frame, Run) else Run(path_or_frame, apparatus)


def say_if_run(path: str | Path, column: str | None, apparatus: Apparatus | None) -> None:
    """Warn that a table of which a column is analyzed looks like a run, and say what to do."""
    falls = falls_in(path)
    if falls is None:
        if (column is None or Header(column).name == "voltage") and holds_balances(path):
            warn(
                "the table looks like balance voltages: a charge goes with 1/V, and here V itself "
                "is analyzed; give --apparatus FILE to have 1/V analyzed (quantize convert "
                '--template --kind "balance voltages" prints such a file to fill in).'
            )
        return
    name, count = falls
    what = f"column {column!r}" if column else "the one column of numbers"
    how = (
        "leave the name of the column out"
        if apparatus is not None
        else "give --apparatus FILE (quantize convert --template prints one)"
    )
    warn(
        f"the table looks like a run, {counted(count, 'row')} of {name!r} at zero volts; {what} is "
        f"analyzed as it stands. To have it read as a run, {how}."
    )


def or_as_run(path: str | Path, problem: InputError) -> InputError:
    """What to say of a table without a column of its own for the readings: it may be a run."""
    page = _page_of(path) or _page_of(path, "voltage")
    if page is None or not {"voltage", *PASSAGES} & set(page.cells):
        return problem
    how = "or give --apparatus FILE to have it read as a run (convert --template prints one)"
    return InputError(f"{str(problem).removesuffix('.')}; {how}.")


def holds_balances(source: Any) -> bool:
    """Whether a table has voltages and nothing that moved: a page of balance voltages."""
    try:
        page = read_page(source, "voltage")
    except InputError:
        return False
    moved = any(fits("divisions", header.unit or "") for header in page.unused)
    return not moved and not set(page.cells) & {"position", *REPEATED}


def falls_in(path: str | Path) -> tuple[str, int] | None:
    """The column of voltages and the number of falls, in a table with divisions; else None."""
    page = _page_of(path, "voltage")
    there = set() if page is None else set(page.cells)
    if page is None or not (there & {"divisions", "position"} or {"start", "end"} <= there):
        return None
    volts = page.cells["voltage"]
    count = sum(is_zero(cell) for cell in volts)
    return (page.headers["voltage"].text, count) if 0 < count < len(volts) else None


def _page_of(path: str | Path, *needed: str) -> Page | None:
    """A table as the page of a run; None where it is none, or larger than one written by hand."""
    try:
        return read_page(path, *needed) if Path(path).stat().st_size <= _LARGEST_TABLE else None
    except (InputError, OSError):
        return None
