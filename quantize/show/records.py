"""Everything about one analysis in one mapping, for programs that read JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from quantize.show import run_text, tables

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.charge import DatedPlan, Run


def record(
    found: Analysis,
    file: str,
    run: Run | None = None,
    coulombs: Any = None,
    missing: str | None = None,
    plan: DatedPlan | None = None,
) -> dict[str, Any]:
    """The keys of the analysis, and: conditional, interval_95, file, versions.

    A run adds balance, coulombs, missing, checks, remarks and cautions, and what was promised.
    """
    from quantize.charge.run_analysis import RunAnalysis, with_run

    if run is not None:
        found = with_run(found, run)
    keys = found.to_dict() | {
        "schema": "quantize.Analysis/1",
        "conditional": found.verdict != "steps",
        "interval_95": tables.pieces(found),
        "file": str(file),
        "versions": tables.versions(),
    }
    if isinstance(found, RunAnalysis):
        keys["checks"] = found.checks.to_dict()["checks"]
        keys["remarks"] = list(found.run.remarks)
        keys["cautions"] = run_text.cautions_of(found.run)
        if plan is not None:
            keys["dated_plan"] = list(plan.held_against(found, found.run))
    elif coulombs is not None:
        keys["coulombs"] = coulombs.to_dict() | {"conditional": keys["conditional"]}
    elif missing is not None:
        keys |= {"coulombs": None, "missing": missing}
    return keys
