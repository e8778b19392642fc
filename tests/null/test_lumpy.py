"""The lumpy null keeps clusters whole and moves them."""

import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import kstest

from quantize import Readings
from quantize.null.partitions import most_probable_groups
from quantize.null.samplers import RedrawnLevels


def test_groups_are_the_clusters_that_made_the_values():
    rng = np.random.default_rng(1)
    truth = np.repeat([0, 1, 2], [5, 9, 6])
    values = np.array([0.0, 3.0, 4.7])[truth] + rng.normal(0, 0.1, size=20)
    order = np.argsort(values)
    assert most_probable_groups(values[order], np.ones(20), 0.1).tolist() == truth[order].tolist()


def test_samples_keep_the_clusters_and_spread_their_places_evenly():
    rng = np.random.default_rng(2)
    truth = np.repeat([0, 1, 2], 8)
    values = np.array([0.0, 3.0, 4.7])[truth] + rng.normal(0, 0.05, size=24)
    null = RedrawnLevels.of(Readings(values), 0.3, 2.5)
    drawn = null(400, np.random.default_rng(3))
    assert drawn.shape == (400, 24)
    inner = values[truth == 1] - values[truth == 1].mean()
    found = drawn[:, truth == 1] - drawn[:, truth == 1].mean(axis=1, keepdims=True)
    assert_allclose(found, np.tile(inner, (400, 1)), atol=1e-9)
    # The range of the readings and one mean gap of three clusters.
    gap = np.ptp(values) / 3
    low, high = values.min() - gap / 2, values.max() + gap / 2
    places = (drawn[:, truth == 1].mean(axis=1) - low) / (high - low)
    # Fails by chance once in 10,000 times.
    assert kstest(places, "uniform").pvalue > 1e-4
