"""Results in notebooks: small tables, every text escaped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from quantize.show import tables, words
from quantize.show.rounding import brackets, plus_minus, rounded
from quantize.show.text import HEADLINES

if TYPE_CHECKING:
    from quantize.analysis import Analysis

_MOST_ROWS = 8
_CELL = "padding:0.15em 0.7em;text-align:{};border-bottom:1px solid #b9c2cb"


def notebook_html(result: Any) -> str:
    """The headline of a result and its table of rival units."""
    head = f"<p><strong>{escape(_name(result))}</strong>: {escape(result._headline())}</p>"
    frame = getattr(result, "alternatives", None)
    if frame is None or not len(frame):
        return head
    rows = [[_cell(value) for value in row] for row in frame.head(_MOST_ROWS).to_numpy(object)]
    return head + table([str(name) for name in frame.columns], rows, caption="Rival units")


def analysis_html(found: Analysis) -> str:
    """Verdict, unit, rivals and whole numbers of an analysis."""
    unit = plus_minus(found.unit, found.unit_err)
    parts = "; ".join(
        f"{rounded(low, found.unit_err)} to {rounded(high, found.unit_err)}"
        for low, high in tables.pieces(found)[:6]
    )
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in (*found.reasons, *found.advice))
    rivals = [
        [
            brackets(row["unit"], row["unit_err"]),
            words.share(row["share"]),
            words.relation(row["relation"]),
        ]
        for row in found.alternatives.head(_MOST_ROWS).to_dict("records")
    ]
    size = f"Unit {unit}; 95 % set {parts}"
    if not tables.stands(found):
        size, rivals = tables.no_unit(found).rstrip("."), []
    text = (
        f"<p><strong>{escape(found.verdict)}</strong>: {escape(HEADLINES[found.verdict])}</p>"
        f"<ul>{reasons}</ul>"
        f"<p>{escape(size)}; "
        f"p&nbsp;=&nbsp;{found.p_value:.2g}; {escape(words.weighed(found.log_bayes_factor))}</p>"
    )
    rows = tables.levels(found)
    if rivals:
        text += table(["unit", "share", "what it is"], rivals, caption="Rival units")
    if not rivals or not tables.readable(rows):
        return text
    form = tables.form(found)
    cells: list[Sequence[str]] = []
    for row in tables.folded(rows, most=20, head=10, tail=5):
        if row is None:
            cells.append(["…"] * 5)
            continue
        cells.append(
            [
                row.label,
                form(row.value),
                str(row.integer),
                words.probability(row.probability),
                form(row.difference, "+"),
            ]
        )
    name = "state" if found.readings.state is not None else "reading"
    head = [name, "value", "whole number", "probability", "difference"]
    return text + table(head, cells, caption="The whole number behind each " + name)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], *, caption: str) -> str:
    """A small table; numbers to the right, words to the left."""
    body = list(rows)
    aligned = [
        "right" if all(_is_number(row[j]) for row in body) else "left" for j in range(len(head))
    ]

    def cells(row: Sequence[str], tag: str) -> str:
        return "".join(
            f'<{tag} style="{_CELL.format(side)}">{escape(cell)}</{tag}>'
            for cell, side in zip(row, aligned, strict=True)
        )

    lines = "".join(f"<tr>{cells(row, 'td')}</tr>" for row in body)
    return (
        f'<table style="border-collapse:collapse"><caption style="text-align:left">'
        f"{escape(caption)}</caption><thead><tr>{cells(head, 'th')}</tr></thead>"
        f"<tbody>{lines}</tbody></table>"
    )


def _is_number(text: str) -> bool:
    return bool(text) and (text[0] in "+-.<>…" or text[0].isdigit())


def _name(result: Any) -> str:
    return type(result).__name__


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.5g}"
    return str(value)
