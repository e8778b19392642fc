"""Studies and plans: their views, and their tables as csv or parquet, whole or not at all."""

from __future__ import annotations

import dataclasses
import io
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quantize._support.errors import missing
from quantize._support.writing import write_whole
from quantize.show.view import Bullets, Column, Section, Table, View, printable

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.planning import BenchPlan
    from quantize.studies.comparison import Comparison
    from quantize.studies.planning import Plan

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_ESTIMATORS = (
    Column("estimator", width=24, side="<", gap="  ", form=lambda name: printable(name, 23)),
    Column("right", "right", 12),
    Column("fraction", "u/2,u/3", 8, form=".2f"),
    Column("double", "2u", 6, form=".2f"),
    Column("over_bound", "error", 7, form=".2f"),
    Column("coverage", "cover", 7, form=".2f"),
    Column("steps", "steps", 7, form=".2f"),
    Column("failed", "failed", 7),
)
_REPEATS = Column("repeats", "readings of each state", 22, form=".0f")
_INTERVAL = Column("interval", "95 % interval", side="<", gap="  ")
_SETUP = (
    Column("diameter", "diameter", 9, form=lambda metres: f"{1e6 * metres:.2f} µm"),
    Column("interval", "interval", 9, form=lambda seconds: f"{seconds:.3g} s"),
    Column("units", "units", 6, form=".0f"),
    Column("balance_voltage", "voltage", 9, form=lambda volts: f"{volts:.0f} V"),
    Column("divisions", "div/unit", 9, form=".1f"),
    Column("sigma_over_unit", "sigma/u", 9, form=".3f"),
)


def setups_view(found: BenchPlan) -> View:
    """The best setups of a bench in a line each, and where their ranges come from."""
    columns = [
        *_SETUP,
        Column("sigma_over_unit_far", "far", 6, form=".2f"),
        Column("largest_charge", "largest", 8, form=".0f"),
        Column("off_scale", "lost", 6, form=lambda share: f"{100 * share:.0f}%"),
    ]
    return (
        Section(f"Plan at the bench, {found._headline()}"),
        Section("", [Table(columns, found.table.head(12).to_dict("records"))]),
        Section("", [found.note, *found.cautions]),
    )


def comparison_view(found: Comparison) -> View:
    """A section for each condition, a line for each estimator."""
    table = found.table
    columns = list(table.columns)
    keys = columns[: columns.index("estimator")]
    view = [Section("", [_what_is_counted(found)])]
    for values, group in table.groupby(keys, sort=False, dropna=False):
        given = dict(zip(keys, values if isinstance(values, tuple) else (values,), strict=True))
        if given.get("sigma") == given["sigma_over_unit"]:
            del given["sigma"]
        condition = ", ".join(f"{_word(key)} {_value(value)}" for key, value in given.items())
        rows = [_estimator(row) for row in group.to_dict("records")]
        view.append(Section(condition, [Table(_ESTIMATORS, rows)]))
    if found.errors:
        errors = [f"{name}: {message}" for name, message in found.errors.items()]
        view.append(Section("First errors", [Bullets(errors)]))
    return tuple(view)


def _what_is_counted(found: Comparison) -> str:
    """The columns in words, as far as they apply: with a unit, without, or both."""
    unit = [one["family"] is None for one in found.conditions]
    words = (
        f"{found.replicates} simulated samples for each condition, the same for every estimator."
    )
    if any(unit):
        words += (
            f" Right is within {100 * found.tolerance:g} % of the true unit, after ± half its 95 % "
            "interval; u/2,u/3 and 2u are what is found instead. Error is that of the right "
            "answers over the Cramér–Rao bound; cover the share of "
            f"{100 * found.prob:g} % intervals that hold the true unit; steps the share in which "
            f"steps are found, at alpha {found.alpha:g}."
        )
    if not all(unit):
        words += (
            " Where there is no unit, steps is the share of false alarms, at alpha "
            f"{found.alpha:g}; it is blank where no test is made."
        )
    return words


