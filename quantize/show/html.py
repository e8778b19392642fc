"""Results in notebooks: small tables, every text escaped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from quantize.charge.stated import degrees_of_freedom
from quantize.null.verdict import KINDS
from quantize.show import tables, words
from quantize.show.report_words import clean
from quantize.show.rounding import brackets, plus_minus
from quantize.show.run_text import run_lines

if TYPE_CHECKING:
    import pandas as pd

    from quantize.analysis import Analysis

_MOST_ROWS = 12
_MOST_COLUMNS = 12
_CELL = "padding:0.15em 0.7em;text-align:{};border-bottom:1px solid #b9c2cb"


_FRAMES = {
    "alternatives": "Rival units",
    "levels": "Levels",
    "budget": "Where the uncertainty comes from",
    "routes": "Every route",
    "particles": "Particles",
    "mode_shares": "Shares of the modes, by ensemble",
    "table": "Results",
}
"""Tables that a result may carry, with their captions."""
_PAIRS = {"unit": "unit_err", "value": "standard_uncertainty"}
_LEFT_OUT = {"distribution", "scope", "slope", "contribution", "depends", "random", "systematic"}


def notebook_html(result: Any) -> str:
    """The headline of a result, its tables, its checks and its chances by kind of null."""
    head = f"<p><strong>{escape(_name(result))}</strong>: {escape(result._headline())}</p>"
    return head + "".join(
        [
            *(
                _frame(getattr(result, name), caption)
                for name, caption in _FRAMES.items()
                if hasattr(getattr(result, name, None), "columns")
            ),
            _checks(getattr(result, "checks", ())),
            _chances(getattr(result, "p_values", {})),
        ]
    )


def _frame(frame: pd.DataFrame, caption: str) -> str:
    """A table with each uncertainty in brackets behind its value; long ones folded."""
    if not len(frame):
        return ""
    names = [str(name) for name in frame.columns]
    paired = {value: error for value, error in _PAIRS.items() if {value, error} <= set(names)}
    shown = [n for n in names if n not in paired.values() and n not in _LEFT_OUT][:_MOST_COLUMNS]
    rows: list[Sequence[str]] = []
    records = frame.to_dict("records")
    for row in tables.folded(records, most=_MOST_ROWS, head=_MOST_ROWS - 2, tail=1):
        if row is None:
            rows.append(["…"] * len(shown))
            continue
        rows.append(
            [
                brackets(row[name], row[paired[name]]) if name in paired else _cell(name, row[name])
                for name in shown
            ]
        )
    return table([name.replace("_", " ") for name in shown], rows, caption=caption)


def _checks(checks: Any) -> str:
    if not isinstance(checks, Sequence) or not checks:
        return ""
    rows = [[check.level, check.name, check.sentence] for check in checks]
    return table(["result", "check", "what was found"], rows, caption="Checks")


def _chances(p_values: Any) -> str:
    if not isinstance(p_values, Mapping) or not p_values:
        return ""
    rows = [[str(KINDS.get(kind, kind)), words.chance(p)] for kind, p in p_values.items()]
    return table(["samples made of", "as regular as these"], rows, caption="Samples without steps")


def analysis_html(found: Analysis) -> str:
    """Verdict, unit, rivals and whole numbers of an analysis."""
    unit = plus_minus(found.unit, found.unit_err)
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in (*found.reasons, *found.advice))
    rivals = [
        [
            brackets(row["unit"], row["unit_err"]),
            words.share(row["share"]),
            words.relation(row["relation"]),
        ]
        for row in found.alternatives.head(_MOST_ROWS).to_dict("records")
    ]
    size = f"Unit {unit}; 95 % set {tables.set_in_words(found)}"
    if not tables.stands(found):
        size, rivals = tables.no_unit(found).rstrip("."), []
    text = (
        f"<p><strong>{escape(found.verdict)}</strong>: {escape(tables.headline(found))}</p>"
        f"<ul>{reasons}</ul>"
        f"<p>{escape(size)}; "
        f"p&nbsp;=&nbsp;{found.p_value:.2g}; {escape(words.compared(found))}</p>"
    )
    text += "".join(f"<p>{escape(line)}</p>" for line in run_lines(found))
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


def _cell(name: str, value: Any) -> str:
    if name == "degrees_of_freedom":
        return degrees_of_freedom(float(value))
    if isinstance(value, float):
        digits = 2 if name.endswith(("uncertainty", "_err", "_se")) else 5
        return "" if math.isnan(value) else f"{value:.{digits}g}"
    return clean(value, longest=80)
