"""A page of a run as it is written: its headers, its cells, one row a reading."""

from __future__ import annotations

import dataclasses
import functools
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from quantize._support.errors import InputError, InputTypeError, listed, one_line, warn
from quantize._support.validation import BoolArray, FloatArray
from quantize.charge.headers import NAMES, PASSAGES, UNITS, Header, cell_number, fits, kept
from quantize.charge.stated import counted, rows_named
from quantize.tables.reading import read
from quantize.tables.table import Table

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus

_DITTO = ('"', "''", "〃", "”", "ditto", "do.")
REPEATED = ("divisions", "seconds", "start", "end", *PASSAGES)
_MEASURED = ("voltage", "position", *REPEATED)
_COUNTS = ("no", "no.", "nr", "nr.", "number", "#", "№")  # headers of rows that are only counted
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_COMPUTED = {"total", "totals", "sum", "mean", "average", "avg", "median", "sd", "s.d", "std"}
_COMPUTED |= {"std dev", "stdev", "standard deviation", "mean value", "mean values", "σ", "Σ"}


class RowNumber(int):
    """The number of a row of a page, which shows where in the file that is, too."""

    page: Page

    def __str__(self) -> str:
        return self.page.named([int(self)]).removeprefix("row ")


@dataclasses.dataclass(frozen=True)
class Page:
    """Cells as text, a column for each canonical name, under the numbers of the rows of the page.

    `headers` keeps what each column was called, `remarks` what was understood on the way,
    `measured` the columns of measured numbers as they are called in the file, `unused` those that
    were not understood, `lines` where in the file the rows stand, and `written` all its columns.
    """

    cells: pd.DataFrame
    headers: dict[str, Header]
    comma: bool
    remarks: tuple[str, ...]
    source: str
    measured: tuple[str, ...] = ()
    unused: tuple[Header, ...] = ()
    lines: tuple[int, ...] = ()
    written: pd.DataFrame = dataclasses.field(default_factory=pd.DataFrame)

    def number(self, row: int) -> RowNumber:
        """A row of the page, counted from 1 below the header."""
        number = RowNumber(row)
        number.page = self
        return number

    @functools.cached_property
    def numbers(self) -> list[RowNumber]:
        """The row of the page of each tidy row."""
        return [self.number(row) for row in self.cells.index]

    def need_none_like(self, name: str) -> None:
        """Raise InputError for a column that has the unit of `name` and another name."""
        for header in self.unused:
            if fits(name, header.unit or ""):
                raise InputError(
                    f"the column {header.text!r} has the unit of {name} and a name that is not "
                    f"understood; call it {name} ({header.unit}), or leave out the unit."
                )

    def named(self, rows: Iterable[int]) -> str:
        """Rows in a sentence, with their lines in the file."""
        return rows_named(list(rows), self.lines, self.source)

    def text(self, name: str) -> list[str]:
        """The cells of a column; blanks where there is none."""
        return self.cells[name].tolist() if name in self.cells else [""] * len(self.cells)

    def rows(self, name: str) -> Iterator[tuple[RowNumber, str]]:
        """Row of the page and cell, all down a column."""
        return zip(self.numbers, self.text(name), strict=True)

    @functools.cached_property
    def kept_rows(self) -> tuple[list[bool], list[str]]:
        """Which rows count, and the reason beside each."""
        reason = [cell.strip() for cell in self.text("reason")]
        read = [kept(word, row=row) for row, word in self.rows("keep")]
        gone = [kept(word, row=row, column="discard") for row, word in self.rows("discard")]
        # A reason without a word for keep says why a row was given up.
        said = zip(read, gone, reason, strict=True)
        blank = not self.ticked
        return [
            not out and (blank and not why if word is None else word) for word, out, why in said
        ], reason

    @functools.cached_property
    def ticked(self) -> bool:
        """Whether rows are kept by a tick: some cells under keep say yes, and none says no."""
        said = {kept(word, row=row) for row, word in self.rows("keep")}
        return True in said and False not in said

    @property
    def unticked(self) -> str:
        """How many rows are left out because they have no tick; nothing where none is."""
        blank = {row for row, word in self.rows("keep") if kept(word, row=row) is None}
        if not (self.ticked and blank):
            return ""
        header = self.headers["keep"].text
        those = f"{counted(len(blank), 'row')} without a tick under {header!r}"
        return f"{those} {'is' if len(blank) == 1 else 'are'} left out, as others have one"

    def column(self, name: str) -> FloatArray:
        """The numbers of a column in the rows that are kept, in the unit of its header.

        InputError for a blank or a bound, with the row.
        """
        values = []
        for (row, cell), use in zip(self.rows(name), self.kept_rows[0], strict=True):
            if use:
                value, limit, _ = self.read(name, row, cell)
                if limit or math.isnan(value):
                    raise InputError(
                        f"`{name}` is {cell!r} in row {row}; write the number, or no under keep."
                    )
                values.append(value)
        if not values:
            raise InputError(f"`{self.source}` has no row that is kept.")
        return np.array(values) * self.headers[name].factor()[0]

    def read(self, name: str, row: int, cell: str) -> tuple[float, int, int]:
        """As `cell_number`, of a cell in the column `name`."""
        factor = self.headers[name].factor()[0]
        return cell_number(cell, column=name, row=row, comma=self.comma, factor=factor)

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

    def scales(self, bench: Apparatus) -> dict[str, float]:
        """The same of every column that is written in steps."""
        steps = {"start", "divisions", "seconds"} & set(self.headers)
        return {name: abs(self.scale(name, bench)) for name in steps}


