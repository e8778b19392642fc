"""The one upward edge: a result finds the code that draws or words it by a dotted name.

The statistics may not import the faces, yet a result must be able to show itself. This table is
the only place that knows both, and it imports a face only when somebody asks to see something.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any

from quantize._support.errors import InputError

_TABLE: dict[tuple[str, str], str] = {
    ("text", "*"): "quantize.show.text:result_text",
    ("html", "*"): "quantize.show.html:result_html",
    ("report", "Analysis"): "quantize.show.report:write_report",
    ("csv", "*"): "quantize.show.studies:write_csv",
    ("parquet", "*"): "quantize.show.studies:write_parquet",
    ("view", "*"): "quantize.show.results:result_view",
    ("view", "Analysis"): "quantize.show.analysis:analysis_view",
    ("view", "RunAnalysis"): "quantize.show.run:run_view",
    ("view", "BalanceAnalysis"): "quantize.show.pages:balance_view",
    ("view", "CountAnalysis"): "quantize.show.results:counts_view",
    ("view", "GroupAnalyses"): "quantize.show.results:groups_view",
    ("view", "Comparison"): "quantize.show.studies:comparison_view",
    ("view", "Plan"): "quantize.show.studies:plan_view",
    ("view", "TargetPlan"): "quantize.show.plans:target_view",
    ("view", "ParticleAnalyses"): "quantize.show.several:each_view",
    ("view", "PooledUnit"): "quantize.show.several:pooled_view",
    ("view", "JointUnit"): "quantize.show.several:joint_view",
    ("view", "BenchPlan"): "quantize.show.studies:setups_view",
    ("view", "NextStep"): "quantize.show.plans:next_view",
    ("notebook", "*"): "quantize.show.results:result_notebook",
    ("notebook", "Analysis"): "quantize.show.short:card",
    ("notebook", "GroupAnalyses"): "quantize.show.results:groups_notebook",
    ("plot", "Periodogram"): "quantize.show.plots.comb:plot_periodogram",
    ("plot", "CombFit"): "quantize.show.plots.comb:plot_comb_fit",
    ("plot", "MixtureFit"): "quantize.show.plots.posterior:plot_mixture",
    ("plot", "SampledMixture"): "quantize.show.plots.posterior:plot_sampled",
    ("plot", "NullComparison"): "quantize.show.plots.nulls:plot_null",
    ("plot", "RunningResult"): "quantize.show.plots.nulls:plot_running",
    ("plot", "Sensitivity"): "quantize.show.plots.nulls:plot_sensitivity",
    ("plot", "Run"): "quantize.show.plots.run:plot_run",
    ("plot", "Propagation"): "quantize.show.plots.coulombs:plot_propagation",
    ("plot", "UnitInCoulombs"): "quantize.show.plots.coulombs:plot_coulombs",
    ("plot", "JointUnit"): "quantize.show.plots.coulombs:plot_joint",
    ("plot", "PooledUnit"): "quantize.show.plots.coulombs:plot_pooled",
    ("plot", "Analysis"): "quantize.show.plots.analysis:plot_analysis",
    ("plot", "Comparison"): "quantize.show.plots.studies:plot_comparison",
    ("plot", "Plan"): "quantize.show.plots.studies:plot_plan",
    ("plot", "GroupAnalyses"): "quantize.show.plots.analysis:plot_groups",
    ("plot", "Histogram"): "quantize.show.plots.counts:plot_histogram",
    ("plot", "CountFit"): "quantize.show.plots.counts:plot_count_fit",
    ("plot", "CountAnalysis"): "quantize.show.plots.counts:plot_count_analysis",
}


def renderer(kind: str, result: object) -> Callable[..., Any]:
    """The function that shows `result` in the way `kind` ("plot", "text", "html", ...)."""
    for cls in type(result).__mro__:
        target = _TABLE.get((kind, cls.__name__))
        if target is not None:
            return load(target)
    fallback = _TABLE.get((kind, "*"))
    if fallback is None:
        what = {"plot": "picture"}.get(kind, kind)
        raise InputError(
            f"`{type(result).__name__}` has no {what}; print it, or take its numbers from "
            "`to_dict()`."
        )
    return load(fallback)


def load(target: str) -> Callable[..., Any]:
    """Import ``package.module:function``."""
    module, _, name = target.partition(":")
    function: Callable[..., Any] = getattr(importlib.import_module(module), name)
    return function
