"""The comb's likelihood of the levels at the nodes of the posterior, against plain integrals."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad, simpson
from scipy.special import logsumexp

import quantize as qz
from quantize.null.choices import BLURRED
from quantize.null.sample import Teeth, comb_at_nodes, sample_of

LOW, HIGH = 0.7, 1.6
WHOLE = np.arange(-12, 13)


def levels(spread: float, n: int = 7, seed: int = 8) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.sort(rng.integers(-4, 5, size=n) + rng.normal(0, spread, size=n))


def teeth(
    readings: object, unit_range: tuple[float, float] = (LOW, HIGH), **options: object
) -> Teeth:
    found = qz.fit_mixture(readings, unit_range, **options).posterior
    return comb_at_nodes(found, sample_of(found), unit_range[1])


def normal(x: np.ndarray, mean: np.ndarray, sd: np.ndarray | float) -> np.ndarray:
    """The normal density."""
    return np.asarray(np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)))


def density(values: np.ndarray, unit: float, sd: float | np.ndarray, offset: float = 0.0) -> float:
    """Every level on any tooth, without the occupancy."""
    places = WHOLE[:, None] * unit + offset
    return float(np.prod(normal(values, places, sd).sum(axis=0)))


def over_units(function: Callable[[float], float]) -> float:
    """Mean over log unit, by scipy.integrate.quad between sixty points."""
    points = np.linspace(LOW, HIGH, 60)
    pieces = [quad(lambda u: function(u) / u, a, b)[0] for a, b in itertools.pairwise(points)]
    return float(sum(pieces) / np.log(HIGH / LOW))


@pytest.mark.parametrize("sigma", [0.05, 0.1, 0.2])
def test_the_sum_over_nodes_is_the_integral_over_log_unit(sigma: float) -> None:
    values = levels(sigma)
    found = teeth(values, sigma_range=sigma)
    expected = over_units(lambda u: density(values, u, sigma))
    assert_allclose(logsumexp(found.log_likelihood), np.log(expected), atol=1e-3)


def test_unequal_precisions_agree_with_the_integral() -> None:
    values = levels(0.15)
    sd = 0.15 * np.sqrt(np.linspace(0.6, 1.4, values.size))
    found = teeth(qz.Readings(values, sigma=sd))
    expected = over_units(lambda u: density(values, u, sd))
    assert_allclose(logsumexp(found.log_likelihood), np.log(expected), atol=1e-3)


@pytest.mark.parametrize("sigma", [0.06, 0.2])
def test_a_free_offset_is_averaged_over_one_unit(sigma: float) -> None:
    values, unit_range = levels(sigma) + 0.37, (0.9, 1.1)
    found = teeth(values, unit_range, offset="free", sigma_range=sigma)
    unit = np.geomspace(*unit_range, 301)
    phase = (np.arange(100) + 0.5) / 100
    grid = [np.mean([density(values, u, sigma, u * c) for c in phase]) for u in unit]
    expected = simpson(grid, x=np.log(unit)) / np.log(unit_range[1] / unit_range[0])
    assert_allclose(logsumexp(found.log_likelihood), np.log(expected), atol=5e-3)


def test_an_unknown_sigma_has_the_prior_of_the_model() -> None:
    """Flat in log sigma, halved at 0.35 units; only spreads below 0.3 units take part."""
    values, ends = levels(0.08, n=6), (0.02, 0.6)
    found = teeth(values, sigma_range=ends)
    log_s = np.linspace(*np.log(ends), 101)
    s = np.exp(log_s)

    def at(u: float) -> float:
        prior = 1 / (1 + (s / u / 0.35) ** 8)
        products = normal(values, u * WHOLE[:, None, None], s[:, None]).sum(axis=0).prod(axis=1)
        shown = s <= BLURRED * u
        return float(simpson(shown * products * prior, x=log_s) / simpson(prior, x=log_s))

    unit = np.geomspace(LOW, HIGH, 601)
    expected = simpson([at(u) for u in unit], x=np.log(unit)) / np.log(HIGH / LOW)
    assert_allclose(logsumexp(found.log_likelihood), np.log(expected), atol=5e-3)


def test_units_above_the_highest_and_wide_spreads_are_left_out() -> None:
    values = levels(0.2)
    found = qz.fit_mixture(values, (LOW, HIGH), sigma_range=(0.02, 0.6)).posterior
    sample = sample_of(found)
    part = comb_at_nodes(found, sample, 1.1)
    assert part.unit.max() <= 1.1
    assert np.all(found.noise.sigma[part.noise] <= BLURRED * part.unit)
    whole = comb_at_nodes(found, sample, HIGH)
    below = whole.unit <= 1.1
    assert_allclose(logsumexp(part.log_likelihood), logsumexp(whole.log_likelihood[below]))


def test_repeats_of_a_state_are_one_level_and_say_how_large_sigma_is() -> None:
    """Density of all readings: those of a state share a tooth."""
    rng = np.random.default_rng(3)
    k = np.array([-3, -1, 0, 2, 4, 5])
    values = np.repeat(k, 2) + rng.normal(0, 0.1, 12)
    state = np.repeat(np.arange(6), 2)
    found = teeth(qz.Readings(values, state=state), sigma_range=(0.03, 0.5))
    log_s = np.linspace(np.log(0.03), np.log(0.5), 101)
    s = np.exp(log_s)

    def at(u: float) -> float:
        prior = 1 / (1 + (s / u / 0.35) ** 8)
        each = normal(values, u * WHOLE[:, None, None], s[:, None])
        pairs = each.reshape(WHOLE.size, s.size, 6, 2).prod(axis=3).sum(axis=0)
        shown = s / np.sqrt(2) <= BLURRED * u
        products = pairs.prod(axis=1) * shown
        return float(simpson(products * prior, x=log_s) / simpson(prior, x=log_s))

    unit = np.geomspace(LOW, HIGH, 601)
    expected = simpson([at(u) for u in unit], x=np.log(unit)) / np.log(HIGH / LOW)
    assert_allclose(logsumexp(found.log_likelihood), np.log(expected), atol=5e-3)


def test_a_free_offset_far_from_the_origin() -> None:
    # Multiples of 2^-10 can be moved by 2^30 without rounding.
    x = np.round(1024 * levels(0.06, n=12)) / 1024
    near, far = (
        teeth(x + shift, offset="free", sigma_range=(0.05, 0.2)) for shift in (0.0, 2.0**30)
    )
    assert_allclose(logsumexp(far.log_likelihood), logsumexp(near.log_likelihood), atol=1e-6)
