"""The posterior that is sampled is that of the quadrature, and walkers begin where it is."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from scipy import stats
from targets import target_of
from two_modes import VALUES

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.sampling.target import Target
from quantize.shared_shift import SharedShift


def test_walkers_begin_where_the_posterior_is_not_zero() -> None:
    # The plain model puts half of the walkers near 0.5, which this prior rules out.
    rng = np.random.default_rng(2)
    x = rng.integers(1, 9, size=16) + 0.05 * rng.normal(size=16)
    model = qz.MixtureModel(
        offset="free",
        noise="counting",
        outliers="free",
        priors={"unit": stats.uniform(1.3, 0.5)},
    )
    data = qz.Readings(x)
    target = Target(data, UnitRange(low=0.4, high=2.0, chosen=False, reason=""), model)
    assert target.posterior is None
    plain = target.plain_posterior.draws(200, rng=1).unit
    assert ((plain < 1.3) | (plain > 1.8)).any()
    start = target.start(200, np.random.default_rng(1))[0]
    assert np.isfinite(target.log_prob(start)).all()
    assert np.exp(start[:, 0]).min() >= 1.3


@pytest.mark.slow
def test_coarse_steps_are_rounding_to_both() -> None:
    # Steps of half a division could pass for units from 1.0: both integrate over them.
    rng = np.random.default_rng(3)
    x = 1.9 * rng.integers(1, 9, 30) + 0.25 * rng.normal(size=30)
    coarse = qz.Readings(0.5 * np.rint(x / 0.5), resolution=0.5)
    exact = qz.fit_mixture(coarse, (1.0, 3.0))
    found = qz.sample_mixture(coarse, (1.0, 3.0), draws=100, chains=2, rng=1)
    assert exact.model.rounding
    assert found.settings["target"]["model"] == exact.model.to_dict()
    # The quadrature is checked elsewhere; a third of its width is 5 sigma of 200 draws.
    assert found.unit == pytest.approx(exact.unit, abs=exact.unit_err / 3)
    assert found.sigma == pytest.approx(exact.sigma, rel=0.1)


@pytest.mark.slow
def test_a_target_goes_to_workers_without_its_quadrature() -> None:
    second = SharedShift(error=0.1, lever=np.linspace(1, 0.2, 10))
    shift = SharedShift(error=0.2, lever=np.linspace(0.5, 1, 10), also=second)
    target = target_of(qz.Readings(VALUES).replace(shift=shift), (1.6, 2.4))
    theta, log_prob = target.start(20, np.random.default_rng(1))
    there = pickle.loads(pickle.dumps(target))
    np.testing.assert_array_equal(there.log_prob(theta), log_prob)


def test_a_sample_that_the_priors_exclude_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Target, "log_prob", lambda _, theta: np.full(len(theta), -np.inf))
    with pytest.raises(qz.InputError, match="`readings` are next to impossible under the priors"):
        qz.sample_mixture(VALUES, (0.6, 4.0), draws=20, chains=1, rng=1)


def test_the_probability_of_a_whole_number_is_its_share_of_the_density() -> None:
    x = np.array([1.3, 2.1, 2.55, 4.0])
    target = target_of(x, (0.7, 1.6), sigma=0.3)
    whole, found = target.integer_probabilities(np.array([[np.log(1.05)]]))
    density = stats.norm.pdf(x[:, None], 1.05 * whole, 0.3)
    expected = density / density.sum(axis=1, keepdims=True)
    # The sum runs over a few neighbours; what lies beyond is small at this sigma.
    assert found == pytest.approx(expected, abs=2e-3)
