"""Simulated classes: how estimators fare, and how many readings a question needs.

Names load on first use.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

_HOME = {
    "Condition": "quantize.studies.conditions",
    "Estimator": "quantize.studies.estimators",
    "Answer": "quantize.studies.estimators",
    "SimulatedReadings": "quantize.studies.simulate",
    "Truth": "quantize.studies.simulate",
    "Comparison": "quantize.studies.comparison",
    "Plan": "quantize.studies.planning",
    "binomial_interval": "quantize.studies.summary",
}

__all__ = list(_HOME)

if TYPE_CHECKING:
    from quantize.studies.comparison import Comparison as Comparison
    from quantize.studies.conditions import Condition as Condition
    from quantize.studies.estimators import Answer as Answer
    from quantize.studies.estimators import Estimator as Estimator
    from quantize.studies.planning import Plan as Plan
    from quantize.studies.simulate import SimulatedReadings as SimulatedReadings
    from quantize.studies.simulate import Truth as Truth
    from quantize.studies.summary import binomial_interval as binomial_interval
else:

    def __getattr__(name: str) -> object:
        if name not in _HOME:
            raise AttributeError(f"module 'quantize.studies' has no attribute {name!r}")
        value = getattr(importlib.import_module(_HOME[name]), name)
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return sorted(set(globals()) | set(__all__))
