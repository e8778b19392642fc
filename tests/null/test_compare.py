"""The Monte Carlo p-value: against scipy, uniform under its own null, alike on any workers."""

import pickle
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from plain_sums import harmonic_sums_plain
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import unit_range_for
from quantize.null.samplers import SmoothedBootstrap
from quantize.null.statistics import LargestScore
from quantize.readings import Readings


def normal(size, rng):
    return rng.normal(0, 5, size=(size, 15))


def test_same_p_as_scipy():
    # scipy.stats.monte_carlo_test draws its own resamples of the same statistic: with 1999 each
    # the two p-values differ by sqrt(2·p(1−p)/2000), taken five times.
    rng = np.random.default_rng(3)
    x = rng.normal(0, 5, size=15)
    measure = LargestScore.of(Readings(x), unit_range_for(Readings(x), (1, 6)), 0.0, False)
    ours = qz.compare_null(x, (1, 6), null=normal, n_resamples=1999, rng=1)
    theirs = stats.monte_carlo_test(
        x,
        lambda size: rng.normal(0, 5, size=size),
        lambda data, axis: measure(np.atleast_2d(data)).reshape(np.shape(data)[:-1]),
        vectorized=True,
        n_resamples=1999,
        alternative="greater",
    )
    assert ours.statistic == pytest.approx(float(theirs.statistic), rel=1e-12)
    p = float(theirs.pvalue)
    assert abs(ours.p_value - p) < 5 * np.sqrt(2 * p * (1 - p) / 2000) + 1e-3


def test_p_is_uniform_under_a_given_null():
    # Kolmogorov's test on 150 p-values fails by chance once in 1e4.
    rng = np.random.default_rng(5)
    p = [
        qz.compare_null(normal(1, rng)[0], (1, 6), null=normal, n_resamples=99, rng=rng).p_value
        for _ in range(150)
    ]
    jitter = (np.array(p) * 100 - rng.random(150)) / 100
    assert stats.kstest(jitter, "uniform").pvalue > 1e-4


def test_p_value_is_counted_with_one_added():
    # (k + 1)/(n + 1): Phipson and Smyth 2010. A statistic that is never reached gives 1/(n + 1).
    found = qz.compare_null(
        [1.0, 2.0, 3.1],
        (0.5, 2),
        null=lambda size, rng: rng.random((size, 3)),
        statistic=lambda data: data.sum(axis=1),
        n_resamples=99,
        rng=1,
    )
    assert found.p_value == pytest.approx(1 / 100)
    ties = qz.compare_null(
        [0.5, 1.0, 1.5],
        (0.2, 2),
        null=lambda size, rng: np.where(rng.random((size, 1)) < 0.5, [0.5, 1, 1.5], [0.0, 1, 1.5]),
        statistic=lambda data: data.sum(axis=1),
        n_resamples=199,
        rng=1,
    )
    at_least = int(np.sum(ties.null_distribution >= 3.0 - 1e-9))
    assert ties.p_value == pytest.approx((at_least + 1) / 200)
    assert 0.3 < ties.p_value < 0.7


def sent_and_mapped(function, tasks):
    """A map whose function and tasks arrive as another process would have them."""
    return map(pickle.loads(pickle.dumps(function)), pickle.loads(pickle.dumps(list(tasks))))


@pytest.mark.parametrize(
    "workers", [sent_and_mapped, "threads", pytest.param(2, marks=pytest.mark.slow)]
)
def test_any_workers_give_the_same_distribution(workers):
    x = np.array([2.1, 3.9, 6.0, 8.1, 9.9, 14.0])
    one = qz.compare_null(x, (1.2, 5), n_resamples=1200, rng=7)
    with ThreadPoolExecutor(2) as pool:
        asked = pool if workers == "threads" else workers
        other = qz.compare_null(x, (1.2, 5), n_resamples=1200, rng=7, workers=asked)
    np.testing.assert_array_equal(one.null_distribution, other.null_distribution)


def test_two_calls_on_one_generator_differ():
    rng = np.random.default_rng(11)
    x = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0]
    one = qz.compare_null(x, (1.2, 5), n_resamples=200, rng=rng)
    two = qz.compare_null(x, (1.2, 5), n_resamples=200, rng=rng)
    assert not np.array_equal(one.null_distribution, two.null_distribution)
    assert one.seed["entropy"] == two.seed["entropy"]
    assert one.seed != two.seed


def test_statistic_is_the_largest_of_the_periodogram():
    rng = np.random.default_rng(13)
    x = rng.normal(size=(6, 20)) * 4
    for offset, free in ((0.0, False), (0.0, True)):
        measure = LargestScore.of(
            Readings(x[0]), unit_range_for(Readings(x[0]), (0.8, 5)), offset, free
        )
        for row, value in zip(x, measure(x), strict=True):
            found = qz.periodogram(row, (0.8, 5), offset="free" if free else "zero")
            highest = float((found.power if free else found.score).max())
            assert value <= found.statistic * (1 + 1e-9)
            assert value == pytest.approx(highest, rel=0.12)


