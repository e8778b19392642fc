"""Priors of the offset with heavy tails, as of a fall from few repeats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.shared_shift import SharedShift


def readings() -> qz.Readings:
    """Thirty invented readings on a comb of 10."""
    rng = np.random.default_rng(3)
    return qz.Readings(10.0 * rng.integers(1, 9, 30) + rng.normal(0, 1, 30), sigma=1.0)


OFFSETS = np.arange(-1.5, 1.5, 0.02) + 0.01


@pytest.fixture(scope="module")
def known() -> list[float]:
    """Log evidence with each offset known."""
    fits = (qz.fit_mixture(readings(), (8, 12), offset=float(z)) for z in OFFSETS)
    return [fit.log_bayes_factor for fit in fits]


@pytest.mark.parametrize("df", [1, 2, 2.01, 3, 30])
def test_evidence_is_the_mean_over_known_offsets(known: list[float], df: float) -> None:
    # The evidence with a prior is the mean of that at known offsets (the law of total
    # probability); beyond 1.5 the prior has less than 0.03 and the readings less than 1e-12.
    sample, prior = readings(), stats.t(df, 0.0, 0.05)
    share = np.diff(prior.cdf(np.append(OFFSETS - 0.01, OFFSETS[-1] + 0.01)))
    expected = np.log(np.sum(share * np.exp(known)))
    found = qz.fit_mixture(sample, (8, 12), model=qz.MixtureModel(offset=prior))
    assert found.log_bayes_factor == pytest.approx(expected, abs=5e-3)


@pytest.mark.parametrize("df", [1, 1.5, 2])
def test_tails_without_a_standard_deviation_reach_over_several_units(df: float) -> None:
    # They hide the comb a little more than a normal law does, and hardly move the unit.
    sample = readings()
    narrow = qz.fit_mixture(sample, (4, 25), model=qz.MixtureModel(offset=stats.norm(0, 0.5)))
    wide = qz.fit_mixture(sample, (4, 25), model=qz.MixtureModel(offset=stats.t(df, 0, 0.5)))
    assert 0 < narrow.log_bayes_factor - wide.log_bayes_factor < np.log(2)
    assert abs(wide.unit - narrow.unit) < 0.1 * narrow.unit_err


def test_a_prior_too_wide_for_the_work_is_told_of_a_narrower_one_and_of_a_free_offset() -> None:
    model = qz.MixtureModel(offset=stats.uniform(-3000, 6000))
    with pytest.raises(qz.InputError, match="narrow the prior of the offset, or take offset='fre"):
        qz.fit_mixture(readings().values[:8], (2.5, 40), model=model)


@pytest.mark.parametrize("scale", [1.0, -1.0, 1e-19])
@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("seed", range(2))
def test_an_offset_known_to_half_a_unit_is_that_of_one_comb(
    scale: float, shared: bool, seed: int
) -> None:
    """Its mean over combs that are moved by whole units is the offset of none of them.

    Every reading then stood between two teeth, and most were said to be off the comb.
    """
    rng = np.random.default_rng([11, seed])
    k, start = rng.permutation(np.arange(-4, 8)), 0.45
    lever = np.resize([1.0, -1.0, 2.0], k.size) if shared else np.ones(k.size)
    x = scale * (start * lever + k + rng.normal(0, 0.04, k.size))
    ends, sigma = (abs(scale) * 0.4, abs(scale) * 3), np.full(k.size, abs(scale) * 0.04)
    if shared:
        shift = SharedShift(error=abs(scale) * 0.4, lever=lever)
        found = qz.analyze(qz.Readings(x, sigma=sigma, shift=shift), ends)
    else:
        model = qz.MixtureModel(offset=stats.norm(0, abs(scale) * 0.4))
        found = qz.analyze(qz.Readings(x, sigma=sigma), ends, model=model)
    away = (x - found.offset * lever) / found.unit - found.integers
    assert np.abs(away).max() < 0.25
    assert (found.offset / scale - start + 0.5) % 1.0 == pytest.approx(0.5, abs=0.1)
    assert not [f.sentence for f in found.findings if f.name in ("majority", "misfit") and f.warns]
    assert found.verdict == "steps"
