"""Readings drawn before anything is read, against probabilities of whole numbers by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.model.model import MixtureModel
from quantize.sampling.target import Target

N = 12
VALUES = np.linspace(0.7, 9.4, N)
UNIT_RANGE = UnitRange(
    low=0.9999, high=1.0001, chosen=False, reason="so narrow that it is one unit"
)
DRAWS = 1500


def drawn(
    rng: np.random.Generator, unit_range: UnitRange = UNIT_RANGE, **options: Any
) -> np.ndarray:
    target = Target(qz.Readings(VALUES, resolution=1e-9), unit_range, MixtureModel(**options))
    return target.readings_before(target.draw_prior(DRAWS, rng), rng)


def expected(kind: str) -> dict[int, float]:
    """The probability of each whole number, from what is said of the model in its docstring."""
    if kind == "integers with the last open":
        # p(b) ∝ 1/b for b from 2 to twice the farthest reading over the smallest unit; k ≤ b even.
        most = int(np.ceil(2 * VALUES.max() / UNIT_RANGE.low))
        total = sum(1 / b for b in range(2, most + 1))
        return {
            k: sum(1 / b / b for b in range(max(k, 2), most + 1)) / total
            for k in range(1, most + 1)
        }
    if kind == "a distribution":
        g = {k: float(stats.norm(4, 2).pdf(k)) for k in range(-12, 21)}
        return {k: p / sum(g.values()) for k, p in g.items()}
    if kind == "the range of the readings":
        # The nearest multiple of a place between the smallest reading and the largest.
        span = VALUES.max() - VALUES.min()
        return {
            k: (min(k + 0.5, VALUES.max()) - max(k - 0.5, VALUES.min())) / span
            for k in range(1, 10)
        }
    return dict.fromkeys(range(1, 10), 1 / 9)


OPTIONS: dict[str, dict[str, Any]] = {
    "a window": {"window": (0.5, 9.5)},
    "integers": {"integers": (1, 9)},
    "integers with the last open": {"integers": (1, None)},
    "a distribution": {"envelope": stats.norm(4, 2)},
    "the range of the readings": {},
}


@pytest.mark.parametrize("kind", OPTIONS)
def test_whole_numbers_come_as_often_as_the_envelope_says(
    kind: str, rng: np.random.Generator
) -> None:
    x = drawn(rng, sigma=0.03, **OPTIONS[kind])
    assert x.shape == (DRAWS, N)
    # With the last number open a sample shares it; one reading of each sample is independent.
    x = x[:, :1] if kind == "integers with the last open" else x
    off = x - np.rint(x)
    # 5 sigma of a standard deviation, and the narrow range of units.
    assert off.std() == pytest.approx(0.03, rel=5 / np.sqrt(2 * x.size) + 0.01)
    want = expected(kind)
    often = np.array([p * x.size >= 5 for p in want.values()])
    seen = np.array([np.sum(np.rint(x) == k) for k in want])
    p = np.array(list(want.values()))
    cells = [np.r_[v[often], v[~often].sum()] for v in (seen, p * x.size)]
    keep = cells[1] > 0.5
    assert seen.sum() == x.size
    # False alarm one in ten thousand for each kind.
    assert stats.chisquare(*(c[keep] for c in cells), sum_check=False).pvalue > 1e-4


def test_free_weights_are_shared_by_a_sample(rng: np.random.Generator) -> None:
    """Two readings of a sample share a tooth with probability 2/(K + 1) under a flat Dirichlet.

    E Σ wₖ² = K·2/(K(K+1)): moments of the Dirichlet distribution.
    """
    k = np.rint(drawn(rng, sigma=0.03, envelope="levels", window=(0.5, 9.5)))
    same = np.mean(k[:, 0] == k[:, 1])
    expected_share = 2 / 10
    error = np.sqrt(expected_share * (1 - expected_share) / DRAWS)
    assert abs(same - expected_share) < 5 * error


def test_outliers_lie_anywhere_and_steps_are_kept(rng: np.random.Generator) -> None:
    target = Target(
        qz.Readings(VALUES.round(1), resolution=0.1),
        UNIT_RANGE,
        MixtureModel(window=(0.0, 10.0), sigma=0.01, outliers=0.3, rounding=True),
    )
    x = target.readings_before(target.draw_prior(DRAWS, rng), rng)
    np.testing.assert_allclose(x, np.round(x, 1), atol=1e-9)
    off = np.abs(x - np.rint(x)) > 0.15
    # Of outliers seven tenths of the steps of 0.1 lie two steps and more from a whole number.
    error = np.sqrt(0.21 * 0.79 / x.size)
    assert abs(off.mean() - 0.3 * 0.7) < 5 * error + 0.005


def test_no_multiple_in_the_window_is_no_reading(rng: np.random.Generator) -> None:
    wide = UnitRange(low=0.5, high=2.0, chosen=False, reason="twice as far as the window")
    target = Target(
        qz.Readings(VALUES / 10, resolution=1e-9), wide, MixtureModel(window=(0.05, 1.0))
    )
    theta = target.draw_prior(DRAWS, rng)
    x = target.readings_before(theta, rng)
    none = target.prior.parameters(theta).unit > 1.0
    assert 100 < none.sum() < DRAWS - 100
    assert np.isnan(x[none]).all()
    assert np.isfinite(x[~none]).all()
