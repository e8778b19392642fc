"""Views as HTML, every text escaped: for notebooks, and block by block for the report."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

from quantize._support.rendering import renderer
from quantize.show.view import Block, Bullets, Column, Preformatted, Section, Table, together

_CELL = "padding:0.15em 0.7em;text-align:{};border-bottom:1px solid #b9c2cb"


def result_html(result: Any) -> str:
    """A result for notebooks; a page of its own has no style sheet there."""
    return "".join(map(_section, renderer("notebook", result)(result)))


def _section(part: Section) -> str:
    """The title stands in bold before the first paragraph."""
    blocks = list(part.blocks)
    head = f"<strong>{escape(part.title)}</strong>" if part.title else ""
    if head and blocks and isinstance(blocks[0], str):
        head += f": {told(blocks.pop(0))}"
    return (f"<p>{head}</p>" if head else "") + "".join(_block(b, notebook_table) for b in blocks)


def report_blocks(part: Section) -> str:
    """The blocks of a section for the report, whose style sheet knows their classes."""
    return "\n".join(_block(block, _report_table) for block in part.blocks)


def told(text: object) -> str:
    """A text escaped, what stands in backticks as code, numbers with their signs on one line."""
    safe = re.sub(r"`([\w.,=() ]+)`", r"<code>\1</code>", escape(str(text)))
    return together(safe).replace("\u00a0", "&nbsp;")


def _block(block: Block, table: Callable[[Table], str]) -> str:
    if isinstance(block, Table):
        return table(block)
    if isinstance(block, Bullets):
        tag = "ol" if block.ordered else "ul"
        items = "".join(f"<li>{told(item)}</li>" for item in block.items)
        return f"<{tag}>{items}</{tag}>"
    if isinstance(block, Preformatted):
        return f"<pre>{escape(block.text)}</pre>"
    return f"<p>{told(block)}</p>"


def notebook_table(table: Table) -> str:
    """A small table; numbers to the right, words to the left."""
    columns = table.columns
    rows = [["…" if row is None else c.cell(row) for c in columns] for row in table.rows]
    sides = [
        "right" if all(map(_is_number, cells)) else "left" for cells in zip(*rows, strict=True)
    ]

    def line(texts: Sequence[str], tag: str) -> str:
        return "".join(
            f'<{tag} style="{_CELL.format(side)}">{told(text)}</{tag}>'
            for text, side in zip(texts, sides, strict=True)
        )

    lines = "".join(f"<tr>{line(row, 'td')}</tr>" for row in rows)
    heads = [column.head for column in columns]
    head = f"<thead><tr>{line(heads, 'th')}</tr></thead>" if any(heads) else ""
    caption = escape(table.caption)
    caption = f'<caption style="text-align:left">{caption}</caption>' if caption else ""
    return f'<table style="border-collapse:collapse">{caption}{head}<tbody>{lines}</tbody></table>'


def _is_number(text: str) -> bool:
    return bool(text) and (text[0] in "+-.<>…" or text[0].isdigit())


def _report_table(table: Table) -> str:
    columns = table.columns
    heads = "".join(f'<th scope="col"{_number(c)}>{escape(c.head)}</th>' for c in columns)
    head = f"<thead><tr>{heads}</tr></thead>\n" if any(c.head for c in columns) else ""
    left_out = f"{table.left_out:,} more are left out here"
    gap = f'<tr class="gap"><td colspan="{len(columns)}">{left_out}</td></tr>'
    rows = "\n".join(
        gap if row is None else f"<tr>{''.join(_report_cell(row, c) for c in columns)}</tr>"
        for row in table.rows
    )
    return f'<div class="scroll"><table>\n{head}<tbody>\n{rows}\n</tbody>\n</table></div>'


def _number(column: Column) -> str:
    return ' class="n"' if column.style == "n" else ""


def _report_cell(row: Any, column: Column) -> str:
    text = told(column.cell(row))
    if column.style == "name":
        return f'<th scope="row">{text}</th>'
    if column.style == "label":
        return f'<td class="label"><bdi>{text}</bdi></td>'
    if column.style == "mark":
        return f'<td class="mark {escape(column.value(row))}">{text}</td>'
    return f'<td class="{column.style}">{text}</td>' if column.style else f"<td>{text}</td>"


def inline_svg(svg: bytes, name: str) -> str:
    """A picture for the body of a page: no prolog, as wide as its column, ids of its own."""
    from markupsafe import Markup

    text = svg.decode("utf-8")
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'(\sid="|href="#|url\(#)', rf"\g<1>{name}-", text)
    head, _, rest = text.partition(">")
    head = re.sub(r'\s(?:width|height)="[^"]*"', "", head)
    # The figure around the picture carries its description.
    return Markup(f'{head} aria-hidden="true" focusable="false">{rest}')
