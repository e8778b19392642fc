"""Many groups in words: a table for terminals and one for notebooks."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from quantize.show.html import table as html_table
from quantize.show.rounding import brackets
from quantize.show.text import WIDTH, bullets, paragraph

if TYPE_CHECKING:
    from quantize.groups.analyze import GroupAnalyses

_MOST_ROWS = 40
_NAME = 18
_HEAD = ["group", "n", "verdict", "unit", "share", "p"]


def groups_text(found: GroupAnalyses) -> str:
    """How many groups have which verdict, then a line for each."""
    lines = [f"{found._headline()}.", ""]
    lines += paragraph(_false_share(found), indent="")
    rows = _rows(found)
    if rows:
        lines += ["", _line(_HEAD), *(_line(row) for row in rows)]
        more = len(found) - len(found.failed) - len(rows)
        if more > 0:
            lines.append(f"… and {more:,} more groups; `table` has them all.")
    if found.failed:
        sentences = [f"{label}: {why}" for label, why in found.failed.items()]
        lines += ["", "Not analysed", *bullets(sentences[:_MOST_ROWS])]
        if len(sentences) > _MOST_ROWS:
            lines.append(f"  … and {len(sentences) - _MOST_ROWS:,} more.")
    return "\n".join(line.rstrip() for line in lines)


def groups_html(found: GroupAnalyses) -> str:
    """The same for notebooks."""
    text = (
        f"<p><strong>{escape(found._headline())}</strong></p><p>{escape(_false_share(found))}</p>"
    )
    rows = _rows(found)
    if rows:
        more = len(found) - len(found.failed) - len(rows)
        caption = f"Units of {found.value} by {found.by}"
        caption += f" (the first {len(rows)}; {more:,} more in `table`)" if more > 0 else ""
        text += html_table(_HEAD, rows, caption=caption)
    if found.failed:
        items = list(found.failed.items())[:_MOST_ROWS]
        lost = [[str(label), why] for label, why in items]
        text += html_table(["group", "why"], lost, caption=f"Not analysed: {len(found.failed):,}")
    return text


def _false_share(found: GroupAnalyses) -> str:
    tested = len(found) - len(found.failed)
    return (
        f"Each group is tested by itself at {found.alpha:g}: of {tested:,} groups without steps up "
        f"to {found.alpha * tested:.3g} would be called steps."
    )


def _rows(found: GroupAnalyses) -> list[list[str]]:
    tested = found.table[found.table["verdict"].notna()]
    return [
        [
            _short(str(row["group"])),
            str(row["n"]),
            str(row["verdict"]),
            brackets(row["unit"], row["unit_err"]),
            f"{row['share']:.2f}",
            f"{row['p_value']:.2g}",
        ]
        for row in tested.head(_MOST_ROWS).to_dict("records")
    ]


def _short(label: str) -> str:
    clean = "".join(c if c.isprintable() else " " for c in label)
    return clean if len(clean) <= _NAME else clean[: _NAME - 1] + "…"


def _line(cells: list[str]) -> str:
    name, n, verdict, unit, share, p = cells
    line = f"  {name:<{_NAME}} {n:>5}  {verdict:<11}  {unit:>16}  {share:>5}  {p:>8}"
    return line[:WIDTH]
