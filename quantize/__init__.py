"""Whole-number steps in noisy readings: are they there, how big, and what are they in coulombs.

Public names load on first use, so that ``import quantize`` needs numpy alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as _numpy  # noqa: F401  (the one dependency that is loaded at import)

__version__ = "0.9.0"

_HOME = {
    "Readings": "quantize.readings",
    "read_readings": "quantize.files",
    "periodogram": "quantize.comb.periodogram",
    "fit_comb": "quantize.comb.least_squares",
    "fit_mixture": "quantize.model.mixture",
    "sample_mixture": "quantize.sampling.sample",
    "MixtureModel": "quantize.model.model",
    "compare_null": "quantize.null.compare",
    "RunningEvidence": "quantize.null.running",
    "analyze": "quantize.analysis",
    "analyze_groups": "quantize.groups.analyze",
    "simulate": "quantize.studies.simulate",
    "compare_estimators": "quantize.studies.comparison",
    "plan": "quantize.studies.planning",
    "InputError": "quantize._support.errors",
    "IncompleteError": "quantize._support.errors",
    "InputTypeError": "quantize._support.errors",
    "MissingDependencyError": "quantize._support.errors",
    "QuantizeWarning": "quantize._support.errors",
}
_MODULES = ("charge", "counts", "model", "null")
_MOVED = {
    name: f"quantize.{module}.{name}"
    for module, names in {
        "counts": ("Histogram", "Spectrum", "fit_counts"),
        "model": ("fit_two_units",),
        "null": ("analyze_counts", "height_for", "p_value_bound", "sensitivity"),
    }.items()
    for name in names
} | {
    "without_each_state": "quantize.null.without_each_state",
    "running_evidence": "RunningEvidence(unit_range, window).read(readings).result()",
}

__all__ = ["__version__", *_MODULES, *_HOME]

if TYPE_CHECKING:
    from quantize import charge as charge
    from quantize import counts as counts
    from quantize import model as model
    from quantize import null as null
    from quantize._support.errors import IncompleteError as IncompleteError
    from quantize._support.errors import InputError as InputError
    from quantize._support.errors import InputTypeError as InputTypeError
    from quantize._support.errors import MissingDependencyError as MissingDependencyError
    from quantize._support.errors import QuantizeWarning as QuantizeWarning
    from quantize.analysis import analyze as analyze
    from quantize.comb.least_squares import fit_comb as fit_comb
    from quantize.comb.periodogram import periodogram as periodogram
    from quantize.files import read_readings as read_readings
    from quantize.groups.analyze import analyze_groups as analyze_groups
    from quantize.model.mixture import fit_mixture as fit_mixture
    from quantize.model.model import MixtureModel as MixtureModel
    from quantize.null.compare import compare_null as compare_null
    from quantize.null.running import RunningEvidence as RunningEvidence
    from quantize.readings import Readings as Readings
    from quantize.sampling.sample import sample_mixture as sample_mixture
    from quantize.studies.comparison import compare_estimators as compare_estimators
    from quantize.studies.planning import plan as plan
    from quantize.studies.simulate import simulate as simulate
else:
    from quantize._support.lazy import lazily

    __getattr__, __dir__ = lazily(
        __name__, _HOME | {name: f"quantize.{name}" for name in _MODULES}, _MOVED
    )
