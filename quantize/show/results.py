"""The views of all other results: any result, counts in bins, many groups."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from quantize.charge.stated import degrees_of_freedom, raised
from quantize.null.calibration import chance, share
from quantize.null.verdict import KINDS
from quantize.show import facts
from quantize.show.analysis import RIVALS, columns_of, unit_title, verdict
from quantize.show.numbers import brackets, relation, rounded, significant
from quantize.show.view import (
    Bullets,
    Column,
    Preformatted,
    Section,
    Table,
    View,
    clean,
    folded,
    pairs,
    printable,
)

if TYPE_CHECKING:
    import pandas as pd

    from quantize.groups.analyze import GroupAnalyses
    from quantize.null.counts import CountAnalysis

_MOST_ROWS = 12
_MOST_COLUMNS = 12
_MOST_LEVELS = 12
_MOST_GROUPS = 40
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
_GROUPS = (
    Column("group", "group", 18, "<", "  ", lambda label: printable(label, 18)),
    Column("n", "n", 5, gap=" "),
    Column("verdict", "verdict", 11, "<", "  "),
    Column("unit", "unit", 16, gap="  "),
    Column("share", "share", 5, gap="  ", form=".2f"),
    Column("p_value", "p", 8, gap="  ", form=".2g"),
)
_PAIRS = {"unit": "unit_err", "value": "standard_uncertainty"}
_LEFT_OUT = {"distribution", "scope", "slope", "contribution", "depends", "random", "systematic"}


def result_view(result: Any) -> View:
    """The headline of a result and its table of rival units."""
    named = facts.measured_in(result).removeprefix(", in ")
    head = Section(
        f"{type(result).__name__}: {result._headline()}", [f"Measured in {named}."] if named else []
    )
    rivals = getattr(result, "alternatives", None)
    if rivals is None or not len(rivals):
        return (head,)
    written = rivals.head(8).to_string(index=False, float_format=lambda v: f"{v:.5g}")
    return (head, Section("", [Preformatted(written)]))


def result_notebook(result: Any) -> View:
    """The headline of a result, its tables, its checks and its chances by kind of null."""
    tables = [
        frame_table(getattr(result, name), caption)
        for name, caption in _FRAMES.items()
        if hasattr(getattr(result, name, None), "columns")
    ]
    checks, p_values = getattr(result, "checks", ()), getattr(result, "p_values", {})
    if isinstance(checks, Sequence):
        names = {"level": "result", "name": "check", "sentence": "what was found"}
        tables.append(Table(columns_of(names), checks, "Checks"))
    if isinstance(p_values, Mapping):
        kinds = [{"of": KINDS.get(kind, kind), "p": chance(p)} for kind, p in p_values.items()]
        names = {"of": "samples made of", "p": "as regular as these"}
        tables.append(Table(columns_of(names), kinds, "Samples without steps"))
    shown = [table for table in tables if table.rows]
    return (Section(type(result).__name__, [result._headline(), *shown]),)


def frame_table(frame: pd.DataFrame, caption: str) -> Table:
    """A table with each uncertainty in brackets behind its value; long ones folded."""
    names = [str(name) for name in frame.columns]
    paired = {value: error for value, error in _PAIRS.items() if {value, error} <= set(names)}
    shown = [n for n in names if n not in paired.values() and n not in _LEFT_OUT][:_MOST_COLUMNS]
    records = frame.to_dict("records")
    rows = [
        None
        if row is None
        else {
            name: brackets(row[name], row[paired[name]])
            if name in paired
            else _cell(name, row[name])
            for name in shown
        }
        for row in folded(records, most=_MOST_ROWS, head=_MOST_ROWS - 2, tail=1)
    ]
    return Table(columns_of({name: name.replace("_", " ") for name in shown}), rows, caption)


def _cell(name: str, value: Any) -> str:
    if name == "degrees_of_freedom":
        return degrees_of_freedom(float(value))
    if isinstance(value, float):
        digits = 2 if name.endswith(("uncertainty", "_err", "_se")) else 5
        return "" if math.isnan(value) else f"{value:.{digits}g}"
    return clean(value, longest=80)


def counts_view(found: CountAnalysis) -> View:
    """Verdict, reasons, unit, levels and rival units."""
    [[low, high]] = found.interval(0.95).tolist()
    interval = f"{rounded(low, found.unit_err)} to {rounded(high, found.unit_err)}"
    off, start = found.background, facts.counted_from(found)
    rows = [
        ("size", facts.size(found)),
        ("95 % interval", facts.amount(found, interval)),
        *([("counted from", start)] if start else []),
        ("scatter", _scatter(found)),
        ("off every level", f"{share(off)} of the readings"),
        ("readings", f"{found.total:,} in the bins, {found.outside:,} outside the window"),
        ("chance", raised(f"at most {found.p_value:.2g} without steps, by an analytic bound")),
    ]
    return (
        *verdict(found, _headline(found)),
        Section(unit_title(found.verdict), [pairs(rows)]),
        *([Section("", [_levels(found)])] if found.verdict == "steps" else []),
        Section(f"Rival units{facts.measured_in(found)}", [Table(RIVALS, _rivals(found))]),
    )


def _headline(found: CountAnalysis) -> str:
    if found.verdict == "no steps":
        return (
            f"What stands out of the counts does not stand at the multiples of any unit in "
            f"{100 * found.excluded:.0f} % of the range tried."
        )
    return facts.headline(found)


def _scatter(found: CountAnalysis) -> str:
    ratio = significant(found.sigma / found.unit, 2)
    text = f"{facts.amount(found, significant(found.sigma, 3))}, which is {ratio} of the unit"
    if found.sigma_growth > 0:
        text += f"; its square grows by {significant(found.sigma_growth, 3)}² with every level"
    return text


def _levels(found: CountAnalysis) -> Table:
    table = found.levels.sort_values("share", ascending=False).head(_MOST_LEVELS)
    columns = [
        Column("integer", "whole number", 12, gap="  "),
        Column("position", "position", 10, gap=" ", form=".5g"),
        Column("sigma", "scatter", 9, gap=" ", form=".3g"),
        Column("share", "share", 8, gap=" ", form=".3g"),
    ]
    return Table(columns, table.sort_values("integer").to_dict("records"))


def _rivals(found: CountAnalysis) -> list[dict[Any, Any]]:
    return [
        row
        | {"unit": f"{row['unit']:.6g}", "what": relation(row["relation"])}
        | {"share": share(row["share"])}
        for row in found.alternatives.head(5).to_dict("records")
    ]


def groups_view(found: GroupAnalyses) -> View:
    """How many groups have which verdict, then a line for each."""
    view = [Section(f"{found._headline()}."), Section("", [_false_share(found)])]
    rows, more = _group_rows(found)
    if rows:
        rest = [f"… and {more:,} more groups; `table` has them all."] if more else []
        named = facts.measured_in(found)
        title = f"Units of {clean(found.value)} by {clean(found.by)}{named}" if named else ""
        view.append(Section(title, [Table(_GROUPS, rows), *rest]))
    if found.failed:
        sentences = [f"{label}: {why}" for label, why in found.failed.items()]
        more = len(sentences) - _MOST_GROUPS
        rest = [f"… and {more:,} more."] if more > 0 else []
        view.append(Section("Not analysed", [Bullets(sentences[:_MOST_GROUPS]), *rest]))
    return tuple(view)


def groups_notebook(found: GroupAnalyses) -> View:
    """The same for notebooks."""
    tables = []
    rows, more = _group_rows(found)
    if rows:
        caption = f"Units of {found.value} by {found.by}{facts.measured_in(found)}"
        caption += f" (the first {len(rows)}; {more:,} more in `table`)" if more else ""
        tables.append(Table(_GROUPS, rows, caption))
    if found.failed:
        lost = [{"group": str(label), "why": why} for label, why in found.failed.items()]
        caption = f"Not analysed: {len(lost):,}"
        columns = columns_of({"group": "group", "why": "why"})
        tables.append(Table(columns, lost[:_MOST_GROUPS], caption))
    return (Section(found._headline()), Section("", [_false_share(found), *tables]))


def _false_share(found: GroupAnalyses) -> str:
    tested = len(found) - len(found.failed)
    return (
        f"Each group is tested by itself at {found.alpha:g}: of {tested:,} groups without steps up "
        f"to {found.alpha * tested:.3g} would be called steps."
    )


def _group_rows(found: GroupAnalyses) -> tuple[list[dict[Any, Any]], int]:
    """The first groups that were tested, and how many more there are."""
    tested = found.table[found.table["verdict"].notna()]
    rows = [
        row | {"unit": brackets(row["unit"], row["unit_err"])}
        for row in tested.head(_MOST_GROUPS).to_dict("records")
    ]
    return rows, len(tested) - len(rows)
