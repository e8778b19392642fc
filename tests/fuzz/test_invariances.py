"""What an answer may not depend on: order, sign, the unit of measurement, whole units added."""

from __future__ import annotations

import numpy as np
import pytest
from fuzzing import ESTIMATOR_CASES, cases
from hypothesis import given
from hypothesis import strategies as st

import quantize as qz

pytestmark = pytest.mark.slow

UNIT_RANGE = (0.6, 1.7)


@st.composite
def stepped(draw: st.DrawFn) -> np.ndarray:
    """Readings in steps of one, with an error that leaves the whole numbers plain."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(6, 20))
    k = rng.integers(1, 9, n)
    k[:2] = 3, 4
    return k + 0.03 * rng.standard_normal(n)


ANSWERS = {
    "periodogram": lambda x, unit_range: (lambda r: (r.unit, r.unit_err))(
        qz.periodogram(x, unit_range)
    ),
    "free": lambda x, unit_range: (lambda r: (r.unit, r.unit_err))(
        qz.periodogram(x, unit_range, offset="free")
    ),
    "fit_comb": lambda x, unit_range: (lambda r: (r.unit, r.unit_err))(qz.fit_comb(x, unit_range)),
    "fit_mixture": lambda x, unit_range: (lambda r: (r.unit, r.unit_err))(
        qz.fit_mixture(x, unit_range)
    ),
}
SHARE = {"fit_mixture": 4}
everything = pytest.mark.parametrize("name", ANSWERS)


def held(
    name: str, change, unit_range=UNIT_RANGE, factor: float = 1.0, exact: bool = False
) -> None:
    """`change` of the readings changes the answer by `factor` and nothing else."""

    @cases(ESTIMATOR_CASES // SHARE.get(name, 1))
    @given(stepped(), st.integers(0, 1000))
    def check(values: np.ndarray, seed: int) -> None:
        before = np.array(ANSWERS[name](values, UNIT_RANGE))
        after = np.array(ANSWERS[name](change(values, seed), unit_range))
        if exact:
            assert np.array_equal(after, before * factor)
        else:
            # The maximum is found to about the root of the rounding error of the statistic.
            assert after == pytest.approx(before * factor, rel=2e-6, abs=0)

    check()


@everything
def test_order(name: str) -> None:
    held(name, lambda x, seed: np.random.default_rng(seed).permutation(x))


@everything
def test_sign(name: str) -> None:
    held(name, lambda x, seed: -x)


@everything
def test_a_power_of_two_changes_no_bit(name: str) -> None:
    held(
        name,
        lambda x, seed: x * 2.0**40,
        unit_range=(UNIT_RANGE[0] * 2.0**40, UNIT_RANGE[1] * 2.0**40),
        factor=2.0**40,
        exact=name == "periodogram",
    )


@everything
def test_any_unit_of_measurement(name: str) -> None:
    held(
        name,
        lambda x, seed: x * 1.7e-19,
        unit_range=(UNIT_RANGE[0] * 1.7e-19, UNIT_RANGE[1] * 1.7e-19),
        factor=1.7e-19,
    )


@cases(ESTIMATOR_CASES)
@given(stepped(), st.integers(-50, 50))
def test_whole_units_added_leave_the_score_at_that_unit(values: np.ndarray, k: int) -> None:
    def score(x: np.ndarray) -> float:
        return float(qz.periodogram(x, trial_units=[0.9, 1.0, 1.1]).score[1])

    assert score(values + k) == pytest.approx(score(values), abs=1e-9)


@cases(ESTIMATOR_CASES // 10)
@given(stepped(), st.integers(0, 1000))
def test_a_free_offset_takes_any_shift(values: np.ndarray, seed: int) -> None:
    shift = np.random.default_rng(seed).uniform(-3, 3)
    before = qz.fit_comb(values, UNIT_RANGE, offset="free")
    after = qz.fit_comb(values + shift, UNIT_RANGE, offset="free")
    assert after.unit == pytest.approx(before.unit, rel=1e-9)
    turn = (after.offset - before.offset - shift) / before.unit
    assert turn == pytest.approx(round(turn), abs=1e-7)


@cases(ESTIMATOR_CASES // 10)
@given(st.integers(0, 2**32 - 1), st.integers(1, 4))
def test_two_histograms_together_are_that_of_all(seed: int, parts: int) -> None:
    rng = np.random.default_rng(seed)
    edges = np.arange(0, 9.1, 0.1)
    values = rng.integers(1, 9, 2000) + 0.06 * rng.standard_normal(2000)
    pieces = [np.histogram(part, edges)[0] for part in np.array_split(values, parts)]
    total = qz.counts.Histogram(edges, pieces[0])
    for piece in pieces[1:]:
        total = total + qz.counts.Histogram(edges, piece)
    whole = qz.counts.Histogram(edges, np.histogram(values, edges)[0])
    assert np.array_equal(total.counts, whole.counts)
    assert qz.periodogram(total, UNIT_RANGE).unit == qz.periodogram(whole, UNIT_RANGE).unit
