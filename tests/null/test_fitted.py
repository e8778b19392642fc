"""Families fitted to the readings as nulls, those of scipy.stats among them."""

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize import InputError
from quantize.null.samplers import FittedFamily, Normal, Uniform
from quantize.readings import Readings

PAGE = [2.13, 3.97, 6.02, 8.11, 9.94, 14.01, 4.1, 11.9]


def test_a_distribution_of_scipy_is_fitted_and_drawn_from():
    found = qz.compare_null(PAGE, (1.2, 5), null=stats.gamma, n_resamples=99, rng=1)
    assert list(found.p_values) == ["gamma"]
    shape = stats.gamma.fit(np.array(PAGE))
    again = qz.compare_null(
        PAGE,
        (1.2, 5),
        null=lambda size, rng: (
            np.round(stats.gamma.rvs(*shape, size=(size, len(PAGE)), random_state=rng) / 0.01)
            * 0.01
        ),
        n_resamples=99,
        rng=1,
    )
    np.testing.assert_array_equal(found.null_distribution, again.null_distribution)


def test_fits_are_those_of_scipy():
    """scipy.stats.norm.fit gives the standard deviation with n; ours has n − 1."""
    values = np.array(PAGE)
    mean, deviation = Normal().fit(values)
    theirs = stats.norm.fit(values)
    assert mean == pytest.approx(theirs[0])
    assert deviation == pytest.approx(theirs[1] * np.sqrt(8 / 7))
    start, length = Uniform().fit(values)
    assert start < values.min()
    # The best unbiased estimate of the length of a uniform law: span·(n + 1)/(n − 1).
    assert length == pytest.approx(np.ptp(values) * 9 / 7)


def test_states_are_drawn_whole_and_their_scatter_again():
    rng = np.random.default_rng(3)
    state = np.repeat(np.arange(12), 2)
    values = rng.normal(0, 5, 12)[state] + rng.normal(0, 0.1, 24)
    drawn = FittedFamily.of(Readings(values, state=state), Normal())(800, rng)
    pairs = drawn.reshape(800, 12, 2)
    # 9,600 differences of pairs tell their standard deviation to 0.7 %.
    assert np.std(pairs[:, :, 0] - pairs[:, :, 1]) == pytest.approx(
        np.std(values[::2] - values[1::2]), rel=0.35
    )
    assert np.std(pairs.mean(axis=2)) == pytest.approx(np.std(values), rel=0.1)


class OnlyAbove:
    """A family that no readings fit."""

    name = "only above"

    def fit(self, data):
        raise ValueError("values below the edge")

    def rvs(self, *parameters, size, random_state):
        return random_state.random(size)


def test_a_family_that_cannot_be_fitted_says_so():
    with pytest.raises(InputError, match="`null` only above cannot be fitted"):
        qz.compare_null(PAGE, (1.2, 5), null=OnlyAbove(), n_resamples=19)


@pytest.mark.parametrize(
    ("sampler", "message"),
    [
        (lambda size, rng: rng.random((size, 3)), r"returned shape \(99, 3\)"),
        (lambda size, rng: np.full((size, 8), np.nan), "returned NaN"),
        (lambda size, rng: np.ones((size, 8)), "same statistic"),
        (42, "`null` is 42"),
        ("rough", "`null` is 'rough'"),
    ],
)
def test_samplers_that_cannot_be_used(sampler, message):
    with pytest.raises(InputError, match=message):
        qz.compare_null(PAGE, (1.2, 5), null=sampler, n_resamples=99, rng=1)
