"""Cheap estimators for the tests of studies; workers import this module."""

from __future__ import annotations

import os
import time
from typing import Any

import numpy as np

from quantize.readings import Readings
from quantize.studies import Answer


def third_of_median(readings: Readings, unit_range: Any) -> float:
    """A number, quickly, from every digit of the readings."""
    return float(np.median(np.abs(readings.values))) / 3


def slow(readings: Readings, unit_range: Any) -> float:
    """The same after 5 ms."""
    time.sleep(0.005)
    return third_of_median(readings, unit_range)


def drawn(readings: Readings, unit_range: Any, rng: Any = None) -> Answer:
    """An answer that draws random numbers."""
    unit = float(rng.normal(1.0, 0.02))
    return Answer(unit=unit, interval=(unit - 0.04, unit + 0.04), p_value=float(rng.random()))


def raises_at_times(readings: Readings, unit_range: Any) -> float:
    """Fails where the first reading is negative."""
    if readings.values[0] < 0:
        raise ZeroDivisionError("no such luck")
    return 1.0


def nan_at_times(readings: Readings, unit_range: Any) -> float:
    """NaN where the first reading is negative."""
    return float("nan") if readings.values[0] < 0 else 1.0


def hangs_at_times(readings: Readings, unit_range: Any) -> float:
    """Never ends where the first reading is negative."""
    while readings.values[0] < 0:
        pass
    return 1.0


def brings_down(readings: Readings, unit_range: Any) -> float:
    """Ends the process."""
    os._exit(3)


def alternating(rng: np.random.Generator, size: int) -> Any:
    """Whole numbers 1, 2, 1, 2, ..."""
    return 1 + np.arange(size) % 2


class Marks:
    """Leaves a dot in a file for every sample."""

    def __init__(self, path: str) -> None:
        self.path = path

    def __call__(self, readings: Readings, unit_range: Any) -> float:
        """The mark, and an answer."""
        with open(self.path, "a", encoding="ascii") as stream:
            stream.write(".")
        return 1.0
