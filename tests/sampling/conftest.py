"""A page with two modes, and a short run on it that the tests share."""

from __future__ import annotations

import pytest
from quantize.sampling.base_target import BaseTarget
from two_modes import BAND, PAGE, SIGMA, STATES

import quantize as qz
from quantize.sampling.result import SampledMixture
from quantize.sampling.sample import sample_mixture


@pytest.fixture(scope="session")
def page() -> qz.Readings:
    """Ten readings, two of them of one state."""
    return qz.Readings(PAGE, state=STATES, resolution=0.01)


@pytest.fixture(scope="session")
def sampled(page: qz.Readings) -> SampledMixture:
    """Both unit and sigma unknown."""
    return sample_mixture(page, BAND, draws=400, rng=2)


@pytest.fixture(scope="session")
def target() -> BaseTarget:
    """Sigma known: one coordinate."""
    return BaseTarget(qz.fit_mixture(PAGE, BAND, sigma_range=SIGMA))
