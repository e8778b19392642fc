"""A sample with two modes, and a short run on it that the tests share."""

from __future__ import annotations

import pytest
from targets import target_of
from two_modes import SIGMA, STATES, UNIT_RANGE, VALUES

import quantize as qz
from quantize.sampling.result import SampledMixture
from quantize.sampling.sample import sample_mixture
from quantize.sampling.target import Target


@pytest.fixture(scope="session")
def readings() -> qz.Readings:
    """Ten readings, two of them of one state."""
    return qz.Readings(VALUES, state=STATES, resolution=0.01)


@pytest.fixture(scope="session")
def sampled(readings: qz.Readings) -> SampledMixture:
    """Both unit and sigma unknown."""
    return sample_mixture(readings, UNIT_RANGE, draws=400, rng=2)


@pytest.fixture(scope="session")
def target() -> Target:
    """Sigma known: one coordinate."""
    return target_of(VALUES, UNIT_RANGE, sigma=SIGMA)
