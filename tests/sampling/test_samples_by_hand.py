"""What is made of samples, against sums written out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from targets import target_of

import quantize as qz
from quantize.sampling.summary import typical_width
from quantize.sampling.target import UnitMode


def test_the_probability_of_a_whole_number_is_its_share_of_the_density() -> None:
    x = np.array([1.3, 2.1, 2.55, 4.0])
    target = target_of(x, (0.7, 1.6), sigma=0.3)
    whole, found = target.integer_probabilities(np.array([[np.log(1.05)]]))
    density = stats.norm.pdf(x[:, None], 1.05 * whole, 0.3)
    expected = density / density.sum(axis=1, keepdims=True)
    # The sum runs over a few neighbours; what lies beyond is small at this sigma.
    assert found == pytest.approx(expected, abs=2e-3)


def test_modes_alike_are_as_wide_as_one() -> None:
    modes = [
        UnitMode(low=0.0, high=0.1, share=share, centre=0.05, width=0.02)
        for share in (0.5, 0.2, 0.05)
    ]
    assert typical_width(np.zeros(10), modes) == pytest.approx(0.02)
    # One a hundred times wider with a third of the share: a factor 100^(1/3) for the mean.
    wide = [
        UnitMode(low=0, high=1, share=0.5, centre=0.5, width=0.01),
        UnitMode(low=2, high=3, share=0.25, centre=2.5, width=1.0),
    ]
    assert typical_width(np.zeros(10), wide) == pytest.approx(0.01 * 100 ** (1 / 3))


def test_a_single_chain_is_enough_to_sample() -> None:
    rng = np.random.default_rng(2)
    x = rng.integers(1, 9, size=10) + 0.05 * rng.normal(size=10)
    found = qz.sample_mixture(x, (0.7, 1.6), chains=1, draws=40, rng=1)
    exact = qz.fit_mixture(x, (0.7, 1.6))
    assert found.unit == pytest.approx(exact.unit, abs=exact.unit_err)
