"""The picture of a sampled posterior says what the result says."""

from __future__ import annotations

import pytest
from two_modes import UNIT_RANGE, VALUES

import quantize as qz


@pytest.mark.parametrize("unit_range", [UNIT_RANGE, (1.8, 2.3)])
def test_the_picture_shows_each_ensemble_and_each_mode(unit_range: tuple[float, float]) -> None:
    found = qz.sample_mixture(VALUES, unit_range, draws=150, chains=3, rng=1)
    axes = found.plot()
    # The area of all, and one outline for each ensemble.
    assert len(axes.patches) == 1 + 3
    larger = found.alternatives[found.alternatives["share"] >= 0.01]
    written = [text.get_text() for text in axes.texts]
    assert len(written) == len(larger)
    assert all(text.endswith(" %") for text in written)
    low, high = axes.get_xlim()
    assert low < found.unit < high
    word = "agree" if found.converged else "not converged"
    assert word in axes.get_title(loc="left")
