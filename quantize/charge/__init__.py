"""From divisions to coulombs.

Names load on first use, so that importing the package costs nothing. What the pages of a bench need
stands here; the pieces below stand in their modules.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

_HOME = {
    "Air": "quantize.charge.air",
    "SlipCorrection": "quantize.charge.drag",
    "Sphere": "quantize.charge.sphere",
    "Plates": "quantize.charge.sphere",
    "Reticle": "quantize.charge.reticle",
    "Run": "quantize.charge.run",
    "read_run": "quantize.charge.run_file",
    "load_apparatus": "quantize.charge.apparatus",
    "unit_in_coulombs": "quantize.charge.coulombs",
    "joint_unit": "quantize.charge.particles",
    "pool_runs": "quantize.charge.pooled",
    "plan_bench": "quantize.charge.planning",
    "plan_target": "quantize.charge.target",
    "BalanceVoltages": "quantize.charge.balances",
    "Blind": "quantize.charge.promise",
    "DatedPlan": "quantize.charge.promise",
    "SimulatedBench": "quantize.charge.simulation",
    "template": "quantize.charge.forms",
    "blank_page": "quantize.charge.forms",
    "cautions": "quantize.charge.forms",
}
_PIECES = {
    "Quantity": "quantity",
    "Apparatus": "apparatus",
    "RunAnalysis": "run_analysis",
    "UnitInCoulombs": "coulombs",
    "Agreement": "agreement",
    "BenchPosterior": "bench",
    "BenchSample": "bench_sample",
    "fit_run": "estimate",
    "faults_of": "faults",
    "monte_carlo": "montecarlo",
    "monte_carlo_many": "montecarlo",
    "propagate": "propagation",
    "predicted_scatter": "rows",
    "line_through_drops": "drops",
    "calibrate_reticle": "repeats",
    "repeat_balance": "repeats",
}
_MOVED = {
    name: f"`from quantize.charge.{module} import {name}`" for name, module in _PIECES.items()
} | {
    "convert_run": "`Run(table, apparatus).charges(route=...)`",
    "check_run": "`Run(table, apparatus).checks(analysis)`",
    "residual_voltage": "`Run(table).residual_voltage()`",
}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.charge.air import Air as Air
    from quantize.charge.apparatus import load_apparatus as load_apparatus
    from quantize.charge.balances import BalanceVoltages as BalanceVoltages
    from quantize.charge.coulombs import unit_in_coulombs as unit_in_coulombs
    from quantize.charge.drag import SlipCorrection as SlipCorrection
    from quantize.charge.forms import blank_page as blank_page
    from quantize.charge.forms import cautions as cautions
    from quantize.charge.forms import template as template
    from quantize.charge.particles import joint_unit as joint_unit
    from quantize.charge.planning import plan_bench as plan_bench
    from quantize.charge.pooled import pool_runs as pool_runs
    from quantize.charge.promise import Blind as Blind
    from quantize.charge.promise import DatedPlan as DatedPlan
    from quantize.charge.reticle import Reticle as Reticle
    from quantize.charge.run import Run as Run
    from quantize.charge.run_file import read_run as read_run
    from quantize.charge.simulation import SimulatedBench as SimulatedBench
    from quantize.charge.sphere import Plates as Plates
    from quantize.charge.sphere import Sphere as Sphere
    from quantize.charge.target import plan_target as plan_target
else:
    from quantize._support.lazy import lazily

    __getattr__, __dir__ = lazily(__name__, _HOME, _MOVED)
