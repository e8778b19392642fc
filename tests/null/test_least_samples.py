"""Samples of two or three readings, where a guard could speak in place of a formula."""

from __future__ import annotations

import numpy as np
import pytest

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.null.samplers import Uniform
from quantize.null.statistics import LargestScore


def test_the_fitted_uniform_of_two_values() -> None:
    # Range 1 of two values: widened by 3/1 to 3, one on each side.
    start, length = Uniform().fit(np.array([1.0, 2.0]))
    assert start == pytest.approx(0.0)
    assert length == pytest.approx(3.0)


@pytest.mark.parametrize("free", [True, False])
def test_no_score_is_above_that_of_every_unit_in_the_range(free: bool) -> None:
    """Readings a third of a turn apart cancel each other at every unit of a narrow range."""
    values = np.array([0.0, 4 / 3, 8 / 3])
    unit_range = UnitRange(low=0.99, high=1.01, chosen=False, reason="")
    statistic = LargestScore.of(qz.Readings(values), unit_range, offset=0.0, free=free)
    # The sum over the readings as it is defined, on a fine grid of units.
    turns = values / np.linspace(0.99, 1.01, 2001)[:, None]
    whole = np.exp(2j * np.pi * turns).sum(axis=1)
    scores = np.abs(whole) ** 2 / 3 if free else whole.real * np.sqrt(2 / 3)
    assert scores.max() < 0.1
    assert scores.min() - 1e-9 <= statistic(values)[0] <= scores.max() + 1e-9
