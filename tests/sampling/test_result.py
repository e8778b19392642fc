"""What is made of samples, against sums written out."""

from __future__ import annotations

import numpy as np
import pytest

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.model.modes import Mode
from quantize.sampling.result import density_of, typical_width


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


def test_a_density_stays_within_the_range_of_units() -> None:
    rng, ends = np.random.default_rng(3), np.log([2.0, 12.0])
    found = density_of(rng.uniform(*ends, 20_000), 0.4, 4_000, UnitRange.given((2.0, 12.0)))
    assert ends[0] < found.log_unit.min() < found.log_unit.max() < ends[1]
    # Even to its ends: there a kernel that is not folded back loses half.
    assert found.mass == pytest.approx(1 / found.mass.size, rel=0.15)


@pytest.mark.parametrize("scale", [1.0, 1e-3])
@pytest.mark.parametrize("seed", [2, 4])
def test_no_interval_reaches_beyond_the_range_of_units(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    x = scale * (5 * rng.integers(1, 7, 4) + rng.normal(0, 0.4, 4))
    span = (2 * scale, 12 * scale)
    found = qz.sample_mixture(x, span, draws=100, rng=1).interval()
    assert found.min() >= span[0] * (1 - 1e-12)
    assert found.max() <= span[1] * (1 + 1e-12)
    assert found.min() == pytest.approx(qz.fit_mixture(x, span).interval().min(), rel=0.01)