def read_page(source: Any, *needed: str) -> Page:
    """Read a file, a DataFrame or a mapping of columns, with the columns that are `needed`.

    Without such names it is a page of movements, with distances or times of them.
    """
    table, name = _table(source)
    names = [str(text) for text in table.names]
    double = next((text for text in names if names.count(text) > 1), None)
    if double is not None:
        how = "keep one" if double else "begin what stands above the column names with #"
        raise InputError(f"`run` ({name}) has two columns called {double!r}; {how}.")
    if len(table.rows) == 0:
        raise InputError(f"`run` ({name}) has no rows below a header of column names.")
    columns = {text: table.text(j) for j, text in enumerate(names)}
    comma = table.separator != "," and any(
        "," in cell and _DECIMAL_COMMA.fullmatch(cell.strip())
        for cells in columns.values()
        for cell in cells
    )
    cells = pd.DataFrame(columns, index=range(1, len(table.rows) + 1), dtype=object)
    lines = tuple(table.rows) if isinstance(source, str | Path) else ()
    return dataclasses.replace(_tidy(cells, name, comma=comma, needed=needed), lines=lines)


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


def _tidy(written: pd.DataFrame, source: str, *, comma: bool, needed: tuple[str, ...]) -> Page:
    """The cells of a page under canonical names, repeats below each other."""
    headers = {str(text): Header(str(text)) for text in written}
    ditto = written.isin(_DITTO)
    written = written.mask(ditto).ffill().fillna("") if ditto.to_numpy().any() else written
    single, wide, remarks = _places(written, headers, source)
    if len(wide) == 1:
        single |= wide.popitem()[1]
    named = dict(single)
    for group in wide.values():
        named |= group
    _need_columns(list(headers), set(named), source, needed)
    cells = _under(written, single)
    if wide:
        cells = _unfolded(written, cells, wide)
        remarks.append(f"{len(wide)} repeats stand side by side and were put below each other")
    cells = cells[_filled(cells.drop(columns=["particle", "repeat"], errors="ignore"))]
    kept = {name: headers[text] for name, text in named.items()}
    timed = kept.get("divisions")
    if timed is not None and timed.seconds is not None:
        own = cells.get("seconds", pd.Series("", cells.index)).str.strip()
        cells = cells.assign(seconds=own.replace("", repr(timed.seconds)))
        kept.setdefault("seconds", Header("seconds"))
        remarks.append(f"a reading lasts {timed.seconds:g} s, as the column {timed.text!r} says")
    if comma:
        remarks.append("a comma is read as the decimal point")
    remarks += [
        f"down is positive in {header.text!r}, as its header says, so that its signs are turned"
        for header in kept.values()
        if header.sign < 0
    ]
    return Page(
        cells=cells,
        headers=kept,
        comma=comma,
        remarks=tuple(remarks),
        source=source,
        measured=tuple(text for text, header in headers.items() if header.name in _MEASURED),
        unused=tuple(header for header in headers.values() if header.name is None),
        written=written,
    )


