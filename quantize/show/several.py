"""Several particles, or several runs, on the command line, and their views."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quantize._support.errors import InputError
from quantize.charge.stated import raised
from quantize.show.numbers import brackets
from quantize.show.options import offset_of, sigma_of
from quantize.show.terminal import save_plot, say, say_json
from quantize.show.text import view_text
from quantize.show.view import Bullets, Column, Section, Table, View

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.particles import JointUnit
    from quantize.charge.pooled import PooledUnit
    from quantize.charge.several import ParticleAnalyses

_EACH = (
    Column("particle", "particle", 14, "<", "  ", lambda label: str(label)[:14]),
    Column("readings", "readings", 8),
    Column("verdict", "verdict", 12, "<", "  "),
    Column("unit", "divisions", 14, gap=" "),
    Column("value", "in coulombs", 18, gap="  "),
)
_IN_COULOMBS = (
    Column("value", "unit in coulombs", 19, gap=" "),
    Column("without", "without it", 12, gap=" ", form=".4g"),
)
_RUNS = (
    Column("run", "run", 20, "<", "  ", lambda name: str(name)[:20]),
    Column("particles", "particles", 9),
    _IN_COULOMBS[0],
    Column("weight", "weight", 7, gap=" ", form=lambda weight: f"{100 * weight:.0f} %"),
    _IN_COULOMBS[1],
)
_PIECES = 3  # of an interval that are printed
_WHY = "each has its own unit in divisions"


def say_several(
    file: str, bench: Any, asked: Mapping[str, Any], options: dict[str, Any], as_json: bool
) -> bool:
    """Analyze and print several particles or a folder of runs; False where FILE is neither."""
    from quantize.charge import pool_runs, read_run
    from quantize.charge.run_file import holds_balances

    folder = Path(file).is_dir()
    if not folder and (bench is None or asked["particle"] is not None):
        return False
    if not folder and holds_balances(file) and not bench.has("run.distance"):
        return False
    run = None if folder else read_run(file, bench)
    if run is not None and len(run.particles) < 2:
        return False
    for name in ("report", "dated-plan", "particle"):
        if asked[name] is not None:
            what = "a folder of runs" if run is None else "several particles"
            raise InputError(
                f"--{name} is for one particle, and `{file}` holds {what}; {_WHY}, so "
                + ("give one page." if run is None else "name one with --particle.")
            )
    sigma, offset = asked["sigma"], asked["offset"]
    how = options | {
        "sigma": sigma if sigma == "predicted" else sigma_of(sigma) or "auto",
        "offset": None if offset is None else offset_of(offset),
        "resolution": asked["resolution"],
        "mend": not asked["as_written"],
    }
    found: Any
    analyses: Mapping[str, Any]
    if run is not None:
        found = run.analyze_each(**how)
        drawn, analyses = found.joint, found.analyses
    else:
        found, analyses = pool_runs(file, bench, **how)
        drawn = found
    if asked["plot"] and drawn is not None:
        save_plot(drawn, asked["plot"])
    if as_json:
        keys = {"schema": "quantize.cli.several/1", "file": file, "result": found}
        say_json(keys | {"particles" if run is not None else "runs": analyses})
    else:
        say(f"{file}\n\n{view_text(each_view(found) if run is not None else pooled_view(found))}")
    return True


def each_view(found: ParticleAnalyses) -> View:
    """Every particle in a line, then the joint unit and whether they agree."""
    joint = found.joint
    if joint is None:
        return (_each(found.table), Section("", [f"There is no joint unit: {found.missing}"]))
    pieces = [f"{low:.4g} C to {high:.4g} C" for low, high in joint.interval(0.95).tolist()]
    more = f" or {len(pieces) - _PIECES} more" if len(pieces) > _PIECES else ""
    interval = " or ".join(pieces[:_PIECES]) + more
    value = brackets(joint.value, joint.standard_uncertainty, "C")
    head = "If there were steps, one unit would be" if found.conditional else "One unit of all:"
    shared = raised(
        f"{head} {value}{joint._doubt()}, 95 % interval {interval}; "
        f"{joint.shared:.2g} C of its uncertainty is shared by all particles and counted once."
    )
    return (_each(found.table), Section("", [shared, homogeneous(joint.homogeneity, "particles")]))


def joint_view(found: JointUnit) -> View:
    """Every particle in a line with the value without it, and whether they agree."""
    rows = [
        row | {"value": _value(row["value"], row["standard_uncertainty"])}
        for row in found.particles.to_dict("records")
    ]
    between = f"{100 * found.homogeneity['between']:.1f} % between particles is left unexplained."
    return (
        Section(f"Joint unit: {found._headline()}"),
        Section("", [Table((_EACH[0], *_IN_COULOMBS), rows)]),
        Section("", [homogeneous(found.homogeneity, "particles"), between]),
    )


def _each(table: pd.DataFrame) -> Section:
    rows = [
        row
        | {
            "unit": _value(row["unit"], row["unit_err"]),
            "value": _value(row["value"], row["standard_uncertainty"]),
        }
        for row in table.to_dict("records")
    ]
    missing = [f"{r['particle']}: {r['missing']}" for r in rows if r["missing"]]
    return Section("", [Table(_EACH, rows), *([Bullets(missing)] if missing else [])])


def pooled_view(found: PooledUnit) -> View:
    """Every run in a line, the pooled unit, and what is between them."""
    rows = [
        row | {"value": _value(row["value"], row["standard_uncertainty"])}
        for row in found.runs.to_dict("records")
    ]
    low, high = found.interval(0.95)[0]
    value = brackets(found.value, found.standard_uncertainty, "C")
    told = raised(
        f"Pooled: {value}, 95 % interval {low:.4g} C to {high:.4g} C; {found.shared:.2g} C of its "
        f"uncertainty is shared by all runs. Between runs {100 * found.between:.2g} % are not "
        "explained by their stated errors, and are in it (random effects). The interval is "
        "averaged over how far runs may differ beyond what they state, of which few say little."
    )
    left = [f"left out, {name}: {why}" for name, why in found.left_out.items()]
    return (
        Section("", [Table(_RUNS, rows), *([Bullets(left)] if left else [])]),
        Section("", [told, homogeneous(found.homogeneity, "runs")]),
    )


def homogeneous(h: Mapping[str, float], what: str) -> str:
    """Whether units agree among themselves, in a sentence."""
    agree = "agree" if h["p_value"] >= 0.01 else "do NOT agree"
    return (
        f"The {what} {agree} among themselves: chi-square {h['chi_square']:.1f} on "
        f"{h['degrees_of_freedom']:.0f} degree{'s' * (h['degrees_of_freedom'] != 1)} of freedom, "
        f"p = {h['p_value']:.2g}, with what they share counted once."
    )


def _value(value: float, uncertainty: float) -> str:
    return "" if math.isnan(value) else brackets(value, uncertainty)
