"""Assignments of whole numbers and how sure they are, against numbers worked out beside them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from quantize.comb import assignments
from quantize.comb.least_squares import _bounded_criterion, _confidence

X = np.array([1.02, 2.05, 2.96, 5.01, 7.03])
W = np.array([1.0, 2.0, 1.0, 0.5, 1.0])


@pytest.mark.parametrize("search", [assignments.fixed_offset, assignments.free_offset])
def test_every_assignment_has_a_unit_of_the_range(search: object) -> None:
    assert callable(search)
    found = search(X, W, 0.8, 1.9)
    assert found.unit.size > 3
    assert found.unit.min() >= 0.8
    assert found.unit.max() <= 1.9
    assert np.isfinite(found.criterion).all()
    # Somewhere among them is the comb itself.
    assert np.abs(found.unit - 1.0).min() < 0.02


def test_readings_on_both_sides_of_zero_give_no_negative_unit() -> None:
    # A large unit gives reading and number different signs unless they are distinguished.
    found = assignments.fixed_offset(np.array([-3.1, 0.4, 2.9]), np.ones(3), 0.9, 8.0)
    assert found.unit.min() >= 0.9
    assert np.isfinite(found.criterion).all()


@pytest.mark.parametrize("search", [assignments.fixed_offset, assignments.free_offset])
def test_the_variance_of_rounding_is_counted_in_units(search: object) -> None:
    assert callable(search)
    exact, rounded = search(X, W, 0.8, 1.9), search(X, W, 0.8, 1.9, grain=1e-6)
    assert np.array_equal(exact.unit, rounded.unit)
    assert np.ptp(exact.unit) > 0.5
    added = rounded.criterion - exact.criterion
    assert added == pytest.approx(1e-6 / exact.unit**2, rel=1e-6, abs=0)


def test_the_bounded_criterion_is_a_mean_of_squares_cut_at_a_tenth() -> None:
    found = assignments.Candidates(
        frequency=np.array([1.0, 0.5]),
        phase=np.array([0.0, 0.25]),
        unit=np.array([1.0, 2.0]),
        criterion=np.zeros(2),
    )
    # Distances in units at 1/u = 1 and no phase: .02 .05 -.04 .01 .03.
    first = (1 * 0.02**2 + 2 * 0.05**2 + 1 * 0.04**2 + 0.5 * 0.01**2 + 1 * 0.03**2) / 5.5
    # At 1/2 with a quarter of a unit: .26 -.225 .23 .255 .265, all beyond a tenth.
    assert _bounded_criterion(X, W, found) == pytest.approx([first, 0.01])


def test_exact_multiples_are_assigned_with_certainty() -> None:
    assert _confidence(np.zeros(3), 1.0, np.zeros(3)).tolist() == [1.0, 1.0, 1.0]
    # Off by 0.3 of a unit at sigma 0.2: against neighbours at 0.7 and 1.3.
    weights = stats.norm.pdf(np.array([0.3, 0.7, 1.3, 1.7]), scale=0.2)
    found = _confidence(np.array([0.3]), 1.0, np.array([0.2]))
    assert found == pytest.approx([weights[0] / weights.sum()])
