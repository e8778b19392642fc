"""Whole-number steps in noisy readings: are they there, how big, and what are they in coulombs.

Public names load on first use, so that ``import quantize`` needs numpy alone.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

import numpy as _numpy  # noqa: F401  (the one dependency that is loaded at import)

__version__ = "0.1.0"

_HOME = {
    "Readings": "quantize.readings",
    "read_readings": "quantize.files",
    "periodogram": "quantize.comb.periodogram",
    "fit_comb": "quantize.comb.least_squares",
    "fit_mixture": "quantize.model.mixture",
    "sample_mixture": "quantize.sampling.sample",
    "MixtureModel": "quantize.model.model",
    "fit_two_units": "quantize.model.two_units",
    "Histogram": "quantize.counts.histogram",
    "Spectrum": "quantize.counts.spectrum",
    "fit_counts": "quantize.counts.fit",
    "analyze_counts": "quantize.null.counts",
    "compare_null": "quantize.null.compare",
    "sensitivity": "quantize.null.sensitivity",
    "without_each_state": "quantize.null.influence",
    "p_value_bound": "quantize.null.bounds",
    "height_for": "quantize.null.bounds",
    "RunningEvidence": "quantize.null.running",
    "running_evidence": "quantize.null.running",
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
_MODULES = ("charge",)

__all__ = ["__version__", "charge", *_HOME]

if TYPE_CHECKING:
    from quantize import charge as charge
    from quantize._support.errors import (
        IncompleteError as IncompleteError,
    )
    from quantize._support.errors import (
        InputError as InputError,
    )
    from quantize._support.errors import (
        InputTypeError as InputTypeError,
    )
    from quantize._support.errors import (
        MissingDependencyError as MissingDependencyError,
    )
    from quantize._support.errors import (
        QuantizeWarning as QuantizeWarning,
    )
    from quantize.analysis import analyze as analyze
    from quantize.comb.least_squares import fit_comb as fit_comb
    from quantize.comb.periodogram import periodogram as periodogram
    from quantize.counts.fit import fit_counts as fit_counts
    from quantize.counts.histogram import Histogram as Histogram
    from quantize.counts.spectrum import Spectrum as Spectrum
    from quantize.files import read_readings as read_readings
    from quantize.groups.analyze import analyze_groups as analyze_groups
    from quantize.model.mixture import fit_mixture as fit_mixture
    from quantize.model.model import MixtureModel as MixtureModel
    from quantize.model.two_units import fit_two_units as fit_two_units
    from quantize.null.bounds import height_for as height_for
    from quantize.null.bounds import p_value_bound as p_value_bound
    from quantize.null.compare import compare_null as compare_null
    from quantize.null.counts import analyze_counts as analyze_counts
    from quantize.null.influence import without_each_state as without_each_state
    from quantize.null.running import RunningEvidence as RunningEvidence
    from quantize.null.running import running_evidence as running_evidence
    from quantize.null.sensitivity import sensitivity as sensitivity
    from quantize.readings import Readings as Readings
    from quantize.sampling.sample import sample_mixture as sample_mixture
    from quantize.studies.comparison import compare_estimators as compare_estimators
    from quantize.studies.planning import plan as plan
    from quantize.studies.simulate import simulate as simulate
else:

    def __getattr__(name: str) -> object:
        if name in _HOME:
            value = getattr(importlib.import_module(_HOME[name]), name)
        elif name in _MODULES:
            value = importlib.import_module(f"quantize.{name}")
        else:
            raise AttributeError(f"module 'quantize' has no attribute {name!r}")
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return sorted(set(globals()) | set(__all__))
