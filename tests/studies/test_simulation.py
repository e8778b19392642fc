"""Simulated readings: the truth they carry, and the shapes of their errors."""

from __future__ import annotations

import numpy as np
import pytest
import study_estimators as own
from scipy import stats

import quantize as qz
from quantize.studies.families import NAMED


def test_the_readings_are_the_truth_plus_errors_of_sigma(seed: int) -> None:
    sample = qz.simulate(4000, sigma=0.3, unit=2.0, integers=(-4, 4), offset=0.5, rng=seed)
    errors = sample.values - 0.5 - 2.0 * sample.truth.integers
    # Kolmogorov–Smirnov test against the normal; false alarm once in 10,000.
    assert stats.kstest(errors / 0.3, "norm").pvalue > 1e-4
    counts = np.bincount(sample.truth.integers + 4, minlength=9)
    assert stats.chisquare(counts).pvalue > 1e-4


def test_poisson_and_own_integers(seed: int) -> None:
    k = qz.simulate(4000, integers=("poisson", 2.0), rng=seed).truth.integers
    expected = 4000 * stats.poisson(2.0).pmf(np.arange(7))
    seen = np.bincount(np.minimum(k, 7), minlength=8)
    # Chi-square against the Poisson table of scipy; false alarm once in 10,000.
    full = np.append(expected, 4000 - expected.sum())
    assert stats.chisquare(seen, full).pvalue > 1e-4
    assert qz.simulate(4, integers=own.alternating, rng=1).truth.integers.tolist() == [1, 2, 1, 2]


def test_a_walk_changes_by_one_or_two(seed: int) -> None:
    k = qz.simulate(500, integers=("walk", 5), rng=seed).truth.integers
    assert k[0] == 5
    assert set(np.abs(np.diff(k)).tolist()) == {1, 2}


def test_repeats_share_one_whole_number_and_are_labelled() -> None:
    sample = qz.simulate(11, repeats=3, rng=1)
    assert len(sample.state_labels) == 4
    for code in range(4):
        assert len(set(sample.truth.integers[sample.state == code])) == 1
    assert qz.simulate(11, rng=1).state is None


def test_rounding_and_sigma_come_with_the_readings() -> None:
    sample = qz.simulate(30, resolution=0.5, tell_sigma=True, sigma=0.2, rng=1)
    assert np.all(sample.values % 0.5 == 0)
    assert sample.rounding_step == 0.5
    assert np.all(sample.sigma == 0.2)


def test_heavy_tails_have_the_standard_deviation_asked_for(seed: int) -> None:
    sample = qz.simulate(20000, sigma=0.3, tails=5, integers=(0, 0), rng=seed)
    scale = 0.3 * np.sqrt(3 / 5)
    # Against scipy's Student t; false alarm once in 10,000.
    assert stats.kstest(sample.values / scale, stats.t(5).cdf).pvalue > 1e-4


def test_outliers_are_broad_and_marked(seed: int) -> None:
    sample = qz.simulate(2000, sigma=0.01, outliers=0.1, rng=seed)
    off = np.abs(sample.values - sample.truth.integers) > 0.1
    assert np.all(sample.truth.outlier[off])
    # Binomial bounds on the number of outliers; false alarm once in 10,000.
    low, high = stats.binom(2000, 0.1).ppf([5e-5, 1 - 5e-5])
    assert low <= sample.truth.outlier.sum() <= high


def test_drift_goes_from_nothing_to_the_whole() -> None:
    still, creeping = (qz.simulate(50, drift=drift, rng=3).values for drift in (0.0, 0.7))
    assert creeping - still == pytest.approx(np.linspace(0, 0.7, 50))


@pytest.mark.parametrize("name", [label for part in NAMED.values() for label in part])
def test_families_have_no_unit_and_scale(name: str) -> None:
    sample = qz.simulate(20, family=name, rng=5)
    assert sample.truth.unit is None
    assert sample.truth.integers is None
    scaled = qz.simulate(20, family=name, unit=3.0, rng=5)
    assert scaled.values == pytest.approx(3 * sample.values)


