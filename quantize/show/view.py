"""What a result has to say, before anybody lays it out: sections of paragraphs, lists and tables.

`text` renders views for terminals, `html` for notebooks and for the report.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, TypeVar

T = TypeVar("T")
_CLOSE = re.compile(
    r"(?<=[\d)]) (?=[%×±])|(?<=[×±]) |(?<=\bp =) |(?<=\bp) (?==)|(?<=[⁰¹²³⁴⁵⁶⁷⁸⁹]) (?=\w)"
)


@dataclasses.dataclass(frozen=True)
class Column:
    """One column of a table: which value of each row it shows, and how.

    `form` is a function, or a format with `unknown` for NaN. `width`, `side` and `gap`, the space
    before it, are for terminals; the last column, without a width, is filled to the end of the
    line. `style` is the class of its cells in the report.
    """

    key: str
    head: str = ""
    width: int = 0
    side: Literal["<", ">"] = ">"
    gap: str = ""
    form: str | Callable[[Any], str] = ""
    unknown: str = ""
    style: Literal["", "n", "label", "check", "mark", "name"] = ""

    def value(self, row: Any) -> Any:
        """The value of this column in a row."""
        return row[self.key] if isinstance(row, Mapping) else getattr(row, self.key)

    def cell(self, row: Any) -> str:
        """The text of this column in a row."""
        value = self.value(row)
        if callable(self.form):
            return self.form(value)
        unknown = isinstance(value, float) and math.isnan(value)
        return self.unknown if unknown else format(value, self.form)


@dataclasses.dataclass(frozen=True)
class Table:
    """Rows of values by keys, or objects with attributes; None stands where some were left out."""

    columns: Sequence[Column]
    rows: Sequence[Any]
    caption: str = ""
    left_out: int = 0


@dataclasses.dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: Sequence[str]
    ordered: bool = False


@dataclasses.dataclass(frozen=True)
class Preformatted:
    """A text that has its own lines."""

    text: str


Block = str | Bullets | Table | Preformatted
"""A string is a paragraph."""


@dataclasses.dataclass(frozen=True)
class Section:
    """Blocks under a title, if it has one."""

    title: str
    blocks: Sequence[Block] = ()


View = tuple[Section, ...]
"""The headline of a result first, then its sections."""


def pairs(rows: Sequence[tuple[str, str]]) -> Table:
    """Names on the left, texts on the right."""
    columns = (Column("name", width=22, side="<", gap="  ", style="name"), Column("text", side="<"))
    return Table(columns, [{"name": name, "text": text} for name, text in rows])


def folded(rows: Sequence[T], *, most: int = 30, head: int = 14, tail: int = 6) -> list[T | None]:
    """A long list with its middle left out, None standing in the gap."""
    return list(rows) if len(rows) <= most else [*rows[:head], None, *rows[-tail:]]


def printable(text: object, longest: int, *, instead: str = " ", end: str = "…") -> str:
    """A label as plain text: `instead` of what cannot be printed, `end` where it is cut."""
    shown = "".join(c if c.isprintable() else instead for c in str(text))
    return shown if len(shown) <= longest else shown[: longest - 1] + end


def together(text: str) -> str:
    """A number and its sign of per cent, of error or of a power of ten on one line."""
    return _CLOSE.sub("\u00a0", text)


def clean(text: object, *, longest: int = 48) -> str:
    """A label for a page, which says how long it was where it is cut."""
    end = f"… ({len(str(text)):,} characters)"
    return printable(text, longest, instead="\N{REPLACEMENT CHARACTER}", end=end)
