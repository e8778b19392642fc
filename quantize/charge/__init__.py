"""From divisions to coulombs.

Names load on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

_HOME = {
    "Quantity": "quantize.charge.quantity",
    "Apparatus": "quantize.charge.apparatus",
    "load_apparatus": "quantize.charge.apparatus",
    "Air": "quantize.charge.air",
    "SlipCorrection": "quantize.charge.drag",
    "Sphere": "quantize.charge.sphere",
    "Plates": "quantize.charge.plates",
    "Reticle": "quantize.charge.reticle",
    "Run": "quantize.charge.run",
    "read_run": "quantize.charge.run_file",
    "RunAnalysis": "quantize.charge.run_analysis",
    "UnitInCoulombs": "quantize.charge.coulombs",
    "Agreement": "quantize.charge.agreement",
    "BenchPosterior": "quantize.charge.bench",
    "BenchSample": "quantize.charge.bench_sample",
    "unit_in_coulombs": "quantize.charge.coulombs",
    "convert_run": "quantize.charge.run_file",
    "fit_run": "quantize.charge.estimate",
    "check_run": "quantize.charge.soundness",
    "faults_of": "quantize.charge.faults",
    "monte_carlo": "quantize.charge.montecarlo",
    "monte_carlo_many": "quantize.charge.montecarlo",
    "propagate": "quantize.charge.propagation",
    "predicted_scatter": "quantize.charge.rows",
    "residual_voltage": "quantize.charge.rows",
    "line_through_drops": "quantize.charge.drops",
    "joint_unit": "quantize.charge.particles",
    "plan_bench": "quantize.charge.planning",
    "pool_runs": "quantize.charge.pooled",
    "plan_target": "quantize.charge.target",
    "cautions": "quantize.charge.forms",
    "template": "quantize.charge.forms",
    "blank_page": "quantize.charge.forms",
    "calibrate_reticle": "quantize.charge.repeats",
    "repeat_balance": "quantize.charge.repeats",
    "BalanceVoltages": "quantize.charge.balances",
    "Blind": "quantize.charge.promise",
    "DatedPlan": "quantize.charge.promise",
    "SimulatedBench": "quantize.charge.simulation",
}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.charge.agreement import Agreement as Agreement
    from quantize.charge.air import Air as Air
    from quantize.charge.apparatus import Apparatus as Apparatus
    from quantize.charge.apparatus import load_apparatus as load_apparatus
    from quantize.charge.balances import BalanceVoltages as BalanceVoltages
    from quantize.charge.bench import BenchPosterior as BenchPosterior
    from quantize.charge.bench_sample import BenchSample as BenchSample
    from quantize.charge.coulombs import UnitInCoulombs as UnitInCoulombs
    from quantize.charge.coulombs import unit_in_coulombs as unit_in_coulombs
    from quantize.charge.drag import SlipCorrection as SlipCorrection
    from quantize.charge.drops import line_through_drops as line_through_drops
    from quantize.charge.estimate import fit_run as fit_run
    from quantize.charge.faults import faults_of as faults_of
    from quantize.charge.forms import blank_page as blank_page
    from quantize.charge.forms import cautions as cautions
    from quantize.charge.forms import template as template
    from quantize.charge.montecarlo import monte_carlo as monte_carlo
    from quantize.charge.montecarlo import monte_carlo_many as monte_carlo_many
    from quantize.charge.particles import joint_unit as joint_unit
    from quantize.charge.planning import plan_bench as plan_bench
    from quantize.charge.plates import Plates as Plates
    from quantize.charge.pooled import pool_runs as pool_runs
    from quantize.charge.promise import Blind as Blind
    from quantize.charge.promise import DatedPlan as DatedPlan
    from quantize.charge.propagation import propagate as propagate
    from quantize.charge.quantity import Quantity as Quantity
    from quantize.charge.repeats import calibrate_reticle as calibrate_reticle
    from quantize.charge.repeats import repeat_balance as repeat_balance
    from quantize.charge.reticle import Reticle as Reticle
    from quantize.charge.rows import predicted_scatter as predicted_scatter
    from quantize.charge.rows import residual_voltage as residual_voltage
    from quantize.charge.run import Run as Run
    from quantize.charge.run_analysis import RunAnalysis as RunAnalysis
    from quantize.charge.run_file import convert_run as convert_run
    from quantize.charge.run_file import read_run as read_run
    from quantize.charge.simulation import SimulatedBench as SimulatedBench
    from quantize.charge.soundness import check_run as check_run
    from quantize.charge.sphere import Sphere as Sphere
    from quantize.charge.target import plan_target as plan_target
else:

    def __getattr__(name: str) -> object:
        if name not in _HOME:
            raise AttributeError(f"module 'quantize.charge' has no attribute {name!r}")
        value = getattr(importlib.import_module(_HOME[name]), name)
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return sorted(set(globals()) | set(__all__))
