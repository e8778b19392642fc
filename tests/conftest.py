"""Settings that every test shares: one seed, reproducible examples, no window system."""

from __future__ import annotations

import os
import sys

import numpy as np
import pytest
from hypothesis import settings

SEED_VARIABLE = "QUANTIZE_TEST_SEED"

os.environ.setdefault("MPLBACKEND", "Agg")
# Each worker and each process that a test starts would compile anew all that it loads.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
settings.register_profile("quantize", deadline=None, derandomize=True, max_examples=30)
settings.load_profile("quantize")


@pytest.fixture(scope="session")
def seed() -> int:
    """The seed of every simulation; the environment variable overrides it."""
    return int(os.environ.get(SEED_VARIABLE, "20170411"))


@pytest.fixture
def unrendered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reports whose pictures are drawn but not turned into SVG, for tests of their words."""
    monkeypatch.setattr("quantize.show.report.picture", lambda axes, **_: b"<svg></svg>")


@pytest.fixture
def rng(seed: int) -> np.random.Generator:
    """A fresh generator for each test."""
    return np.random.default_rng(seed)
