"""p-values and thresholds of resamples: a pair; the fitted tail against scipy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

import quantize as qz
from quantize import InputError
from quantize.comb.unit_range import unit_range_for
from quantize.null import tails
from quantize.null.statistics import LargestScore
from quantize.readings import Readings


@given(
    seed=st.integers(0, 2**31),
    size=st.integers(19, 300),
    alpha=st.sampled_from([0.05, 0.1, 0.25, 1 / 3]),
    coarse=st.booleans(),
)
def test_critical_value_is_the_least_that_reaches_the_level(seed, size, alpha, coarse):
    values = np.random.default_rng(seed).normal(size=size)
    if coarse:
        values = np.round(values, 1)
    height = tails.critical_value(alpha, values)
    assert tails.counted_p(height, values) <= alpha * (1 + 1e-9)
    below = values[values < height - 1e-9]
    if below.size:
        assert tails.counted_p(float(below.max()), values) > alpha


def test_too_few_resamples_for_alpha_say_how_many_are_needed():
    with pytest.raises(InputError, match=r"`n_resamples` is 50.*`alpha` 0.01 give at least 99"):
        tails.critical_value(0.01, np.arange(50.0))
    assert tails.counted_p(tails.critical_value(0.01, np.arange(99.0)), np.arange(99.0)) == 0.01
    with pytest.raises(InputError, match="give at least 99"):
        qz.analyze([1.0, 2.0, 3.1, 5.0], alpha=0.01, n_resamples=50)


@pytest.mark.parametrize("shape", [-0.2, 0.0, 0.15])
def test_fitted_tail_is_that_of_scipy(shape):
    """scipy.stats.genpareto.fit with the threshold held."""
    values = stats.genpareto.rvs(shape, size=4000, random_state=3)
    found = tails.Tail.of(values)
    excess = np.sort(values)[-400:] - found.start
    xi, _, scale = stats.genpareto.fit(excess, floc=0)
    assert found.shape == pytest.approx(xi, abs=1e-3)
    assert found.scale == pytest.approx(scale, rel=1e-3)
    x = found.start + 2 * found.scale
    assert found.p_value(x) == pytest.approx(0.1 * stats.genpareto.sf(2, found.shape), rel=1e-9)
    assert found.value(found.p_value(x)) == pytest.approx(x, rel=1e-9)


def test_tail_reaches_beyond_the_observed_value():
    values = stats.genpareto.rvs(-0.4, size=2000, random_state=4)
    free = tails.Tail.of(values)
    assert free.p_value(9.0) == 0.0
    held = tails.Tail.of(values, reach=9.0)
    assert held.p_value(9.0) > 0.0


def test_exponential_tail_of_an_exponential_law():
    scale = tails.ResultantScale(40.0, cosine=True)
    rates = np.random.default_rng(5).exponential(size=20_000)
    found = tails.Tail.of(np.array([scale.back(rate) for rate in rates]), scale)
    # 2,000 excesses tell the scale to 2.2 %, and log p at 1e-5 to 9.2 times that: four of them.
    height = scale.back(-np.log(1e-5))
    assert abs(np.log(found.p_value(height) / 1e-5)) < 4 * 9.2 / np.sqrt(2000)


def test_constant_and_few_resamples_have_no_tail():
    with pytest.raises(InputError, match="no tail to extrapolate"):
        tails.Tail.of(np.full(500, 2.0))
    with pytest.raises(InputError, match="needs at least 200"):
        tails.Tail.of(np.arange(100.0))


def test_comparison_extrapolates_only_where_it_cannot_count():
    steps = np.array([-3.02, -1.97, -1.05, 0.04, 0.96, 1.0, 2.03, 3.98, 2.96, -1.0, 4.01, -3.98])
    found = qz.compare_null(steps, (0.4, 3.0), null="smooth", n_resamples=499, rng=1)
    assert found.p_value == 1 / 500
    assert 0 < found.tail_p_value < 1 / 500
    assert found.bound < 1e-3
    dull = qz.compare_null(np.linspace(1, 9, 12) ** 1.2, (1, 6), n_resamples=499, rng=1)
    assert dull.tail_p_value is None
    far = found.critical_value(1e-5, extrapolate=True)
    assert far > found.critical_value(0.01)


@pytest.mark.parametrize(("n", "cosine"), [(12.0, True), (12.0, False), (40.0, True)])
def test_resultant_scale_is_that_of_uniform_phases(n, cosine):
    """scipy.special: the rate by its definition, the largest κc − ln I₀(κ) over κ."""
    scale = tails.ResultantScale(n, cosine=cosine)
    for mean in (0.05, 0.3, 0.7, 0.95):
        statistic = mean * np.sqrt(2 * n) if cosine else n * mean**2
        kappa = np.linspace(0, 60, 600_001)
        rate = n * float(np.max(kappa * mean - np.log(special.i0e(kappa)) - kappa))
        assert scale.of(statistic) == pytest.approx(rate, rel=1e-5)
        assert scale.back(rate) == pytest.approx(statistic, rel=1e-5)


def test_tail_at_one_in_a_hundred_thousand():
    """Three hundred thousand direct draws count to 1e-4; the tail of 9,999 stays within a half."""
    rng = np.random.default_rng(6)
    sample = Readings(rng.normal(0, 5, 12))
    measure = LargestScore.of(sample, unit_range_for(sample, (1.5, 6)), 0.0, False)
    direct = np.sort(np.concatenate([measure(rng.normal(0, 5, (30_000, 12))) for _ in range(10)]))
    height = float(direct[-30])
    found = tails.Tail.of(measure(rng.normal(0, 5, (9999, 12))), measure.scale)
    # 30 counted draws tell 1e-4 to 18 %, a thousand excesses log p there to 22 %.
    assert abs(np.log(found.p_value(height) / 1e-4)) < 4 * np.hypot(0.18, 0.22)
    assert found.value(found.p_value(height)) == pytest.approx(height, rel=1e-4)
