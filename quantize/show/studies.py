"""Studies and plans: their views, and their tables as csv or parquet, whole or not at all."""

from __future__ import annotations

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

    from quantize.studies.comparison import Comparison
    from quantize.studies.planning import Plan

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_ESTIMATORS = (
    Column("estimator", width=24, side="<", gap="  "),
    Column("right", "right", 12),
    Column("fraction", "u/2,u/3", 8),
    Column("double", "2u", 6),
    Column("over_bound", "error", 7),
    Column("coverage", "cover", 7),
    Column("steps", "steps", 7),
    Column("failed", "failed", 7),
)
_REPEATS = Column("repeats", "readings of each state", 22)
_INTERVAL = Column("interval", "95 % interval", side="<", gap="  ")


def comparison_view(found: Comparison) -> View:
    """A section for each condition, a line for each estimator."""
    table = found.table
    columns = list(table.columns)
    keys = columns[: columns.index("estimator")]
    view = [
        Section(
            f"{found.replicates} simulated pages for each condition, the same for every "
            f"estimator;\nright is within {100 * found.tolerance:g} % of the true unit. After ± "
            "half the width of\nthe 95 % interval."
        )
    ]
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


def _estimator(row: dict[Any, Any]) -> dict[str, str]:
    half_width = 0.5 * (row["right_high"] - row["right_low"])
    return {
        "estimator": printable(row["estimator"], 23),
        "right": "" if math.isnan(row["right"]) else f"{row['right']:.2f} ± {half_width:.2f}",
        "fraction": _share(row["half"] + row["third"]),
        "double": _share(row["double"]),
        "over_bound": _share(row["over_bound"]),
        "coverage": _share(row["coverage"]),
        "steps": _share(row["false_alarms"] if math.isnan(row["power"]) else row["power"]),
        "failed": str(row["raised"] + row["not_a_number"] + row["timed_out"]),
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
    notes = Section("", [found.note, source, Bullets(found.cautions)])
    return (Section(question), Section("", [answers]), notes)


def _readings(found: Plan) -> tuple[str, Table]:
    columns = [
        Column("sigma_over_unit", "sigma/unit", 10),
        Column("repeats", _REPEATS.head, _REPEATS.width, gap="  "),
        Column("readings", "readings", 8, gap="  "),
        _INTERVAL,
    ]
    rows = [
        {
            "sigma_over_unit": f"{row['sigma_over_unit']:.3g}",
            "repeats": f"{row['repeats']:.0f}",
            "readings": _count(row["readings"]),
            "interval": _interval(row, ".1f"),
        }
        for row in found.table.to_dict("records")
    ]
    title = f"Readings that show steps in {100 * found.power:g} % of runs"
    return title, Table(columns, rows)


def _unit(found: Plan) -> tuple[str, Table]:
    first = found.table.iloc[0]
    rows = [
        {
            "repeats": f"{row['repeats']:.0f}",
            "unit": "none" if math.isnan(row["unit"]) else f"{row['unit']:.3g}",
            "interval": _interval(row, ".3g"),
        }
        for row in found.table.to_dict("records")
    ]
    title = (
        f"Smallest unit that {first['readings']:.0f} readings of sigma {first['sigma']:.3g} show\n"
        f"in {100 * found.power:g} % of runs"
    )
    return title, Table([_REPEATS, Column("unit", "unit", 8, gap="  "), _INTERVAL], rows)


def _bench(found: Plan) -> tuple[str, Table]:
    columns = [
        Column("diameter", "diameter", 9),
        Column("interval", "interval", 9),
        Column("units", "units", 6),
        Column("voltage", "voltage", 9),
        Column("divisions", "div/unit", 9),
        Column("sigma_over_unit", "sigma/u", 9),
        Column("repeats", "each state", 12),
        Column("readings", "readings", 10),
    ]
    rows = [
        {
            "diameter": f"{row['diameter'] * 1e6:.2f} µm",
            "interval": f"{row['interval']:.3g} s",
            "units": f"{row['units']:.0f}",
            "voltage": f"{row['balance_voltage']:.0f} V",
            "divisions": f"{row['divisions']:.1f}",
            "sigma_over_unit": f"{row['sigma_over_unit']:.3f}",
            "repeats": f"{row['repeats']:.0f}",
            "readings": _count(row["readings"]),
        }
        for row in found.table.head(12).to_dict("records")
    ]
    share = f"{100 * found.power:g} % of runs"
    return f"Setups at the bench, and the readings that show steps in {share}", Table(columns, rows)


def _share(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.2f}"


def _count(value: float) -> str:
    return "more" if math.isnan(value) else f"{value:.0f}"


def _interval(row: dict[Any, Any], form: str) -> str:
    return "" if math.isnan(row["low"]) else f"{row['low']:{form}} to {row['high']:{form}}"


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

    Raises
    ------
    MissingDependencyError
        Without pyarrow.
    """
    out = io.BytesIO()
    try:
        import pyarrow as _pyarrow  # noqa: F401
    except ImportError:
        raise missing("Writing parquet", "pyarrow", "large") from None
    table.to_parquet(out, index=False)
    return write_whole(path, out.getvalue())
