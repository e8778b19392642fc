"""From a page of readings, as written, to tidy columns: one row a reading."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quantize._support import textfile
from quantize._support.errors import InputError, InputTypeError
from quantize.charge.columns import NAMES, Header

if TYPE_CHECKING:
    import pandas as pd

_MOST_NAMES = 20
_LARGEST_FILE = 200_000_000
_MEASURED = ("voltage", "divisions", "seconds", "start", "end", "position")
_REPEATED = ("divisions", "seconds", "start", "end")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


@dataclasses.dataclass(frozen=True)
class Page:
    """Cells as text under canonical names.

    `headers` keeps what each column was called, `numbers` the row of the page (counted from 1
    below the header) that each tidy row came from, `remarks` what was understood on the way,
    `measured` the columns of measured numbers as they are called in the file.
    """

    cells: dict[str, list[str]]
    headers: dict[str, Header]
    numbers: list[int]
    comma: bool
    remarks: tuple[str, ...]
    source: str
    measured: tuple[str, ...] = ()


def read_page(source: Any) -> Page:
    """Read a file, a DataFrame or a mapping of columns.

    Raises
    ------
    InputError
        For a file that cannot be read, or a table with none of the needed columns.
    """
    if hasattr(source, "columns") and hasattr(source, "iloc"):
        return _from_frame(source, "the table given")
    if isinstance(source, Mapping):
        import pandas as pd

        try:
            frame = pd.DataFrame(dict(source))
        except ValueError as error:
            raise InputError(f"`run` has columns that do not fit together ({error}).") from None
        return _from_frame(frame, "the table given")
    if not isinstance(source, (str, Path)):
        raise InputTypeError(
            f"`run` is of type {type(source).__name__}; give a file name, a DataFrame or a "
            "mapping of columns."
        )
    file = Path(source)
    if not file.is_file():
        raise InputError(f"`run` is {str(source)!r}, and there is no such file.")
    if file.stat().st_size > _LARGEST_FILE:
        raise InputError(
            f"`run` {file.name!r} is larger than 200 MB, which no page of readings is."
        )
    if file.suffix.lower() in (".xlsx", ".xlsm", ".xls", ".parquet"):
        return _from_frame(_binary_table(file), file.name)
    return _from_text(textfile.decode(file.read_bytes(), file.name), file.name)


def _binary_table(file: Path) -> pd.DataFrame:
    import pandas as pd

    from quantize._support.errors import missing

    try:
        if file.suffix.lower() == ".parquet":
            return pd.read_parquet(file)
        return pd.read_excel(file)
    except ImportError:
        extra = "large" if file.suffix.lower() == ".parquet" else "excel"
        package = "pyarrow" if extra == "large" else "openpyxl"
        raise missing(f"Reading {file.suffix} files", package, extra) from None
    except Exception as error:
        raise InputError(f"`run` {file.name!r} cannot be read: {error}.") from None


def _from_text(text: str, source: str) -> Page:
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if len(lines) < 2:
        raise InputError(f"`run` {source!r} has no rows below a header line.")
    delimiter = next((mark for mark in ";\t," if mark in lines[0]), ",")
    try:
        rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter))
    except csv.Error as error:
        raise InputError(f"`run` {source!r} is no table of text ({error}).") from None
    header, body = rows[0], rows[1:]
    for i, row in enumerate(body, start=1):
        if len(row) > len(header) and any(cell.strip() for cell in row[len(header) :]):
            raise InputError(
                f"`run` {source!r} has {len(row)} cells in row {i} under {len(header)} headers; "
                "a decimal comma needs columns separated by semicolons."
            )
    columns = {
        name: [row[j].strip() if j < len(row) else "" for row in body]
        for j, name in enumerate(header)
    }
    if len(columns) < len(header):
        raise InputError(f"`run` {source!r} has two columns of the same name.")
    comma = any(_DECIMAL_COMMA.fullmatch(c) for cells in columns.values() for c in cells)
    return _tidy(columns, source, comma=comma and delimiter != ",")


def _from_frame(frame: pd.DataFrame, source: str) -> Page:
    if len(frame) == 0:
        raise InputError(f"`run` ({source}) has no rows.")
    columns: dict[str, list[str]] = {}
    comma = False
    names = [str(name) for name in frame.columns]
    if len(set(names)) < len(names):
        double = next(name for name in names if names.count(name) > 1)
        raise InputError(f"`run` ({source}) has two columns called {double!r}; keep one.")
    for name in frame.columns:
        values = frame[name]
        if values.dtype.kind in "iuf":
            columns[str(name)] = ["" if v != v else repr(v) for v in values.tolist()]
            continue
        cells = ["" if v is None or v != v else str(v) for v in values.tolist()]
        comma = comma or any(_DECIMAL_COMMA.fullmatch(cell.strip()) for cell in cells)
        columns[str(name)] = cells
    return _tidy(columns, source, comma=comma)


def _tidy(columns: dict[str, list[str]], source: str, *, comma: bool) -> Page:
    headers = {text: Header(text) for text in columns}
    remarks: list[str] = []
    single: dict[str, str] = {}
    wide: dict[int, dict[str, str]] = {}
    for text, header in headers.items():
        if header.name is None:
            if text.strip():
                remarks.append(f"the column {text!r} is not used")
        elif header.number is not None and header.name in _REPEATED:
            wide.setdefault(header.number, {})[header.name] = text
        elif header.name in single:
            raise InputError(
                f"`run` ({source}) has two columns for {header.name}: {single[header.name]!r} "
                f"and {text!r}; keep one, or number them as repeats."
            )
        else:
            single[header.name] = text
    _need_columns(columns, single, wide, source)
    n = len(next(iter(columns.values())))
    cells = {name: columns[text] for name, text in single.items()}
    kept = {name: headers[text] for name, text in single.items()}
    if len(wide) == 1 and not set(next(iter(wide.values()))) & set(single):
        (only,) = wide.values()
        cells |= {name: columns[text] for name, text in only.items()}
        kept |= {name: headers[text] for name, text in only.items()}
        wide = {}
    numbers = list(range(1, n + 1))
    if wide:
        cells, numbers = _unfold(columns, cells, wide)
        kept |= {name: headers[text] for cols in wide.values() for name, text in cols.items()}
        remarks.append(f"{len(wide)} repeats stand side by side and were put below each other")
    filled = [
        i
        for i in range(len(numbers))
        if any(cells[name][i].strip() for name in cells if name not in ("particle", "repeat"))
    ]
    cells = {name: [column[i] for i in filled] for name, column in cells.items()}
    if comma:
        remarks.append("a comma is read as the decimal point")
    return Page(
        cells=cells,
        headers=kept,
        numbers=[numbers[i] for i in filled],
        comma=comma,
        remarks=tuple(remarks),
        source=source,
        measured=tuple(text for text, header in headers.items() if header.name in _MEASURED),
    )


def _need_columns(
    columns: Mapping[str, Any],
    single: Mapping[str, str],
    wide: Mapping[int, Mapping[str, str]],
    source: str,
) -> None:
    names = set(single) | {name for group in wide.values() for name in group}
    if "divisions" in names or {"start", "end"} <= names or "seconds" in names:
        return
    shown = [textfile.one_line(str(c))[:40] for c in list(columns)[:_MOST_NAMES]]
    listed = ", ".join(map(repr, shown)) or "none"
    if len(columns) > _MOST_NAMES:
        listed += f" and {len(columns) - _MOST_NAMES} more"
    accepted = "; ".join(
        f"{what}: {', '.join(NAMES[what][:5])}" for what in ("divisions", "seconds", "voltage")
    )
    raise InputError(
        f"`run` ({source}) has none of the needed columns; found {listed}; what would do is "
        f"{accepted}, or start and end, or position and time."
    )


def _unfold(
    columns: Mapping[str, list[str]],
    cells: Mapping[str, list[str]],
    wide: Mapping[int, Mapping[str, str]],
) -> tuple[dict[str, list[str]], list[int]]:
    """Put numbered repeats below each other, row by row, leaving out blank ones."""
    names = sorted({name for group in wide.values() for name in group})
    out: dict[str, list[str]] = {name: [] for name in (*cells, *names, "repeat")}
    numbers: list[int] = []
    n = len(next(iter(columns.values())))
    for i in range(n):
        for repeat, group in sorted(wide.items()):
            if not any(columns[text][i].strip() for text in group.values()):
                continue
            for name, column in cells.items():
                out[name].append(column[i])
            for name in names:
                out[name].append(columns[group[name]][i] if name in group else "")
            if "repeat" not in cells:
                out["repeat"].append(str(repeat))
            numbers.append(i + 1)
    return out, numbers