def _places(
    written: pd.DataFrame, headers: Mapping[str, Header], source: str
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
            if written[text].nunique() <= len(written) / 2 and len(particles) == 1:
                single["particle"] = text
                continue
            remarks.append(f"the column {text!r} only counts the rows")
        elif header.number is not None and header.name in REPEATED:
            wide.setdefault(header.number, {})[header.name] = text
        elif header.name in single:
            raise _two_columns(source, header.name, single[header.name], text)
        else:
            single[header.name] = text
    repeated = {name for group in wide.values() for name in group}
    repeated |= set(PASSAGES) if repeated & set(PASSAGES) else set()
    for name in [name for name in single if name in repeated]:
        # Beside numbered columns the one without a number is the first.
        first = wide.setdefault(1, {})
        if name in first:
            raise _two_columns(source, name, single[name], first[name])
        first[name] = single.pop(name)
    return single, wide, remarks


def _two_columns(source: str, name: str, one: str, other: str) -> InputError:
    return InputError(
        f"`run` ({source}) has two columns for {name}: {one!r} and {other!r}; keep one, or number "
        "them as repeats."
    )


def _need_columns(
    columns: list[str], names: set[str], source: str, needed: tuple[str, ...]
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


def _under(written: pd.DataFrame, places: Mapping[str, str]) -> pd.DataFrame:
    """Columns of a page under their canonical names."""
    return written[list(places.values())].set_axis(list(places), axis=1)


def _filled(cells: pd.DataFrame) -> BoolArray:
    """Rows in which something is written."""
    rows = cells.itertuples(index=False, name=None)
    return np.array([any(cell.strip() for cell in row) for row in rows], dtype=bool)


def _unfolded(
    written: pd.DataFrame, cells: pd.DataFrame, wide: Mapping[int, Mapping[str, str]]
) -> pd.DataFrame:
    """Numbered repeats below each other, row by row, blank ones left out."""
    pieces = []
    for repeat, group in sorted(wide.items()):
        own = _under(written, group)
        numbered = pd.concat([pd.DataFrame({"repeat": str(repeat)}, own.index), cells, own], axis=1)
        pieces.append(numbered.loc[_filled(own), ~numbered.columns.duplicated(keep="last")])
    return pd.concat(pieces).fillna("").sort_index(kind="stable")


def need_readings(page: Page) -> None:
    """Raise InputError for a row of a sum, of units or of words, that was not given up.

    It warns of rows that are left out for want of a tick.
    """
    # Of a track one position may have the tick for all.
    if page.unticked and "position" not in page.cells:
        warn(f"In `{page.source}` {page.unticked}.")
    words = {h.text for n, h in page.headers.items() if n in ("note", "reason", "event")}
    written = page.written.drop(columns=[*words & {*page.written}])
    measured = {h.text: n for n, h in page.headers.items() if n in UNITS and h.text in written}
    given_up = {row for row, use in zip(page.numbers, page.kept_rows[0], strict=True) if not use}
    label = page.headers["particle"].text if "particle" in page.headers else None
    cells = {text: written[text].str.strip().tolist() for text in written}
    sums = {
        word
        for words in cells.values()
        for word in set(words)
        if word.lower().strip(" .:=") in _COMPUTED
    }
    units = {
        (text, word)
        for text, name in measured.items()
        for word in set(cells[text])
        if _is_unit(name, word)
    }
    for row, *line in zip(written.index, *cells.values(), strict=True):
        said = {text: word for text, word in zip(cells, line, strict=True) if word}
        computed = [word for word in said.values() if word in sums]
        united = [word for text, word in said.items() if (text, word) in units]
        words_alone = len(said) == 1 < len(cells) and not said.keys() & measured.keys()
        if row not in page.cells.index:
            # Nothing but its number, or a label for those below.
            words_alone &= label not in said and any(map(str.isalpha, "".join(said.values())))
        if row in given_up or not (computed or len(united) > 1 or words_alone):
            continue
        why = (
            f"is called {computed[0]!r}; leave out what is computed from other rows"
            if computed
            else f"holds the units {', '.join(united)}; write them in the headers"
            if united
            else f"holds nothing but {one_line(next(iter(said.values())))[:40]!r}; fill it"
        )
        raise InputError(f"row {page.number(row)} {why}, or begin the line with #.")


def _is_unit(name: str, cell: str) -> bool:
    bare = cell.strip("()[]")
    return not any(map(str.isdigit, cell)) and (fits(name, bare) or fits(name, bare.lower()))
