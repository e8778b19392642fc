"""Pieces of the comb that a whole fit hides, against numbers worked out beside them."""

from __future__ import annotations

import numpy as np
import pytest
from quantize.comb.problem import dense_log_evidence
from scipy import stats

import quantize as qz
from quantize.comb import assignments
from quantize.comb.least_squares import _bounded_criterion, _confidence
from quantize.model.modes import _refined

X = np.array([1.02, 2.05, 2.96, 5.01, 7.03])
W = np.array([1.0, 2.0, 1.0, 0.5, 1.0])


@pytest.mark.parametrize("search", [assignments.fixed_offset, assignments.free_offset])
def test_every_assignment_has_a_unit_of_the_band(search: object) -> None:
    assert callable(search)
    found = search(X, W, 0.8, 1.9)
    assert found.unit.size > 3
    assert found.unit.min() >= 0.8
    assert found.unit.max() <= 1.9
    assert np.isfinite(found.criterion).all()
    # Somewhere among them is the comb itself.
    assert np.abs(found.unit - 1.0).min() < 0.02


def test_readings_on_both_sides_of_zero_give_no_negative_unit() -> None:
    # A large unit gives reading and number different signs unless they are told apart.
    found = assignments.fixed_offset(np.array([-3.1, 0.4, 2.9]), np.ones(3), 0.9, 8.0)
    assert found.unit.min() >= 0.9
    assert np.isfinite(found.criterion).all()


def test_the_bounded_criterion_is_a_mean_of_squares_cut_at_a_tenth() -> None:
    found = assignments.Candidates(
        frequency=np.array([1.0, 0.5]),
        phase=np.array([0.0, 0.25]),
        unit=np.array([1.0, 2.0]),
        criterion=np.zeros(2),
    )
    # Distances in turns at 1/u = 1 and no phase: .02 .05 -.04 .01 .03.
    first = (1 * 0.02**2 + 2 * 0.05**2 + 1 * 0.04**2 + 0.5 * 0.01**2 + 1 * 0.03**2) / 5.5
    # At 1/2 with a quarter of a turn: .26 -.225 .23 .255 .265, all beyond a tenth.
    assert _bounded_criterion(X, W, found) == pytest.approx([first, 0.01])


def test_exact_multiples_are_assigned_with_certainty() -> None:
    assert _confidence(np.zeros(3), 1.0, np.zeros(3)).tolist() == [1.0, 1.0, 1.0]
    # Off by 0.3 of a unit at sigma 0.2: against neighbours at 0.7 and 1.3.
    weights = stats.norm.pdf(np.array([0.3, 0.7, 1.3, 1.7]), scale=0.2)
    found = _confidence(np.array([0.3]), 1.0, np.array([0.2]))
    assert found == pytest.approx([weights[0] / weights.sum()])


def test_the_fine_marginal_keeps_the_place_of_the_coarse_one() -> None:
    # A normal density on a lattice of cells, its middle off the lattice.
    cells = np.arange(20, 60)
    mass = stats.norm.pdf(cells + 0.5, loc=40.3, scale=4.0)
    fine, value = _refined(cells, mass, 1.0, 0.25, 400)
    place = (fine + 0.5) * 0.25
    assert value.sum() == pytest.approx(mass.sum())
    mean = value @ place / value.sum()
    assert mean == pytest.approx(40.3, abs=0.01)
    assert np.sqrt(value @ (place - mean) ** 2 / value.sum()) == pytest.approx(4.0, rel=0.01)


def test_repeats_at_known_sigma_count_in_neither_evidence() -> None:
    # What the scatter within a state says of a known sigma is the same for comb and continuum.
    x = np.array([1.02, 0.97, 3.05, 2.98, 4.01, 4.06, 6.93, 7.02])
    page = qz.Readings(x, state=np.repeat(np.arange(4), 2))
    fit = qz.fit_mixture(page, (0.7, 2.5), sigma_range=0.06)
    dense = dense_log_evidence(fit.problem, unit_points=4001, sigma_points=1)
    assert fit.log_bayes_factor == pytest.approx(dense, abs=0.01)
    wider = np.repeat(x.reshape(-1, 2).mean(axis=1), 2) + np.tile([0.3, -0.3], 4)
    scattered = qz.fit_mixture(
        qz.Readings(wider, state=np.repeat(np.arange(4), 2)), (0.7, 2.5), sigma_range=0.06
    )
    assert scattered.log_bayes_factor == pytest.approx(fit.log_bayes_factor, abs=1e-6)
