"""Simulated classes: how estimators fare, and how many readings a question needs."""

from quantize.studies.comparison import Comparison
from quantize.studies.conditions import Condition
from quantize.studies.estimators import Answer, Estimator
from quantize.studies.planning import Plan
from quantize.studies.simulate import SimulatedReadings, Truth
from quantize.studies.summary import binomial_interval

__all__ = [
    "Answer",
    "Comparison",
    "Condition",
    "Estimator",
    "Plan",
    "SimulatedReadings",
    "Truth",
    "binomial_interval",
]