def _estimator(row: dict[Any, Any]) -> dict[str, Any]:
    half_width = 0.5 * (row["right_high"] - row["right_low"])
    return row | {
        "right": "" if math.isnan(row["right"]) else f"{row['right']:.2f} ± {half_width:.2f}",
        "fraction": row["half"] + row["third"],
        "steps": row["false_alarms"] if math.isnan(row["power"]) else row["power"],
        "failed": row["raised"] + row["not_a_number"] + row["timed_out"],
    }


def plan_view(found: Plan) -> View:
    """What was asked, the answers, what they hold for."""
    makers = {"readings": _readings, "unit": _unit, "bench": _bench}
    question, answers = makers[found.question](found)
    source = (
        "From the stored table of simulations; --replicates or `replicates` simulates your case."
        if found.method == "table"
        else "From simulations made for this question."
    )
    source += ' "more" are more than were simulated.' * bool(found.table["readings"].isna().any())
    if found.question == "unit" and found.table["unit"].isna().any():
        source += ' Where there is "none", no unit that was simulated shows in so few readings.'
    notes = Section("", [found.note, source, Bullets(found.cautions)])
    return (Section(question), Section("", [answers]), notes)


def _readings(found: Plan) -> tuple[str, Table]:
    columns = [
        Column("sigma_over_unit", "sigma/unit", 10, form=".3g"),
        dataclasses.replace(_REPEATS, gap="  "),
        Column("readings", "readings", 8, gap="  ", form=".0f", unknown="more"),
        _INTERVAL,
    ]
    title = f"Readings that show steps in {100 * found.power:g} % of runs"
    return title, Table(columns, _with_intervals(found, ".0f"))


def _unit(found: Plan) -> tuple[str, Table]:
    first, several = found.table.iloc[0], found.table["readings"].nunique() > 1
    size = "" if several else f"{first['readings']:.0f} "
    title = (
        f"Smallest unit that {size}readings of sigma {first['sigma']:.3g} show\n"
        f"in {100 * found.power:g} % of runs"
    )
    number = [Column("readings", "readings", 8, gap="  ", form=".0f")] if several else []
    unit = Column("unit", "unit", 8, gap="  ", form=".3g", unknown="none")
    repeats = dataclasses.replace(_REPEATS, gap="  ") if several else _REPEATS
    return title, Table([*number, repeats, unit, _INTERVAL], _with_intervals(found, ".3g"))


def _bench(found: Plan) -> tuple[str, Table]:
    columns = [
        *_SETUP,
        Column("repeats", "each state", 12, form=".0f"),
        Column("readings", "readings", 10, form=".0f", unknown="more"),
    ]
    share = f"{100 * found.power:g} % of runs"
    title = f"Setups at the bench, and the readings that show steps in {share}"
    return title, Table(columns, found.table.head(12).to_dict("records"))


def _with_intervals(found: Plan, form: str) -> list[dict[Any, Any]]:
    """The rows of a plan, each with its interval in words."""
    return [
        row
        | {
            "interval": ""
            if math.isnan(row["low"])
            else f"{row['low']:{form}} to {row['high']:{form}}"
        }
        for row in found.table.to_dict("records")
    ]


def _word(key: str) -> str:
    return "sigma/unit" if key == "sigma_over_unit" else key.replace("_", " ")


def _value(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def write_csv(table: pd.DataFrame, path: str | os.PathLike[str]) -> Path:
    """Comma-separated, decimal points, every digit.

    Text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    shown = table.copy()
    for name in shown.columns:
        shown[name] = [
            f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
            for value in shown[name]
        ]
    text = shown.to_csv(index=False, lineterminator="\n")
    return write_whole(path, text.encode("utf-8"))


def write_parquet(table: pd.DataFrame, path: str | os.PathLike[str]) -> Path:
    """Parquet.

    `MissingDependencyError` without pyarrow.
    """
    out = io.BytesIO()
    try:
        import pyarrow as _pyarrow  # noqa: F401
    except ImportError:
        raise missing("Writing parquet", "pyarrow") from None
    table.to_parquet(out, index=False)
    return write_whole(path, out.getvalue())
