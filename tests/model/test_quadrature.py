"""The adaptive quadrature against plain dense sums."""

import numpy as np
import pytest
from quantize.comb.offsets import (
    harmonics,
    log_likelihood_over_offsets,
    log_likelihood_over_offsets_plain,
    phases_at_best_offset,
)
from quantize.comb.problem import NEGLIGIBLE, Problem, dense_log_evidence, sigma_quadrature
from quantize.comb.quadrature import _Lattice, integrate

from quantize.comb.wrapped import harmonics_needed, log_density_sum_plain
from quantize.readings import Readings


def problem(x, low=0.4, high=2.5, *, sigma_range=(0.02, 1.0), free=False, **readings):
    levels = Readings(x, **readings).levels()
    if levels.sigma_given:
        sigma_range = (1.0, 1.0)
    origin = float(np.average(levels.mean, weights=1 / levels.factor)) if free else 0.0
    return Problem(
        levels=levels,
        origin=origin,
        low=low,
        high=high,
        sigma_low=sigma_range[0],
        sigma_high=sigma_range[1],
        free=free,
    )


def comb(rng, n, spread):
    return rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)


@pytest.mark.parametrize("n", [3, 7])
@pytest.mark.parametrize("spread", [0.05, 0.15, 0.3])
def test_log_evidence_with_sigma_unknown(n, spread):
    rng = np.random.default_rng([n, int(1000 * spread)])
    task = problem(comb(rng, n, spread), sigma_range=(0.04, 0.8))
    dense = dense_log_evidence(task, unit_points=6001, sigma_points=121)
    assert abs(integrate(task).log_evidence - dense) < 1e-5


@pytest.mark.parametrize("n", [8, 50])
def test_log_evidence_with_sigma_known(n):
    rng = np.random.default_rng(n)
    task = problem(comb(rng, n, 0.1), sigma_range=(0.1, 0.1))
    dense = dense_log_evidence(task, unit_points=20001, sigma_points=1)
    assert abs(integrate(task).log_evidence - dense) < 1e-6


def test_log_evidence_with_states_and_given_sigmas():
    rng = np.random.default_rng(5)
    k = rng.integers(-4, 5, size=8)
    x = np.repeat(k, 2) + 0.15 * rng.normal(size=16)
    state = np.repeat(np.arange(8), 2)
    task = problem(x, state=state, sigma_range=(0.05, 0.8))
    dense = dense_log_evidence(task, unit_points=4001, sigma_points=81)
    assert abs(integrate(task).log_evidence - dense) < 1e-5
    task = problem(x, sigma=rng.uniform(0.1, 0.3, size=16))
    dense = dense_log_evidence(task, unit_points=20001, sigma_points=1)
    assert abs(integrate(task).log_evidence - dense) < 5e-6


def test_scatter_within_states_alone_says_nothing():
    # Two states whose scatter is far above the prior's fall at small units: with the band above
    # their means every reading is at tooth zero, and comb and continuum see the same scatter.
    task = problem([0.1, 0.3, 0.2, 0.5], state=[1, 1, 2, 2], sigma_range=(0.02, 0.8))
    dense = dense_log_evidence(task, unit_points=2001, sigma_points=401)
    assert abs(integrate(task).log_evidence - dense) < 1e-5
    sigma, weight = sigma_quadrature(task)
    u = np.geomspace(0.4, 2.5, 4001)
    prior = task.log_sigma_density(sigma[:, None], u) + (weight + task.within(sigma))[:, None]
    mean = np.logaddexp.reduce(prior, axis=0)
    top = mean.max()
    average = top + np.log(np.trapezoid(np.exp(mean - top), np.log(u)) / np.log(2.5 / 0.4))
    assert task.log_within_evidence == pytest.approx(average, abs=1e-6)


@pytest.mark.parametrize("n", [4, 25])
def test_nothing_in_a_dropped_cell_comes_near_the_best(n):
    """The bound of a cell holds at every unit inside it and every smaller sigma."""
    rng = np.random.default_rng([10, n])
    task = problem(comb(rng, n, 0.15))
    sigmas, weight = sigma_quadrature(task)
    lattice = _Lattice(task, sigmas[0], float(weight.max()))
    lattice.refine(0.2, -np.inf)
    lattice._look(0.2)
    bound = lattice._bound(0.2)
    inside = (np.arange(9) + 0.5) / 9 - 0.5
    log_u = lattice.log_u[:, None] + lattice.step * inside
    u = np.exp(log_u.ravel())
    best = np.full(u.size, -np.inf)
    for sigma in sigmas[sigmas <= 0.2]:
        value = log_density_sum_plain(task.mean / u[:, None], (sigma / u)[:, None])
        value += task.log_sigma_density(sigma, u) - task.log_normaliser(u, sigma)
        best = np.maximum(best, value + weight.max() - np.log(lattice.size))
    best = best.reshape(log_u.shape).max(axis=1)
    assert np.all(best <= bound + 1e-9)
    assert np.min(bound - best) < NEGLIGIBLE


def test_log_evidence_with_a_free_offset():
    rng = np.random.default_rng(6)
    task = problem(comb(rng, 6, 0.12) + 0.3, sigma_range=(0.05, 0.6), free=True)
    dense = dense_log_evidence(task, unit_points=801, sigma_points=41, offset_points=40)
    assert abs(integrate(task).log_evidence - dense) < 1e-4


def test_many_readings_take_the_head_start_without_changing_the_answer(monkeypatch):
    rng = np.random.default_rng(7)
    task = problem(comb(rng, 90, 0.2))
    with_start = integrate(task).log_evidence
    monkeypatch.setattr("quantize.comb.quadrature._WORTH_A_FIT", 10**9)
    assert abs(with_start - integrate(task).log_evidence) < 1e-9


@pytest.mark.parametrize("spread", [0.08, 0.15, 0.5, 1.5])
def test_fourier_series_of_the_log_density(spread):
    rng = np.random.default_rng(8)
    mean, unit = rng.normal(size=9) * 3, np.array([0.7, 1.1, 1.9])
    s = np.full(3, spread)
    sums = harmonics(mean, unit, harmonics_needed(spread))
    series = log_likelihood_over_offsets(sums, mean.size, s, 16)
    plain = log_likelihood_over_offsets_plain(mean, unit, s[:, None], 16)
    np.testing.assert_allclose(series, plain, rtol=1e-11, atol=1e-11)


def test_best_offset_beats_a_fine_scan():
    rng = np.random.default_rng(9)
    turns, weight = rng.normal(size=(5, 7)) * 4, rng.uniform(0.5, 2, size=7)
    found = phases_at_best_offset(turns, weight)
    offsets = np.linspace(0, 1, 4001)
    scan = turns[:, None, :] - offsets[None, :, None]
    scan -= np.rint(scan)
    best = (scan**2 @ weight).min(axis=1)
    ours = found**2 @ weight
    assert np.all(ours <= best + 1e-12)
    assert np.all(ours >= best - 1e-3)
