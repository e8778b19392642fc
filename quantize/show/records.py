"""Everything about one analysis in one mapping, for programs that read JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from quantize.show import run_text, tables

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.charge import Run


def record(
    found: Analysis, file: str, run: Run | None = None, coulombs: Any = None
) -> dict[str, Any]:
    """The keys of the analysis, and: interval_95, file, versions.

    A run adds checks, remarks, cautions and coulombs.
    """
    keys = found.to_dict() | {
        "interval_95": tables.pieces(found),
        "file": str(file),
        "versions": tables.versions(),
    }
    if run is not None:
        coulombs = coulombs or run.unit_in_coulombs(found)
        keys["checks"] = run.checks(found).to_dict()["checks"]
        keys["remarks"] = list(run.remarks)
        keys["cautions"] = run_text.cautions_of(run)
    if coulombs is not None:
        keys["coulombs"] = coulombs.to_dict()
    return keys