def test_the_bound_is_that_of_cramer_and_rao() -> None:
    # sigma/sqrt(sum k²), with a free offset sigma/sqrt(sum (k − mean)²): reference in `Truth`.
    sample = qz.simulate(4, sigma=0.2, integers=own.alternating, rng=1)
    assert sample.truth.bound() == pytest.approx(0.2 / np.sqrt(10))
    sample = qz.simulate(4, sigma=0.2, integers=own.alternating, offset=0.3, rng=1)
    assert sample.truth.bound() == pytest.approx(0.2 / np.sqrt(1))
    # Errors with heavy tails: the information on the place, by numerical integration.
    t, x = stats.t(3, scale=0.2 / np.sqrt(3)), np.linspace(-50, 50, 1_000_001)
    score = np.gradient(t.logpdf(x), x)
    information = np.sum(score**2 * t.pdf(x)) * (x[1] - x[0])
    sample = qz.simulate(4, sigma=0.2, tails=3, integers=own.alternating, rng=1)
    assert sample.truth.bound() == pytest.approx(1 / np.sqrt(10 * information), rel=1e-3)


def test_simulated_readings_are_readings() -> None:
    sample = qz.simulate(12, sigma=0.05, rng=1)
    assert isinstance(sample, qz.Readings)
    assert qz.fit_comb(sample, (0.4, 2.5)).unit == pytest.approx(1, abs=0.02)
    assert qz.simulate(12, sigma=0.05, rng=1).values.tolist() == sample.values.tolist()
    assert sample.to_dict()["truth"]["unit"] == 1.0


def test_a_model_draws_its_own_parameters(seed: int) -> None:
    model = qz.MixtureModel(integers=(-4, 4), sigma=(0.1, 0.3), outliers=0.2)
    rng = np.random.default_rng(seed)
    samples = [
        qz.simulate(7, model=model, unit_range=(2.0, 8.0), repeats=2, rng=rng) for _ in range(200)
    ]
    units = np.array([sample.truth.unit for sample in samples])
    # The prior of the unit is log-uniform over the range; false alarm once in 10,000.
    assert stats.kstest(np.log(units / 2) / np.log(4), "uniform").pvalue > 1e-4
    for sample in samples:
        assert (len(sample), len(sample.state_labels)) == (7, 4)
        assert 0.1 <= sample.truth.sigma <= 0.3
        good = ~sample.truth.outlier
        errors = sample.values - sample.truth.offset - sample.truth.unit * sample.truth.integers
        # Six sigma are passed once in a thousand million.
        assert np.all(np.abs(errors[good]) < 6 * sample.truth.sigma)
    share = np.mean([sample.truth.outlier for sample in samples])
    assert share == pytest.approx(0.2, abs=5 * np.sqrt(0.2 * 0.8 / 1400))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"model": "any", "unit": 3.0}, "`unit` is part of the `model`"),
        ({"model": "any"}, "`unit_range` is missing"),
        ({"unit_range": (1, 2)}, "`unit_range` is for a `model`"),
        ({"n": 0}, "`n` is 0; it must be at least 1."),
        ({"sigma": -1}, "`sigma` is -1; it must be zero or more."),
        ({"outliers": 1.5}, "`outliers` is 1.5; it is a share"),
        ({"tails": 2}, "`tails` is 2; with 2 degrees of freedom"),
        ({"integers": (4, 1)}, r"`integers` is \(4, 1\)"),
        ({"integers": 3}, r"`integers` is 3; give \(first, last\)"),
        ({"integers": ("gauss", 3)}, "'gauss'"),
        ({"integers": lambda rng, size: [0.5] * size}, "numbers that are not whole"),
        ({"family": "cauchy"}, "`family` is 'cauchy'; it must be one of 'uniform'"),
        ({"family": lambda rng, size: [1.0]}, "`family` <lambda> returned shape"),
        ({"sigma": 0, "tell_sigma": True}, "`tell_sigma` is set and `sigma` is 0"),
    ],
)
def test_bad_input_is_one_clear_message(options: dict, message: str) -> None:
    with pytest.raises(qz.InputError, match=message):
        qz.simulate(**options)
