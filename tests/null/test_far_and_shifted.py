"""With a free offset nothing depends on where the readings lie."""

from __future__ import annotations

import numpy as np
import pytest

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.null.evidence import level_evidence
from quantize.null.statistics import LargestScore
from quantize.shared_shift import SharedShift


def test_the_largest_power_of_far_readings() -> None:
    rng = np.random.default_rng(4)
    x = rng.integers(1, 9, size=30) + 0.1 * rng.normal(size=30)
    unit_range = UnitRange(low=0.5, high=2.5, chosen=False, reason="")
    statistic = LargestScore.of(qz.Readings(x), unit_range, offset=0.0, free=True)
    # Beside the direct sum over a grid of frequencies twice as fine.
    f = np.linspace(1 / 2.5, 1 / 0.5, 4001)
    direct = (np.abs(np.exp(2j * np.pi * x * f[:, None]).sum(axis=1)) ** 2 / 30).max()
    near, far = statistic(x)[0], statistic(x + 2.0**40)[0]
    assert near == pytest.approx(direct, rel=0.03)
    # Readings near 2^40 keep 2^−12 of a unit; the rest is rounding of the readings themselves.
    moved = (x + 2.0**40) - 2.0**40
    assert far == pytest.approx(statistic(moved)[0], rel=1e-9)


@pytest.mark.parametrize("shift", [100.0, 2.0**20])
def test_every_kind_of_data_without_steps_of_far_readings(shift: float) -> None:
    rng = np.random.default_rng(7)
    # Multiples of 2^-20 can be moved that far without rounding, and show no decimals.
    x = np.rint(2**20 * (rng.integers(1, 9, size=20) + 0.08 * rng.normal(size=20))) / 2**20
    near, far = (
        qz.analyze(values, (0.5, 2.5), offset="free", n_resamples=99, rng=1)
        for values in (x, x + shift)
    )
    assert far.verdict == near.verdict == "steps"
    assert far.unit == pytest.approx(near.unit, rel=1e-6)
    for name, factor in near.log_bayes_factors.items():
        assert far.log_bayes_factors[name] == pytest.approx(factor, abs=0.01), name


@pytest.mark.parametrize("state", [None, list("aabbccddeeffgghhiijj")])
def test_a_shared_error_of_readings_turned_about_zero(state: list[str] | None) -> None:
    rng = np.random.default_rng(11)
    # The readings say that the shared error is 0.25, two of its standard errors.
    whole = np.repeat(rng.integers(1, 9, 10), 2) if state else rng.integers(1, 9, 20)
    x = whole + 0.25 + 0.06 * rng.normal(size=20)
    plain, turned = (
        level_evidence(
            qz.fit_mixture(
                qz.Readings(
                    sign * x, state=state, shift=SharedShift(error=0.12, lever=np.full(20, sign))
                ),
                (0.5, 2.5),
            ).posterior
        )
        for sign in (1.0, -1.0)
    )
    for name, factor in plain.log_bayes_factors.items():
        assert turned.log_bayes_factors[name] == pytest.approx(factor, abs=1e-6), name
    assert turned.p_value == pytest.approx(plain.p_value, rel=1e-6)
