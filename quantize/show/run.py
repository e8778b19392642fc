"""The views of a run: the unit in coulombs, the checks, the charge of each row; and its record."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from quantize._support.rendering import renderer
from quantize.analysis import Analysis
from quantize.charge.run_analysis import RunAnalysis, with_run
from quantize.charge.stated import raised
from quantize.show import facts
from quantize.show.analysis import analysis_view
from quantize.show.numbers import brackets
from quantize.show.view import Bullets, Column, Preformatted, Section, Table, View

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge import DatedPlan
    from quantize.charge.rows import Rows

_MOST_ROWS = 60

BALANCE = "Was the balance charge a whole number too?"
SOUND = "Was the measurement sound?"


def run_view(
    found: Analysis,
    coulombs: Any = None,
    missing: str | None = None,
    plan: DatedPlan | None = None,
    *,
    brief: bool = False,
) -> View:
    """An analysis with what its run adds; without a run, with what an apparatus does."""
    if not isinstance(found, RunAnalysis):
        known = coulombs is not None or missing is not None
        stated = [coulombs_section(coulombs, found.verdict, missing)] if known else []
        return (*renderer("view", found)(found), *stated)
    held = () if plan is None else plan.held_against(found, found.run)
    return (
        *([] if brief else remarks(found.run.remarks)),
        *analysis_view(found, brief=brief),
        Section(BALANCE, [found.balance_sentence]),
        coulombs_section(found.coulombs, found.verdict, found.missing),
        Section(SOUND, [Preformatted(str(found.checks))]),
        *([Section("", [Preformatted(line) for line in held])] if held else []),
        *cautions(found.run),
    )


def coulombs_section(coulombs: Any, verdict: str, missing: str | None) -> Section:
    """The unit in coulombs with its budget; where steps are not settled, as what it would be."""
    if coulombs is None:
        return Section("In coulombs", [f"Not stated: {missing}"])
    if verdict == "steps":
        return Section("In coulombs", [Preformatted(str(coulombs))])
    agree = f"Do all inputs agree? {coulombs.agreement.told}"
    return Section(
        "In coulombs, if there were steps",
        [
            conditional(coulombs, coulombs.way),
            *([agree] if len(coulombs.routes) > 1 else []),
            *(f"Note: {note}" for note in coulombs.notes),
        ],
    )


def conditional(coulombs: Any, way: str) -> str:
    """The unit in coulombs as what it would be if there were steps."""
    low, high = coulombs.interval(0.95)[0]
    stated = brackets(coulombs.value, coulombs.standard_uncertainty, "C")
    return raised(
        f"If there were steps, the unit would be {stated} {way} (95 % "
        f"interval {low:.4g} C to {high:.4g} C). These readings do not settle whether there are "
        "any, so that this is no measured charge."
    )


def remarks(sentences: tuple[str, ...]) -> View:
    """What was understood or assumed when a page was read, if anything was."""
    return (Section("How the page was read", [Bullets(sentences)]),) if sentences else ()


def cautions(run: Rows) -> View:
    """The cautions that the bench of a run calls for, if there are any."""
    sentences = cautions_of(run)
    return (Section("Cautions", [Bullets(sentences)]),) if sentences else ()


def cautions_of(run: Rows) -> list[str]:
    """The same as sentences."""
    from quantize.charge import cautions

    if run.apparatus is None:
        return []
    voltages = run.table["voltage"].abs()
    largest = float(voltages.max()) if voltages.notna().any() else None
    return list(cautions(run.apparatus, largest_voltage=largest))


def charges_view(run: Rows, table: pd.DataFrame) -> View:
    """A conversion of the rows of a run: what was assumed, every charge, whether inputs agree."""
    from quantize.charge.budgets import exact_sentence

    exact, agreement = table.attrs["exact"], table.attrs["agreement"]
    said = (*run.remarks, *table.attrs["doubted"], *([exact_sentence(exact)] if exact else []))
    view = [*remarks(said), charges_section(table)]
    if agreement is not None:
        several = f"Least those of {table.attrs['agreement_of']}. " * (len(run.particles) > 1)
        view.append(Section("Do all inputs agree?", [f"{several}{agreement.told}"]))
    return tuple(view)


def charges_section(table: pd.DataFrame) -> Section:
    """The charge of every row of a run, with the random and the shared part of its error."""
    several = table["particle"].nunique() > 1
    particle = Column("particle", "particle", 8, "<", " ", lambda label: str(label)[:8])
    columns = [
        Column("row", "row", 4),
        *([particle] if several else []),
        Column("state", "state", 6, gap=" ", form=lambda label: str(label)[:6]),
        Column("voltage", "volt", 6, gap=" ", form="g", unknown="nan"),
        Column("divisions", "div", 6, gap=" ", form="g", unknown="nan"),
        Column("seconds", "s", 6, gap=" ", form="g", unknown="nan"),
        Column("charge", "charge in C", 12, gap=" "),
        Column("standard_uncertainty", "random", 8, gap=" "),
        Column("shared_uncertainty", "shared", 8, gap=" "),
        Column("kept", "kept", 7, "<", "  "),
    ]
    records = table.to_dict("records")
    rows = [row | _charge(row) for row in records[:_MOST_ROWS]]
    more = f"  ... {len(records) - _MOST_ROWS} more rows; --json gives them all"
    folded = [Preformatted(more)] if len(records) > _MOST_ROWS else []
    return Section("", [Table(columns, rows), *folded])


def _charge(row: Any) -> dict[str, str]:
    """The charge of a row to the last digit that counts, and both errors; ">" of one off scale."""
    names = ("standard_uncertainty", "shared_uncertainty")
    kept = "yes" if row["kept"] else "no"
    if not math.isfinite(row["charge"]):
        return dict.fromkeys(names, "") | {"charge": "fall", "kept": kept}
    parts = {n: f"{row[n]:#.2g}" if math.isfinite(row[n]) else "" for n in names}
    if row["off_scale"]:
        sign = ">" if row["off_scale"] * row["voltage"] > 0 else "<"
        return dict.fromkeys(names, "") | {"charge": f"{sign} {row['charge']:.3g}", "kept": kept}
    if row["changed"]:
        kept = "changed"
    return parts | {"charge": f"{row['charge']:#.4g}", "kept": kept}


def record(
    found: Analysis,
    file: str,
    run: Rows | None = None,
    coulombs: Any = None,
    missing: str | None = None,
    plan: DatedPlan | None = None,
) -> dict[str, Any]:
    """The keys of the analysis, and: conditional, interval_95, file, versions.

    A run adds balance, coulombs, missing, checks, remarks and cautions, and what was promised.
    """
    if run is not None:
        found = with_run(found, run)
    named = {"schema": "quantize.Analysis/1"} if isinstance(found, Analysis) else {}
    keys = found.to_dict() | named
    keys |= {
        "conditional": found.verdict != "steps",
        "interval_95": facts.pieces(found),
        "file": str(file),
        "versions": facts.versions(),
    }
    if isinstance(found, RunAnalysis):
        keys["checks"] = found.checks.to_dict()["checks"]
        keys["remarks"] = list(found.run.remarks)
        keys["cautions"] = cautions_of(found.run)
        if plan is not None:
            keys["dated_plan"] = list(plan.held_against(found, found.run))
    elif coulombs is not None:
        keys["coulombs"] = coulombs.to_dict() | {"conditional": keys["conditional"]}
    elif missing is not None:
        keys |= {"coulombs": None, "missing": missing}
    return keys
