"""A small study, as the tests of the engine run it again and again."""

from __future__ import annotations

from typing import Any

import study_estimators as own

import quantize as qz
from quantize.studies import Comparison

GRID = {"n": [6, 9], "sigma": [0.1, 0.3], "integers": (-4, 4)}


def small_study(**options: Any) -> Comparison:
    """Two cheap estimators, four conditions, 40 samples each.

    Without a limit no estimate has a thread of its own, which would take longer than the estimate.
    """
    settings: dict[str, Any] = {"replicates": 40, "rng": 11, "time_limit": None} | options
    return qz.compare_estimators([own.third_of_median, own.drawn], GRID, **settings)
