"""What is made of samples, against sums written out."""

from __future__ import annotations

import numpy as np
import pytest

import quantize as qz
from quantize.model.modes import Mode
from quantize.sampling.result import typical_width


def mode(unit: float, share: float, width: float) -> Mode:
    """A mode of this standard deviation of log unit."""
    return Mode(
        low=0.5 * unit,
        high=2 * unit,
        unit=unit,
        unit_err=width * unit,
        share=share,
        sigma=0.1,
        probability=share,
    )


def test_modes_alike_are_as_wide_as_one() -> None:
    modes = [mode(3.0, share, 0.02) for share in (0.5, 0.2, 0.05)]
    assert typical_width(np.zeros(10), modes) == pytest.approx(0.02)
    # One a hundred times wider with a third of the share: a factor 100^(1/3) for the mean.
    wide = [mode(1.0, 0.5, 0.01), mode(7.0, 0.25, 1.0)]
    assert typical_width(np.zeros(10), wide) == pytest.approx(0.01 * 100 ** (1 / 3))


def test_a_single_chain_is_enough_to_sample() -> None:
    rng = np.random.default_rng(2)
    x = rng.integers(1, 9, size=10) + 0.05 * rng.normal(size=10)
    found = qz.sample_mixture(x, (0.7, 1.6), chains=1, draws=40, rng=1)
    exact = qz.fit_mixture(x, (0.7, 1.6))
    assert found.unit == pytest.approx(exact.unit, abs=exact.unit_err)