@pytest.mark.parametrize("offset", ["zero", "free"])
@pytest.mark.parametrize("unit_range", [None, (0.5, 2.0)])
def test_the_normal_limit_gives_the_distribution_that_is_drawn(unit_range, offset, monkeypatch):
    # Rounded readings, skewed and far from zero; both ways on the same sample.
    x = (5 + np.random.default_rng(3).gamma(3, 1.5, 600)).round(2)
    settings = {"offset": offset, "null": "smooth", "n_resamples": 1999, "rng": 1}
    limit = qz.compare_null(x, unit_range, **settings).null_distribution
    monkeypatch.setattr("quantize.null.statistics._LIMIT", 10**9)
    drawn = qz.compare_null(x, unit_range, **settings).null_distribution
    assert not np.array_equal(limit, drawn)
    # Four standard errors of two quantiles of 1,999 draws, by resampling both samples.
    rng = np.random.default_rng(4)
    for q in (0.5, 0.9, 0.99):
        spread = [
            np.std([np.quantile(rng.choice(a, a.size), q) for _ in range(100)])
            for a in (limit, drawn)
        ]
        gap = np.quantile(limit, q) - np.quantile(drawn, q)
        assert abs(gap) < 4 * np.hypot(*spread) + 0.01 * np.quantile(drawn, q)


@pytest.mark.parametrize("free", [False, True])
@pytest.mark.parametrize("n", [3, 40, 2500])
def test_statistic_is_the_largest_of_the_plain_sums(n, free):
    # Single precision, which finds the peak, must not show in its height, ties included.
    rng = np.random.default_rng([n, free])
    x = np.round(rng.normal(size=(40, n)) * 4, 2)
    x[1] = -x[0]
    sigma = rng.uniform(0.5, 1.0, n)
    low, high = 0.8, 5.0
    measure = LargestScore.of(
        Readings(x[0], sigma=sigma), unit_range_for(Readings(x[0]), (low, high)), 0.0, free
    )
    weights = (sigma.min() / sigma) ** 2
    ends = np.zeros((40, 1)) if not free else x.max(axis=1, keepdims=True)
    reach = float(np.ptp(np.hstack([x, ends]), axis=1).max())
    step = 1 / (5 * reach)
    size = int(np.floor((1 / low - 1 / high) / step)) + 1
    sums = np.array([harmonic_sums_plain(row, weights, 1 / high, step, size) for row in x])
    if free:
        plain = (np.abs(sums) ** 2).max(axis=1) / np.sum(weights**2)
    else:
        plain = sums.real.max(axis=1) * np.sqrt(2 / np.sum(weights**2))
    np.testing.assert_allclose(measure(x), plain, rtol=1e-11)


def test_chosen_band_is_chosen_again_for_every_data_set():
    rng = np.random.default_rng(17)
    x = np.round(rng.normal(size=20) * 4, 4)
    measure = LargestScore.of(Readings(x), unit_range_for(Readings(x)), 0.0, False)
    both = measure(np.stack([x, 3 * x]))
    assert both[0] == pytest.approx(both[1], rel=1e-6)


def test_two_readings_are_enough_to_compare():
    # Resamples of two readings are often equal after rounding.
    found = qz.compare_null([1.0, 2.1], n_resamples=199, rng=1)
    assert 0.05 < found.p_value <= 1
    assert np.all(np.isfinite(found.null_distribution))


def test_smoothed_bootstrap_keeps_mean_and_variance():
    rng = np.random.default_rng(19)
    x = rng.integers(0, 9, size=30) + 0.1 * rng.normal(size=30)
    sampler = SmoothedBootstrap.of(Readings(x), largest_unit=4.0)
    drawn = sampler(4000, rng)
    assert drawn.shape == (4000, 30)
    # 120,000 values: the mean is good to sd/346, the variance to 0.4 %; taken at five sigma.
    assert abs(drawn.mean() - x.mean()) < 5 * x.std() / np.sqrt(drawn.size)
    assert drawn.var() == pytest.approx(x.var(), rel=0.03)


def test_smoothed_bootstrap_keeps_no_steps_however_many_readings():
    # The first harmonic left of a comb of the largest unit is at most exp(−2π²·0.35²) = 0.09
    # before the shrinking to the old variance, which makes the kernel narrower by at most 1.3.
    rng = np.random.default_rng(23)
    for n in (100, 20_000):
        x = rng.integers(0, 9, size=n) + 0.003 * rng.normal(size=n)
        drawn = SmoothedBootstrap.of(Readings(x), largest_unit=1.0)(4, rng)
        assert np.abs(np.exp(2j * np.pi * drawn).mean()) < 0.2


def test_states_are_drawn_whole():
    rng = np.random.default_rng(29)
    state = np.repeat(np.arange(10), 3)
    x = rng.normal(size=10)[state] * 5 + 0.1 * rng.normal(size=30)
    drawn = SmoothedBootstrap.of(Readings(x, state=state), 2.0)(500, rng)
    within = drawn.reshape(500, 10, 3).std(axis=2, ddof=1)
    assert np.sqrt((within**2).mean()) == pytest.approx(0.1, rel=0.5)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"null": "strange"}, "`null` is 'strange'; it must be one of 'all', 'smooth'"),
        ({"statistic": "largest"}, "`statistic` is 'largest'; it must be one of 'score'"),
        ({"null": lambda size, rng: np.ones((size, 2))}, r"`null` returned shape \(100, 2\)"),
        ({"null": lambda size, rng: np.full((size, 3), np.nan)}, "`null` returned NaN"),
        ({"null": lambda size, rng: np.ones((size, 3))}, "the same statistic .* every resample"),
        ({"statistic": lambda data: data}, "`statistic` returned shape"),
        ({"workers": "many"}, "`workers` is 'many'; give a whole number"),
    ],
)
def test_bad_arguments(arguments, message):
    with pytest.raises(qz.InputError, match=message):
        qz.compare_null([1.0, 2.1, 3.3], (0.4, 1.5), n_resamples=100, rng=1, **arguments)


def test_progress_is_told():
    told = []
    qz.compare_null(
        [1.0, 2.1, 3.3],
        (0.4, 1.5),
        null="smooth",
        n_resamples=1000,
        batch=250,
        rng=1,
        progress=lambda done, total: told.append((done, total)),
    )
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]
