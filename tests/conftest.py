"""Settings that every test shares: one seed, reproducible examples, no window system."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import settings

SEED_VARIABLE = "QUANTIZE_TEST_SEED"

os.environ.setdefault("MPLBACKEND", "Agg")
settings.register_profile("quantize", deadline=None, derandomize=True, max_examples=30)
settings.load_profile("quantize")


@pytest.fixture(scope="session")
def seed() -> int:
    """The seed of every simulation; the environment variable overrides it."""
    return int(os.environ.get(SEED_VARIABLE, "20170411"))


@pytest.fixture
def rng(seed: int) -> np.random.Generator:
    """A fresh generator for each test."""
    return np.random.default_rng(seed)
