"""The heaped null: a part of each cell's readings stands on a narrow heap at its middle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from quantize.null.running_nulls import log_heaped

PHASES = np.linspace(-0.5, 0.5, 20_001)


def test_a_cell_keeps_its_probability() -> None:
    """Only then is the heaped null a density, and the evidence against it what it promises."""
    mass = integrate.trapezoid(np.exp(log_heaped(PHASES)), PHASES, axis=0)
    assert mass == pytest.approx(np.ones_like(mass), abs=1e-8)


def test_heaps_are_normal_and_of_at_most_half_the_readings() -> None:
    phase = np.array([0.0, 0.002, 0.05, -0.3])
    found = np.exp(log_heaped(phase))
    spreads, shares = (0.001, 0.003, 0.01, 0.03, 0.08), (0.1, 0.2, 0.3, 0.4, 0.5)
    assert found.shape == (4, len(spreads), len(shares))
    for s, spread in enumerate(spreads):
        for w, share in enumerate(shares):
            # scipy.stats.norm for the heap, beside a flat rest.
            expected = 1 - share + share * stats.norm.pdf(phase, 0, spread)
            assert found[:, s, w] == pytest.approx(expected, rel=1e-9)
