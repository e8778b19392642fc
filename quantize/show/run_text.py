"""Runs in plain text: the unit in coulombs, the checks, the charge of each row."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

from quantize.charge.run_analysis import RunAnalysis
from quantize.show.rounding import brackets
from quantize.show.text import WIDTH, analysis_text, bullets

if TYPE_CHECKING:
    import pandas as pd

    from quantize.analysis import Analysis
    from quantize.charge import DatedPlan, Run

_MOST_ROWS = 60


BALANCE = "Was the balance charge a whole number too?"


def run_analysis_text(found: RunAnalysis) -> str:
    """Everything about a run, as the command line prints it."""
    return "\n\n".join(sections(found))


def sections(
    found: Analysis,
    coulombs: Any = None,
    missing: str | None = None,
    plan: DatedPlan | None = None,
) -> list[str]:
    """An analysis in words, with what its run adds, or what an apparatus does."""
    run: Run | None = getattr(found, "run", None)
    if isinstance(found, RunAnalysis):
        coulombs, missing = found.coulombs, found.missing
    parts = [remarks_text(run.remarks)] if run is not None and run.remarks else []
    parts.append(analysis_text(found) if isinstance(found, RunAnalysis) else str(found))
    if isinstance(found, RunAnalysis):
        parts.append(f"{BALANCE}\n{indented(found.balance_sentence)}")
    if coulombs is not None or missing is not None:
        parts.append(coulombs_text(coulombs, found.verdict, missing))
    if isinstance(found, RunAnalysis):
        parts.append(checks_text(found.checks))
        if plan is not None:
            held = plan.held_against(found, found.run)
            parts.append("\n".join(indented(line, "") for line in held))
        parts += cautions_text(found.run)
    return parts


def coulombs_text(coulombs: Any, verdict: str = "steps", missing: str | None = None) -> str:
    """The unit in coulombs with its budget; where steps are not settled, as what it would be."""
    if coulombs is None:
        return f"In coulombs\n{indented(f'Not stated: {missing}')}"
    parts = [conditional(coulombs)] if verdict != "steps" else [str(coulombs)]
    title = "In coulombs" if verdict == "steps" else "In coulombs, if there were steps"
    if verdict != "steps" and len(coulombs.routes) > 1:
        parts.append(f"Do the routes agree? {coulombs.agreement.told}")
    if verdict != "steps":
        parts += [f"Note: {note}" for note in coulombs.notes]
    reasons = routes_differ(coulombs)
    if reasons:
        parts += ["", "Why the routes differ", *(f"- {reason}" for reason in reasons)]
    return f"{title}\n" + "\n".join(indented(part) for part in parts)


def run_lines(found: Analysis) -> list[str]:
    """The balance charge and the coulombs of a run in a sentence each; nothing without a run."""
    if not isinstance(found, RunAnalysis):
        return []
    if found.coulombs is None:
        told = f"In coulombs it is not stated: {found.missing}"
    elif found.conditional:
        told = conditional(found.coulombs)
    else:
        told = f"In coulombs: {found.coulombs._headline()} by the route '{found.coulombs.route}'."
    return [f"{BALANCE} {found.balance_sentence}", told]


def conditional(coulombs: Any) -> str:
    """The unit in coulombs as what it would be if there were steps."""
    low, high = coulombs.interval(0.95)[0]
    stated = brackets(coulombs.value, coulombs.standard_uncertainty, "C")
    return (
        f"If there were steps, the unit would be {stated} by the route '{coulombs.route}' (95 % "
        f"interval {low:.4g} C to {high:.4g} C). These readings do not settle whether there are "
        "any, so that this is no measured charge."
    )


def routes_differ(coulombs: Any) -> list[str]:
    """Route by route why they differ, where chance does not explain it."""
    from quantize.charge import why_routes_differ

    if coulombs.agreement.level not in ("doubt", "bad"):
        return []
    return why_routes_differ(coulombs)


def checks_text(checks: Any) -> str:
    """Whether the measurement was sound, check by check."""
    return "Was the measurement sound?\n" + indented(str(checks))


def remarks_text(remarks: tuple[str, ...]) -> str:
    """What was understood or assumed when a page was read."""
    return "\n".join(["How the page was read", *bullets(list(remarks))])


def exact_remarks(table: pd.DataFrame) -> tuple[str, ...]:
    """What a conversion of rows took for exact, in a sentence; none if nothing was."""
    from quantize.charge.budgets import exact_sentence

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


def routes_text(agreement: Any) -> str:
    """Whether the routes by which rows could be converted agree."""
    return f"Do the routes agree?\n{indented(agreement.told)}"


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
