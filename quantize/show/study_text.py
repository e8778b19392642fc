"""Studies and plans in plain text, for terminals of 80 columns."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from quantize.show.text import paragraph

if TYPE_CHECKING:
    from quantize.studies.comparison import Comparison
    from quantize.studies.planning import Plan

_NAME = 24


def comparison_text(found: Comparison) -> str:
    """A block for each condition, a line for each estimator."""
    table = found.table
    columns = list(table.columns)
    keys = columns[: columns.index("estimator")]
    lines = [
        f"{found.replicates} simulated pages for each condition, the same for every estimator;",
        f"right is within {100 * found.tolerance:g} % of the true unit. After ± half the width of",
        "the 95 % interval.",
    ]
    for values, group in table.groupby(keys, sort=False, dropna=False):
        told = zip(keys, values if isinstance(values, tuple) else (values,), strict=True)
        given = dict(told)
        if given.get("sigma") == given["sigma_over_unit"]:
            del given["sigma"]
        said = ", ".join(f"{_word(key)} {_value(value)}" for key, value in given.items())
        lines += ["", said, _head()]
        lines += [_line(row) for row in group.to_dict("records")]
    if found.errors:
        lines += ["", "First errors"]
        for name, message in found.errors.items():
            lines += paragraph(f"{name}: {message}", first="  - ", indent="    ")
    return "\n".join(line.rstrip() for line in lines)


def plan_text(found: Plan) -> str:
    """What was asked, the answers, what they hold for."""
    writers = {"readings": _readings, "unit": _unit, "bench": _bench}
    lines = writers[found.question](found)
    source = (
        "From the stored table of simulations; --replicates or `replicates` simulates your case."
        if found.method == "table"
        else "From simulations made for this question."
    )
    lines += ["", *paragraph(found.note, indent=""), *paragraph(source, indent="")]
    for caution in found.cautions:
        lines += paragraph(caution, first="  - ", indent="    ")
    return "\n".join(line.rstrip() for line in lines)


def _readings(found: Plan) -> list[str]:
    lines = [
        f"Readings that show steps in {100 * found.power:g} % of runs",
        "",
        f"{'sigma/unit':>10}  {'readings of each state':>22}  {'readings':>8}  95 % interval",
    ]
    for row in found.table.to_dict("records"):
        lines.append(
            f"{row['sigma_over_unit']:>10.3g}  {row['repeats']:>22.0f}  "
            f"{_count(row['readings']):>8}  {_span(row, '.1f')}"
        )
    return lines


def _unit(found: Plan) -> list[str]:
    first = found.table.iloc[0]
    lines = [
        f"Smallest unit that {first['readings']:.0f} readings of sigma {first['sigma']:.3g} show",
        f"in {100 * found.power:g} % of runs",
        "",
        f"{'readings of each state':>22}  {'unit':>8}  95 % interval",
    ]
    for row in found.table.to_dict("records"):
        unit = "none" if math.isnan(row["unit"]) else f"{row['unit']:.3g}"
        lines.append(f"{row['repeats']:>22.0f}  {unit:>8}  {_span(row, '.3g')}")
    return lines


def _bench(found: Plan) -> list[str]:
    lines = [
        f"Setups at the bench, and the readings that show steps in {100 * found.power:g} % of runs",
        "",
        f"{'diameter':>9}{'interval':>9}{'units':>6}{'voltage':>9}{'div/unit':>9}{'sigma/u':>9}"
        f"{'each state':>12}{'readings':>10}",
    ]
    for row in found.table.head(12).to_dict("records"):
        lines.append(
            f"{row['diameter'] * 1e6:>6.2f} µm{row['interval']:>7.3g} s{row['units']:>6.0f}"
            f"{row['balance_voltage']:>7.0f} V{row['divisions']:>9.1f}"
            f"{row['sigma_over_unit']:>9.3f}{row['repeats']:>12.0f}{_count(row['readings']):>10}"
        )
    return lines


def _head() -> str:
    return (
        f"  {'':<{_NAME}}{'right':>12}{'u/2,u/3':>8}{'2u':>6}{'error':>7}{'cover':>7}{'steps':>7}"
        f"{'failed':>7}"
    )


def _line(row: dict[Any, Any]) -> str:
    failed = row["raised"] + row["not_a_number"] + row["timed_out"]
    half_width = 0.5 * (row["right_high"] - row["right_low"])
    right = "" if math.isnan(row["right"]) else f"{row['right']:.2f} ± {half_width:.2f}"
    steps = row["false_alarms"] if math.isnan(row["power"]) else row["power"]
    name = str(row["estimator"])
    name = name if len(name) < _NAME else name[: _NAME - 2] + "…"
    return (
        f"  {name:<{_NAME}}{right:>12}{_share(row['half'] + row['third']):>8}"
        f"{_share(row['double']):>6}{_share(row['over_bound']):>7}{_share(row['coverage']):>7}"
        f"{_share(steps):>7}{failed:>7}"
    )


def _share(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.2f}"


def _count(value: float) -> str:
    return "more" if math.isnan(value) else f"{value:.0f}"


def _span(row: dict[Any, Any], form: str) -> str:
    if math.isnan(row["low"]):
        return ""
    return f"{row['low']:{form}} to {row['high']:{form}}"


def _word(key: str) -> str:
    return "sigma/unit" if key == "sigma_over_unit" else key.replace("_", " ")


def _value(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
