"""Runs in plain text: the unit in coulombs, the checks, the charge of each row."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

from quantize.show.rounding import brackets
from quantize.show.text import WIDTH, bullets

if TYPE_CHECKING:
    import pandas as pd

    from quantize.analysis import Analysis
    from quantize.charge import DatedPlan, Run

_MOST_ROWS = 60


def sections(
    found: Analysis, run: Run | None, coulombs: Any, plan: DatedPlan | None = None
) -> list[str]:
    """An analysis in words, with what its run adds."""
    parts = [remarks_text(run.remarks)] if run is not None and run.remarks else []
    parts.append(str(found))
    if coulombs is not None:
        parts.append(coulombs_text(coulombs))
    if run is not None:
        parts.append(checks_text(run.checks(found)))
        if plan is not None:
            parts.append("\n".join(indented(line, "") for line in plan.held_against(found, run)))
        parts += cautions_text(run)
    return parts


def coulombs_text(found: Any) -> str:
    """The unit in coulombs with its budget."""
    return "In coulombs\n" + indented(str(found))


def checks_text(checks: Any) -> str:
    """Whether the measurement was sound, check by check."""
    return "Was the measurement sound?\n" + indented(str(checks))


def remarks_text(remarks: tuple[str, ...]) -> str:
    """What was understood or assumed when a page was read."""
    return "\n".join(["How the page was read", *bullets(list(remarks))])


def exact_remarks(table: pd.DataFrame) -> tuple[str, ...]:
    """What a conversion of rows took for exact, in a sentence; none if nothing was."""
    from quantize.charge.assumptions import exact_sentence

    exact = table.attrs["exact"]
    return (exact_sentence(exact),) if exact else ()


def cautions_of(run: Run) -> list[str]:
    """The cautions that the bench of a run calls for."""
    from quantize.charge import cautions

    if run.apparatus is None:
        return []
    voltages = run.table["voltage"].abs()
    largest = float(voltages.max()) if voltages.notna().any() else None
    return list(cautions(run.apparatus, largest_voltage=largest))


def cautions_text(run: Run) -> list[str]:
    """A section of cautions, or nothing."""
    sentences = cautions_of(run)
    return ["\n".join(["Cautions", *bullets(sentences)])] if sentences else []


def charges_text(table: pd.DataFrame) -> str:
    """The charge of every row of a run."""
    lines = [
        f"{'row':>5} {'particle':>9} {'state':>6} {'volt':>8} {'divisions':>10} {'seconds':>8}"
        f"  {'charge in C':<18} kept"
    ]
    rows = table.to_dict("records")
    for row in rows[:_MOST_ROWS]:
        charge = "fall"
        if math.isfinite(row["charge"]):
            charge = brackets(row["charge"], row["standard_uncertainty"])
            if row["off_scale"]:
                sign = "at least" if row["off_scale"] * row["voltage"] > 0 else "at most"
                charge = f"{sign} {row['charge']:.3g}"
            elif row["changed"]:
                charge = f"{row['charge']:.3g}, changed"
        lines.append(
            f"{row['row']:>5} {str(row['particle'])[:9]:>9} {str(row['state'])[:6]:>6} "
            f"{row['voltage']:>8g} {row['divisions']:>10g} {row['seconds']:>8g}  {charge:<18} "
            f"{'yes' if row['kept'] else 'no'}"
        )
    if len(rows) > _MOST_ROWS:
        lines.append(f"  ... {len(rows) - _MOST_ROWS} more rows; --json gives them all")
    return "\n".join(lines)


def indented(text: str, indent: str = "  ") -> str:
    """Every line indented, long lines filled to the width under their own beginning."""
    lines: list[str] = []
    for line in text.splitlines():
        own = indent + line[: len(line) - len(line.lstrip())]
        if len(indent + line) <= WIDTH or not line.strip():
            lines.append((indent + line).rstrip())
            continue
        lines += textwrap.wrap(line.strip(), WIDTH, initial_indent=own, subsequent_indent=own)
    return "\n".join(lines)
