"""Noise that grows, and states that scatter more than their readings tell."""

import numpy as np
import pytest
from quantize.null.noise import patterns, pooled
from quantize.null.placement import SAME_ENVELOPE
from quantize.null.weighing import weigh
from scipy import stats

from quantize import InputError
from quantize.readings import Readings

STATE = np.array([0, 0, 0, 1, 1, 2, 3, 3])
VALUES = np.array([1.0, 1.1, 0.9, 2.0, 2.2, 3.1, 7.9, 8.2])


@pytest.mark.parametrize("noise", ["proportional", "counting"])
def test_pattern_likelihood_is_the_density_of_all_readings(noise):
    """scipy.stats.multivariate_normal: readings of one state share a level of a wide normal law.

    Its log density is that of the state means plus the scatter within, for every growth.
    """
    readings = Readings(VALUES, state=STATE)
    plain = readings.levels()
    size = np.abs(plain.mean)[plain.index] / np.abs(plain.mean).max()
    sigma, wide = 0.13, 40.0
    for growth, pattern in zip((0.0, 0.5, 1.0, 2.0), patterns(readings, noise)[::3], strict=False):
        shape = size ** (2 if noise == "proportional" else 1)
        variance = sigma**2 * (1 + growth**2 * shape)
        shared = wide**2 * (STATE[:, None] == STATE)
        whole = stats.multivariate_normal(np.zeros(8), np.diag(variance) + shared).logpdf(VALUES)
        levels = pattern.levels
        means = stats.norm(0, np.sqrt(wide**2 + sigma**2 * levels.factor)).logpdf(levels.mean)
        within = (
            -0.5 * levels.degrees * np.log(2 * np.pi * sigma**2)
            - levels.scatter / (2 * sigma**2)
            + pattern.log_weight
            - np.log(0.5 / 9)
        )
        assert float(np.sum(means) + within) == pytest.approx(float(whole), abs=1e-6)


def test_without_growth_and_repeats_there_is_one_pattern():
    assert len(patterns(Readings([1.0, 2.0, 4.0]))) == 1
    assert len(patterns(Readings(VALUES, state=STATE))) == 3
    weights = [p.log_weight for p in patterns(Readings(VALUES, state=STATE))]
    assert np.exp(weights).sum() == pytest.approx(1.0)


def test_evidences_are_added_and_not_ratios():
    comb = np.array([-3.0, -5.0])
    prior = np.log([0.5, 0.5])
    found = pooled(comb, prior, [{"a": 2.0, "b": 1.0}, {"a": -1.0}])
    expected = np.log(np.exp(-3) + np.exp(-5)) - np.log(np.exp(-5) + np.exp(-4))
    assert found == {"a": pytest.approx(expected)}


def test_a_unit_that_drifts_needs_noise_that_grows():
    """Precise repeats of a comb whose unit drifts by one per cent.

    With noise in proportion to the reading on both sides the comb gains on levels anywhere.
    """
    rng = np.random.default_rng(4)
    k = np.repeat(rng.permutation(np.arange(1, 13)), 2)
    unit = 1 + np.repeat(rng.normal(0, 0.01, 12), 2)
    readings = Readings(k * unit + rng.normal(0, 0.001, 24), state=np.repeat(np.arange(12), 2))
    constant = weigh(readings, (0.4, 4.0))
    growing = weigh(readings, (0.4, 4.0), noise="proportional")
    lumpy = "lumpy: flat shares"
    assert growing.log_ratios[lumpy] > constant.log_ratios[lumpy]
    assert growing.log_ratios[SAME_ENVELOPE] > constant.log_ratios[SAME_ENVELOPE]
    assert growing.best_unit == pytest.approx(1.0, abs=0.02)


def test_states_that_scatter_more_than_their_readings_keep_the_comb():
    """Every state is off its tooth by 0.06, and its readings differ by 0.01."""
    rng = np.random.default_rng(5)
    k = rng.integers(-4, 5, 20)
    level = k + rng.normal(0, 0.06, 20)
    values = np.repeat(level, 2) + rng.normal(0, 0.01, 40)
    found = weigh(Readings(values, state=np.repeat(np.arange(20), 2)), (0.3, 3.0))
    assert found.best_unit == pytest.approx(1.0, abs=0.02)
    assert min(found.log_ratios.values()) > 0


def test_unknown_noise_is_refused():
    with pytest.raises(InputError, match="`noise` is 'pink'"):
        patterns(Readings([1.0, 2.0]), "pink")
