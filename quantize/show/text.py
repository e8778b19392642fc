"""Views as plain text, for terminals of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from quantize._support.rendering import renderer
from quantize.show.view import Block, Bullets, Column, Preformatted, Section, Table, View, together

WIDTH = 80


def result_text(result: Any) -> str:
    """A result in plain text."""
    return view_text(renderer("view", result)(result))


def view_text(view: View) -> str:
    """Sections with an empty line between them."""
    return "\n\n".join("\n".join(line.rstrip() for line in _section(part)) for part in view)


def _section(part: Section) -> list[str]:
    """The title, and under it its blocks; these stand at the margin where there is no title."""
    lines = part.title.splitlines()
    for block in part.blocks:
        lines += _block(block, "  " if part.title else "")
    return lines


def _block(block: Block, indent: str) -> list[str]:
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Bullets):
        return [line for item in block.items for line in _filled(item, "  - ", "    ")]
    if isinstance(block, Preformatted):
        return [line for own in block.text.splitlines() for line in _line(own, indent)]
    return _filled(block, indent, indent)


def _filled(text: str, first: str, rest: str) -> list[str]:
    """A paragraph filled to the width, `first` before its first line and `rest` before others."""
    lines = textwrap.wrap(together(text), WIDTH, initial_indent=first, subsequent_indent=rest)
    return [line.replace("\u00a0", " ") for line in lines]


def _line(text: str, indent: str) -> list[str]:
    """A line indented, filled under its own beginning where it is too long."""
    if len(indent + text) <= WIDTH or not text.strip():
        return [indent + text]
    own = indent + text[: len(text) - len(text.lstrip())]
    return _filled(text.strip(), own, own)


def _table(table: Table) -> list[str]:
    """Every cell in its column; a cell that is too long moves those after it."""
    columns = table.columns
    heads = [column.head.split("\n") for column in columns]
    depth = max(map(len, heads)) if any(column.head for column in columns) else 0
    lines = []
    for level in range(depth):
        names = [head[level] if level < len(head) else "" for head in heads]
        lines.append("".join(map(_cell, names, columns)))
    for row in table.rows:
        if row is None:
            gap = _cell("...", columns[0])
            lines.append(f"{gap}   {table.left_out:,} more are left out here")
        else:
            lines += _row(row, columns)
    return lines


def _row(row: Any, columns: Sequence[Column]) -> list[str]:
    start = "".join(_cell(column.cell(row), column) for column in columns[:-1])
    last = columns[-1]
    if last.width:
        return [start + _cell(last.cell(row), last)]
    under = " " * sum(len(column.gap) + column.width for column in columns[:-1])
    return _filled(last.cell(row), start + last.gap, under + last.gap) or [start]


def _cell(text: str, column: Column) -> str:
    return f"{column.gap}{text:{column.side}{column.width or 1}}"
