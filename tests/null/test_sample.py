"""The levels under every noise of a model: densities against scipy, and what they do to combs."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

import quantize as qz
from quantize.null.evidence import _pooled
from quantize.null.sample import Sample, kept_nodes, merged, sample_of
from quantize.readings import Readings

STATE = np.array([0, 0, 0, 1, 1, 2, 3, 3])
VALUES = np.array([1.0137, 1.1241, 0.9138, 2.0713, 2.2171, 3.1331, 7.9447, 8.2319])
WIDE = 40.0


def sample(readings: Readings, **options: object) -> tuple[Sample, qz.MixtureModel, object]:
    model = qz.MixtureModel(**options)  # type: ignore[arg-type]
    found = qz.fit_mixture(readings, (0.5, 2.0), model=model).posterior
    return sample_of(found), found.model, found.noise


@pytest.mark.parametrize("noise", ["constant", "proportional", "counting"])
@pytest.mark.parametrize("rounding", [False, True])
def test_levels_and_scatter_are_the_density_of_all_readings(noise: str, rounding: bool) -> None:
    """scipy.stats.multivariate_normal: readings of one state share a level of a wide normal law.

    Its log density is that of the state means plus the scatter within, at every node of noise.
    """
    step = 0.07
    readings = Readings(VALUES, state=STATE, resolution=step if rounding else None)
    found, _, grid = sample(readings, noise=noise, sigma=(0.05, 0.4), rounding=rounding)
    size = np.abs(readings.levels().mean)[STATE]
    power = {"constant": 0, "counting": 1, "proportional": 2}[noise]
    shared = WIDE**2 * (STATE[:, None] == STATE)
    for s in range(0, len(found.variance), max(1, len(found.variance) // 7)):
        variance = grid.sigma[s] ** 2 + (power > 0) * grid.growth[s] ** 2 * size**power
        # The variance of rounding to a step h: h²/12.
        variance = variance + rounding * step**2 / 12
        whole = stats.multivariate_normal(np.zeros(8), np.diag(variance) + shared).logpdf(VALUES)
        means = stats.norm(0, np.sqrt(WIDE**2 + found.variance[s])).logpdf(found.values)
        # A level anywhere on the line, but for the width of the law: six digits.
        assert float(means.sum() + found.log_within[s]) == pytest.approx(float(whole), abs=1e-4)


def test_given_sigmas_are_those_of_the_readings() -> None:
    sd = np.linspace(0.1, 0.3, 8)
    found, _, _ = sample(Readings(VALUES, state=STATE, sigma=sd))
    expected = [1 / np.sum(sd[j == STATE] ** -2.0) for j in range(4)]
    assert_allclose(found.variance, [expected], rtol=1e-12)


def test_the_prior_mass_of_the_nodes_adds_up_to_one() -> None:
    for options in (
        {"sigma": 0.1},
        {"sigma": (0.02, 0.6)},
        {"sigma": (0.02, 0.6), "noise": "proportional"},
    ):
        found, _, _ = sample(Readings(VALUES), **options)
        assert np.exp(found.log_prior).sum() == pytest.approx(1, abs=2e-3)


def test_merged_neighbours_keep_the_density_of_levels_that_share_a_place() -> None:
    """As above: levels merged into an item share a place of a wide normal law."""
    rng = np.random.default_rng(2)
    x = np.sort(rng.uniform(0, 5, 40))
    found, _, grid = sample(Readings(x), sigma=(0.05, 0.4))
    few = merged(found, 9)
    assert few.values.size <= 9
    assert few.count.sum() == 40
    group = np.repeat(np.arange(few.count.size), few.count)
    # Items are nowhere longer than the least length that makes them so few.
    length = max(np.ptp(x[group == j]) for j in range(few.count.size))
    assert all(x[group == j + 1][0] - x[group == j][0] > length for j in range(few.count.size - 1))
    shared = WIDE**2 * (group[:, None] == group)
    for s in (0, len(grid.sigma) // 2):
        law = stats.multivariate_normal(np.zeros(40), grid.sigma[s] ** 2 * np.eye(40) + shared)
        means = stats.norm(0, np.sqrt(WIDE**2 + few.variance[s])).logpdf(few.values)
        assert means.sum() + few.log_merged[s] == pytest.approx(law.logpdf(x), abs=1e-4)


def test_a_sample_turned_about_zero_is_merged_alike() -> None:
    x = np.random.default_rng(4).exponential(size=60)
    few, other = (merged(sample(Readings(v), sigma=0.1)[0], 15) for v in (x, -x))
    assert other.count.tolist() == few.count[::-1].tolist()
    assert_allclose(other.values, -few.values[::-1], rtol=1e-12)


def test_items_merged_again_keep_their_levels_and_their_density() -> None:
    """As above, in two steps: an item is worth as many levels as are in it."""
    x = np.sort(np.random.default_rng(3).uniform(0, 5, 40))
    found, _, grid = sample(Readings(x), sigma=(0.05, 0.4))
    few = merged(merged(found, 17), 7)
    assert few.count.sum() == 40
    group = np.repeat(np.arange(few.count.size), few.count)
    assert_allclose(few.values, [x[group == j].mean() for j in range(few.count.size)])
    shared = WIDE**2 * (group[:, None] == group)
    law = stats.multivariate_normal(np.zeros(40), grid.sigma[0] ** 2 * np.eye(40) + shared)
    means = stats.norm(0, np.sqrt(WIDE**2 + few.variance[0])).logpdf(few.values)
    assert means.sum() + few.log_merged[0] == pytest.approx(law.logpdf(x), abs=1e-4)


def test_evidences_are_added_and_not_ratios() -> None:
    comb = np.log(0.5) + np.array([-3.0, -5.0])
    found = _pooled(comb, [{"a": 2.0, "b": 1.0}, {"a": -1.0}])
    expected = np.log(np.exp(-3) + np.exp(-5)) - np.log(np.exp(-5) + np.exp(-4))
    assert found["a"] == pytest.approx(expected)
    # Only the first says anything of b.
    assert found["b"] == pytest.approx(np.log(np.exp(-3) + np.exp(-5)) + 4)


def test_a_unit_that_drifts_needs_noise_that_grows() -> None:
    """Precise repeats of a comb whose unit drifts by one per cent.

    With noise in proportion to the reading on both sides the comb gains on levels anywhere.
    """
    rng = np.random.default_rng(4)
    k = np.repeat(rng.permutation(np.arange(1, 13)), 2)
    unit = 1 + np.repeat(rng.normal(0, 0.01, 12), 2)
    readings = Readings(k * unit + rng.normal(0, 0.001, 24), state=np.repeat(np.arange(12), 2))
    constant, growing = (
        qz.analyze(readings, (0.4, 4.0), model=qz.MixtureModel(noise=noise), n_resamples=99, rng=1)
        for noise in ("constant", "proportional")
    )
    for null in ("lumpy: flat shares", "continuous: whatever the envelope"):
        assert growing.log_bayes_factors[null] > constant.log_bayes_factors[null]
    assert growing.unit == pytest.approx(1.0, abs=0.02)


def test_states_that_scatter_more_than_their_readings_are_not_called_no_steps() -> None:
    """Every state is off its tooth by 0.06, and its readings differ by 0.01.

    The scatter within states is believed, so that the comb does not fit; the unit is right all the
    same.
    """
    rng = np.random.default_rng(5)
    k = rng.integers(-4, 5, 20)
    level = k + rng.normal(0, 0.06, 20)
    values = np.repeat(level, 2) + rng.normal(0, 0.01, 40)
    readings = Readings(values, state=np.repeat(np.arange(20), 2))
    found = qz.analyze(readings, (0.3, 3.0), n_resamples=99, rng=1)
    assert found.unit == pytest.approx(1.0, abs=0.02)
    assert found.verdict == "cannot tell"


def test_every_node_that_counts_is_kept_however_many_they_are() -> None:
    """Of alike nodes each holds a part of the evidence; growing noise has hundreds."""
    assert kept_nodes(np.zeros(500)).all()
    assert kept_nodes(np.r_[np.zeros(300), -14.0, -16.0]).tolist() == [True] * 301 + [False]
