"""The views of an analysis: in full for terminals, in short for notebooks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from quantize.charge.stated import raised
from quantize.null.calibration import share
from quantize.show import facts
from quantize.show.numbers import Form, probability, rounded, significant
from quantize.show.view import Bullets, Column, Section, Table, View, folded, pairs, printable

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.null.counts import CountAnalysis

_MOST_RIVALS = 8
_STRIP = 19
NO_RIVAL = "No other unit holds as much as 0.1 % of the probability."
RIVALS = (
    Column("unit", "unit", 16, gap="  ", style="n"),
    Column("share", "share", 10, style="n"),
    Column("what", "what it is", side="<", gap="   "),
)


def analysis_view(found: Analysis, *, brief: bool = False) -> View:
    """An analysis for a reader who wants the verdict first and the reasons next.

    `brief` ends after the rival units.
    """
    view = [*verdict(found, facts.headline(found)), _unit(found)]
    if facts.stands(found):
        view += [_readings(found), _rivals(found)]
    if not brief:
        view += [_nulls(found), _estimates(found), _tried(found)]
    return tuple(view)


def verdict(found: Analysis | CountAnalysis, headline: str) -> View:
    """The verdict, its reasons, and what would settle it."""
    lists = {"Why": found.reasons, "What would settle it": found.advice}
    return (
        Section(f"VERDICT: {found.verdict}", [headline]),
        *(
            Section(title, [Bullets(list(map(raised, items)))])
            for title, items in lists.items()
            if items
        ),
    )


def unit_title(verdict: str) -> str:
    """The heading above the unit, which says where it is none yet."""
    title = "The unit" if verdict == "steps" else "The unit, if there were steps"
    return f"{title} (± is one standard uncertainty)"


def _unit(found: Analysis) -> Section:
    if not facts.stands(found):
        return Section("The unit", [facts.no_unit(found)])
    rows = [
        ("size", f"{facts.size(found)}, in short {facts.size_short(found)}"),
        ("95 % set", facts.set_in_words(found)),
        (
            "scatter of a reading",
            f"{facts.amount(found, significant(found.sigma, 2))}, which is "
            f"{significant(found.sigma / found.unit, 2)} of the unit",
        ),
    ]
    if facts.shared(found):
        rows.append(("in the ±", "the scatter of the readings and the error of the fall"))
    if start := facts.counted_from(found):
        rows.append(("counted from", start))
    return Section(unit_title(found.verdict), [pairs(rows)])


def _readings(found: Analysis) -> Section:
    rows = facts.levels(found)
    title = facts.levels_title(found)
    if found.verdict != "steps":
        title += f", if the unit were {facts.amount(found, rounded(found.unit, found.unit_err))}"
    if not facts.readable(rows):
        return Section(title, [facts.unreadable(found)])
    form = facts.form(found)
    title += facts.measured_in(found)
    title += form.taken_out
    table = _levels_table(found, rows, form)
    by_state = found.readings.state is not None
    brackets = ["In brackets: the number of readings of that state."] if by_state else []
    return Section(title, [table, *brackets, *unfitting(rows)])


def unfitting(rows: Sequence[facts.Level]) -> list[str]:
    """What a question mark behind a whole number means, where there is one."""
    said = "A question mark: there a reading fits no whole number, and the nearest is given."
    return [said] if any(row.off for row in rows) else []


def _levels_table(found: Analysis, rows: list[facts.Level], form: Form) -> Table:
    """Each reading or state with its whole number, and where it lies between the neighbours."""
    by_state = found.readings.state is not None
    columns = [
        Column("label", facts.item(found), 7, gap="  "),
        Column("value", "mean of" if by_state else "value", 12),
        Column("integer", "whole\nnumb.", 6),
        Column("probability", "proba-\nbility", 7),
        # A space behind the heads takes them off the next column.
        Column("expected", "whole no. \nx unit ", 11),
        Column("difference", "differ- \nence ", 9),
        Column("strip", "lies between neighbours\n-1/2       0       +1/2", 21, "<", "  "),
    ]
    short = [
        None
        if row is None
        else {
            "label": printable(row.label, 7, instead="?", end="~"),
            "value": _fit(form.mantissa(row.value), 9)
            + (f"{f'({row.count})':>4}" if by_state else ""),
            "integer": row.number,
            "probability": probability(row.probability).replace(" ", ""),
            "expected": _fit(form.finer.mantissa(row.expected), 10),
            "difference": _fit(form.finer.mantissa(row.difference, "+"), 8),
            "strip": _strip(row.difference / found.unit),
        }
        for row in folded(rows)
    ]
    return Table(columns, short, left_out=len(rows) - len(short) + 1)


def _fit(text: str, width: int) -> str:
    """A number in its column: as many significant digits as fit where all of it does not."""
    sign, number, digits = "+" if text[0] == "+" else "", float(text), len(text)
    while len(text) > width and digits > 1:
        digits -= 1
        text = f"{number:{sign}.{digits}g}"
    return text


def _strip(cycles: float) -> str:
    """A reading between its two neighbours: the multiple is at the colon."""
    cells = [" "] * _STRIP
    cells[_STRIP // 2] = ":"
    place = round((min(max(cycles, -0.5), 0.5) + 0.5) * (_STRIP - 1))
    cells[place] = "o"
    return "|" + "".join(cells) + "|"


def _rivals(found: Analysis) -> Section:
    if len(found.alternatives) == 1:
        return Section("Rival units", [NO_RIVAL])
    title = f"Rival units{facts.measured_in(found)}"
    rows = facts.rivals(found, _MOST_RIVALS)
    for row in rows:
        if row["relation"] not in ("best", "unrelated"):
            row["what"] += f" ({row['relation']})"
    rest = found.alternatives["share"].iloc[_MOST_RIVALS:]
    if len(rest):
        more = {"unit": f"{len(rest)} more", "share": share(sum(rest)), "what": "together"}
        rows.append(more)
    return Section(title, [Table(RIVALS, rows)])


def _nulls(found: Analysis) -> Section:
    columns = [
        Column("meaning", "samples without steps, made of", 36, "<", "  "),
        Column("chance", "as regular", 21),
        Column("odds", "odds for steps", 20),
    ]
    largest = f"The largest of these chances counts: p = {significant(found.p_value, 2)}."
    table = Table(columns, facts.nulls(found))
    return Section("How sure", [facts.compared(found), table, largest])


def _estimates(found: Analysis) -> Section:
    columns = [
        Column("method", width=23, side="<", gap="  "),
        Column("unit", width=16),
        Column("note", side="<", gap="   "),
    ]
    return Section(facts.estimates_title(found), [Table(columns, facts.estimates(found))])


def _tried(found: Analysis) -> Section:
    origin = found.readings.origin
    read = [] if origin is None else [("readings", str(origin))]
    return Section("What was tried", [pairs([*read, *facts.settings(found)])])


def columns_of(heads: dict[str, str]) -> list[Column]:
    """Columns by key and head."""
    return [Column(key, head) for key, head in heads.items()]
