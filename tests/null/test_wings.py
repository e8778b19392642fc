"""Combs without their last teeth: against the plain product of densities over the teeth left."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.special import logsumexp
from scipy.stats import norm

import quantize as qz
from quantize.null.assigned import best_seated, without_wings
from quantize.null.occupancy import seat
from quantize.null.sample import Sample, Teeth, comb_at_nodes, sample_of


def at_one_comb(values: np.ndarray, sigma: float) -> tuple[Teeth, Sample]:
    """The comb of unit one and offset zero alone, its teeth from −6 to 6."""
    found = qz.fit_mixture(values, (0.7, 1.6), sigma_range=sigma).posterior
    sample = sample_of(found)
    comb = comb_at_nodes(found, sample, 1.6)
    every = norm.logpdf(values[:, None] - np.arange(-6, 7), 0, sigma)
    one = Teeth(
        unit=np.ones(1),
        offset=np.zeros(1),
        integers=np.rint(values).astype(int)[None],
        noise=comb.noise[:1],
        log_likelihood=np.array([logsumexp(every, axis=1).sum()]),
    )
    return one, sample


def log_shares(integers: np.ndarray, sample: Sample) -> float:
    found = seat(integers, sample.count, free=False).log_shares
    return float(logsumexp(found) - np.log(len(found)))


@pytest.mark.parametrize("first", [-2, 1], ids=["six teeth", "three teeth"])
def test_a_reading_in_the_wing_is_put_on_the_last_tooth(first: int) -> None:
    rng = np.random.default_rng(2)
    teeth = np.repeat(np.arange(first, 3.0), 6)
    values = np.sort(np.append(teeth + rng.normal(0, 0.2, teeth.size), 2.55))
    one, sample = at_one_comb(values, 0.25)
    chosen, seating = best_seated(one, sample, free=False)
    assert (one.integers.max(), chosen.integers.max()) == (3, 2)
    assert seating.teeth[0] == 3 - first
    # Only the reading that moved may no longer come from tooth 3.
    cost = chosen.log_likelihood[0] - one.log_likelihood[0]
    near, far = norm.logpdf([2.55 - 3, 2.55 - 2], 0, 0.25)
    assert_allclose(cost, far - np.logaddexp(near, far), rtol=1e-9)
    gain = log_shares(chosen.integers, sample) - log_shares(one.integers, sample)
    assert gain + cost > 0


def test_it_is_the_best_of_all_four_and_never_worse() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        values = np.sort(rng.integers(-3, 4, 25) + rng.normal(0, 0.25, 25))
        one, sample = at_one_comb(values, 0.25)
        chosen, _ = best_seated(one, sample, free=False)
        totals = []
        for teeth in without_wings(one.integers):
            moved = teeth != one.integers[0]
            off = values[moved] - teeth[moved], values[moved] - one.integers[0][moved]
            far, near = (norm.logpdf(o, 0, 0.25) for o in off)
            cost = float(np.sum(far - np.logaddexp(near, far)))
            totals.append(one.log_likelihood[0] + cost + log_shares(teeth[None], sample))
        found = chosen.log_likelihood[0] + log_shares(chosen.integers, sample)
        assert_allclose(found, max(totals), atol=1e-9)


def test_a_well_filled_last_tooth_stays() -> None:
    values = np.repeat(np.arange(-3.0, 4), 5) + np.tile([-0.05, -0.02, 0.0, 0.02, 0.05], 7)
    one, sample = at_one_comb(values, 0.05)
    chosen, _ = best_seated(one, sample, free=False)
    assert_array_equal(chosen.integers, one.integers)
    assert_array_equal(chosen.log_likelihood, one.log_likelihood)
