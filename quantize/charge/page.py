"""A page of a run as it is written: its headers, its cells, one row a reading."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from quantize._support.errors import InputError, InputTypeError, listed, one_line
from quantize._support.validation import FloatArray
from quantize.charge.headers import NAMES, PASSAGES, Header
from quantize.tables.reading import read
from quantize.tables.table import Table

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus

_SIGNS = {"up": 1, "u": 1, "+": 1, "↑": 1, "rise": 1, "rises": 1, "rising": 1, "1": 1, "+1": 1,
          "down": -1, "d": -1, "-": -1, "−": -1, "↓": -1, "fall": -1, "falls": -1,
          "falling": -1, "-1": -1}  # fmt: skip
_YES = {"yes", "y", "true", "1", "keep", "kept", "ok", "x", "good"}
_NO = {"no", "n", "false", "0", "drop", "dropped", "discard", "discarded", "bad"}
_CHANGE = re.compile(r"\b(?:chang|jump)")
_MEANWHILE = re.compile(r"\b(?:within|during|while|midway|in the (?:middle|interval))\b")
_CELL = re.compile(
    r"^(?P<limit>[<>≥≤]=?)?\s*(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<rest>\D*)$"
)

_MEASURED = ("voltage", "divisions", "seconds", "start", "end", "position", *PASSAGES)
_REPEATED = ("divisions", "seconds", "start", "end", *PASSAGES)
_COUNTS = ("no", "no.", "nr", "nr.", "number")  # headers of rows that are only counted
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")

# ---- cells ----------------------------------------------------------------------------------


def cell_number(text: str, *, column: str, row: int, comma: bool) -> tuple[float, int, int]:
    """Read one cell: the number, +1/-1 if it is a lower/upper bound, +1/-1 for an arrow or word.

    Blank cells give NaN.
    """
    shown = text.strip().replace("−", "-").replace("–", "-").replace("\u00a0", "")
    if shown.lower() in ("", "nan", "na", "n/a", "none", "-", "--", "?"):
        return math.nan, 0, 0
    if column == "voltage" and shown.lower() in ("off", "zero", "earthed"):
        return 0.0, 0, 0
    if "," in shown:
        if not comma:
            raise InputError(
                f"`{column}` is {text!r} in row {row}, with a comma; write a decimal point, or "
                "separate the columns by semicolons."
            )
        shown = shown.replace(",", ".", 1)
    sign = 0
    for mark in ("↑", "↓"):
        if mark in shown:
            sign, shown = _SIGNS[mark], shown.replace(mark, "").strip()
    found = _CELL.match(shown)
    if found is None:
        how = (
            "; for a reading off the scale write > and the last division, as in >40"
            if column in ("divisions", "end")
            else ""
        )
        raise InputError(f"`{column}` is {text!r} in row {row}, which is not a number{how}.")
    rest = found["rest"].strip().lower()
    if rest in _SIGNS:
        sign, rest = _SIGNS[rest], ""
    if rest not in ("", "v", "s", "div", "divisions", "sec"):
        raise InputError(
            f"`{column}` is {text!r} in row {row}; put words into a column of their own."
        )
    value = float(found["number"])
    if math.isinf(value):
        raise InputError(f"`{column}` is {text[:40]!r} in row {row}, which is too large.")
    limit = {"": 0, ">": 1, "≥": 1, "<": -1, "≤": -1}[(found["limit"] or "")[:1]]
    return value, limit, sign


def direction(text: str, *, row: int) -> int:
    """+1 for up, -1 for down, 0 for blank."""
    word = text.strip().lower()
    if word in ("", "nan", "none", "0", "still"):
        return 0
    if word not in _SIGNS:
        raise InputError(f"`direction` is {text!r} in row {row}; write up or down, or + or -.")
    return _SIGNS[word]


def changed_within(note: str) -> bool:
    """Whether a note says that the charge changed while the reading was timed.

    >>> [changed_within("charge changed" + at) for at in (" within the interval", "")]
    [True, False]
    """
    text = note.lower()
    return _CHANGE.search(text) is not None and _MEANWHILE.search(text) is not None


def kept(text: str, *, row: int, column: str = "keep") -> bool | None:
    """Whether a row counts, or another question answered by yes or no; None for a blank."""
    word = text.strip().lower().removesuffix(".0")
    if word in ("", "nan", "none"):
        return None
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise InputError(f"`{column}` is {text!r} in row {row}; write yes or no.")


# ---- pages ----------------------------------------------------------------------------------


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

    def kept_rows(self) -> tuple[list[bool], list[str]]:
        """Which rows count, and the reason beside each."""
        n = len(self.numbers)
        reason = [c.strip() for c in self.cells.get("reason", [""] * n)]
        words = self.cells.get("keep", [""] * n)
        read = [kept(w, row=r) for w, r in zip(words, self.numbers, strict=True)]
        # A reason without a word for keep says why a row was given up.
        return [
            not why if word is None else word for word, why in zip(read, reason, strict=True)
        ], reason

    def column(self, name: str) -> FloatArray:
        """The numbers of a column in the rows that are kept, in the unit of its header.

        Raises
        ------
        InputError
            For a blank or a bound, with the row.
        """
        values = []
        for cell, row, use in zip(self.cells[name], self.numbers, self.kept_rows()[0], strict=True):
            if use:
                value, limit, _ = cell_number(cell, column=name, row=row, comma=self.comma)
                if limit or math.isnan(value):
                    raise InputError(
                        f"`{name}` is {cell!r} in row {row}; write the number, or no under keep."
                    )
                values.append(value)
        if not values:
            raise InputError(f"`{self.source}` has no row that is kept.")
        return np.array(values) * self.headers[name].factor()[0]

    def scale(self, name: str, bench: Apparatus) -> float:
        """Factor of a column onto V, s or divisions; lengths by the scale of the bench."""
        scale, is_length = self.headers[name].factor()
        if not is_length:
            return scale
        if not bench.has("reticle.division"):
            raise InputError(
                f"the column {self.headers[name].text!r} is a length; give an apparatus with "
                "`reticle.division`, or the divisions themselves."
            )
        return scale / bench.need("reticle.division").value


def read_page(source: Any, *needed: str) -> Page:
    """Read a file, a DataFrame or a mapping of columns, with the columns that are `needed`.

    Without such names it is a page of movements, with distances or times of them.
    """
    table, name = _table(source)
    columns = {str(text): table.text(j) for j, text in enumerate(table.names)}
    if len(columns) < len(table.names):
        names = list(map(str, table.names))
        double = next(text for text in names if names.count(text) > 1)
        raise InputError(f"`run` ({name}) has two columns called {double!r}; keep one.")
    if len(table.rows) == 0:
        raise InputError(f"`run` ({name}) has no rows below a header of column names.")
    commas = any(_DECIMAL_COMMA.fullmatch(c.strip()) for cells in columns.values() for c in cells)
    return _tidy(columns, name, comma=commas and table.separator != ",", needed=needed)


def holds_balances(source: Any) -> bool:
    """Whether a table has voltages and nothing that moved: a page of balance voltages."""
    try:
        found = set(read_page(source, "voltage").cells)
    except InputError:
        return False
    return not found & {"divisions", "seconds", "start", "end", "position", *PASSAGES}


def _table(source: Any) -> tuple[Table, str]:
    """The table behind `run`, and what messages call it."""
    if isinstance(source, Mapping):
        try:
            source = pd.DataFrame(dict(source))
        except ValueError as error:
            raise InputError(f"`run` has columns that do not fit together ({error}).") from None
    table = Table.of(source)
    if table is not None:
        return table, "the table given"
    if not isinstance(source, (str, Path)):
        raise InputTypeError(
            f"`run` is of type {type(source).__name__}; give a file name, a DataFrame or a "
            "mapping of columns."
        )
    if not Path(source).is_file():
        raise InputError(f"`run` is {str(source)!r}, and there is no such file.")
    return read(source, headed=True), Path(source).name


def _tidy(
    columns: dict[str, list[str]], source: str, *, comma: bool, needed: tuple[str, ...] = ()
) -> Page:
    headers = {text: Header(text) for text in columns}
    single, wide, remarks = _places(columns, headers, source)
    if any(set(group) & set(PASSAGES) for group in wide.values()):
        # A time without a number beside those with one is that of one passage.
        first = wide[min(wide)]
        first |= {name: single.pop(name) for name in PASSAGES if name in single}
    _need_columns(
        columns, {*single, *(n for group in wide.values() for n in group)}, source, needed
    )
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
    _fill_seconds(cells, kept, remarks, len(numbers))
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


def _places(
    columns: Mapping[str, list[str]], headers: Mapping[str, Header], source: str
) -> tuple[dict[str, str], dict[int, dict[str, str]], list[str]]:
    """Which column holds what, alone or as a numbered repeat, and what is not used."""
    remarks: list[str] = []
    single: dict[str, str] = {}
    wide: dict[int, dict[str, str]] = {}
    particles = [text for text, header in headers.items() if header.name == "particle"]
    named = any(text.strip().lower() not in _COUNTS for text in particles) or any(
        header.name == "state" for header in headers.values()
    )
    for text, header in headers.items():
        if header.name is None:
            if text.strip():
                remarks.append(f"the column {text!r} is not used")
        elif header.name == "particle" and text.strip().lower() in _COUNTS and named:
            if len(set(columns[text])) < len(columns[text]) and len(particles) == 1:
                single["particle"] = text
                continue
            remarks.append(f"the column {text!r} only counts the rows")
        elif header.number is not None and header.name in _REPEATED:
            wide.setdefault(header.number, {})[header.name] = text
        elif header.name in single:
            raise InputError(
                f"`run` ({source}) has two columns for {header.name}: {single[header.name]!r} "
                f"and {text!r}; keep one, or number them as repeats."
            )
        else:
            single[header.name] = text
    return single, wide, remarks


def _fill_seconds(
    cells: dict[str, list[str]], headers: dict[str, Header], remarks: list[str], n: int
) -> None:
    """The time of every reading that has none of its own, from the header of its distance."""
    header = headers.get("divisions")
    if header is None or header.seconds is None:
        return
    text = repr(header.seconds)
    cells["seconds"] = [cell.strip() or text for cell in cells.get("seconds", [""] * n)]
    headers.setdefault("seconds", Header("seconds"))
    remarks.append(f"a reading lasts {header.seconds:g} s, as the column {header.text!r} says")


def _need_columns(
    columns: Mapping[str, Any], names: set[str], source: str, needed: tuple[str, ...]
) -> None:
    if needed and set(needed) <= names:
        return
    moved = names & {"divisions", "seconds", *PASSAGES} or {"start", "end"} <= names
    if moved and not needed:
        return
    shown = listed([repr(one_line(text)[:40]) for text in columns]) or "none"
    accepted = "; ".join(
        f"{what}: {', '.join(NAMES[what][:5])}"
        for what in needed or ("divisions", "seconds", "voltage")
    )
    also = "" if needed else ", or start and end, or position and time"
    raise InputError(
        f"`run` ({source}) has none of the needed columns; found {shown}; what would do is "
        f"{accepted}{also}."
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
