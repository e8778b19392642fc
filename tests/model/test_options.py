"""Every option of the model on published and open data, and what must not change the answer."""

import numpy as np
import pytest
from published import THIRTEEN, THIRTEEN_INTEGERS, macdonell, wind_speeds
from scipy import stats
from scipy.integrate import simpson

import quantize as qz
from quantize import InputError
from quantize.model import distributions

OPTIONS = {
    "offset free": {"offset": "free", "sigma": 0.25},
    "offset by a prior": {"offset": stats.norm(0, 0.2)},
    "sigma by a prior": {"sigma": stats.lognorm(0.5, scale=0.15)},
    "proportional": {"noise": "proportional", "sigma": 0.1},
    "counting": {"noise": "counting", "sigma": 0.1},
    "normal": {"envelope": "normal"},
    "exponential": {"envelope": "exponential", "integers": "positive"},
    "levels": {"envelope": "levels"},
    "window": {"window": (15, 90)},
    "outliers": {"outliers": "free"},
    "positive": {"integers": "positive"},
    "range": {"integers": (1, 20)},
    "rounding": {"rounding": True},
    "unit by a prior": {"priors": {"unit": stats.lognorm(0.5, scale=5)}},
    "many": {"outliers": "free", "rounding": True, "integers": "positive", "window": (15, 90)},
}


@pytest.mark.parametrize("name", OPTIONS)
def test_thirteen_charges_keep_their_integers(name):
    # Millikan, Phys. Rev. 32:349 (1911): integers 4 5 6 7 8 9 10 11 12 13 14 16 17.
    found = qz.fit_mixture(THIRTEEN, (3, 8), model=qz.MixtureModel(**OPTIONS[name]))
    k = found.integers
    # A free offset leaves the origin of the counting open.
    shift = int(k[0]) - THIRTEEN_INTEGERS[0] if name == "offset free" else 0
    assert (k - shift).tolist() == THIRTEEN_INTEGERS
    assert found.unit == pytest.approx(4.90, abs=0.05)
    assert found.alternatives["share"].iloc[0] > 0.95
    assert found.log_bayes_factor > 4


def test_wind_speeds_with_a_wild_value():
    # nycflights13 weather: knots in miles an hour, unit 1.15078, one wild value of 1048. It is a
    # whole number of knots, 911, and so no outlier; spoilt by half a knot it is one.
    x = wind_speeds(40)
    x = x[x > 0]
    wild = int(np.argmax(x))
    assert x[wild] > 1000
    model = qz.MixtureModel(outliers="free", window=(0, 2000))
    found = qz.fit_mixture(qz.Readings(x, sigma=0.003), (0.9, 1.5), model=model)
    assert found.unit == pytest.approx(1.15078, abs=2e-5)
    assert found.integers[wild] == 911
    assert found.outlier_probabilities().max() < 0.05
    x[wild] += 0.55
    spoilt = qz.fit_mixture(qz.Readings(x, sigma=0.003), (0.9, 1.5), model=model)
    assert spoilt.unit == pytest.approx(1.15078, abs=1e-3)
    assert spoilt.outlier_probabilities()[wild] > 0.9
    assert np.median(spoilt.outlier_probabilities()) < 5e-3
    assert np.delete(spoilt.outlier_probabilities(), wild).max() < 0.05


def test_heights_by_class_through_the_model():
    # Macdonell, Biometrika 1:177 (1902): class mid-points, 1/12 ft with offset 9/16 in.
    heights = np.random.default_rng(41).permutation(macdonell())[:30]
    model = qz.MixtureModel(offset="free", window=(4, 7), sigma=(5e-4, 0.05))
    found = qz.fit_mixture(heights, (0.06, 0.12), model=model)
    assert 12 * found.unit == pytest.approx(1, abs=2e-3)
    assert 12 * found.offset == pytest.approx(9 / 16, abs=0.03)


def test_integer_probabilities_add_up():
    x = np.array([1.1, 2.2, 2.9, 4.1, 5.9])
    found = qz.fit_mixture(x, (0.6, 1.8), model=qz.MixtureModel(outliers=0.1))
    total = found.integer_probabilities.groupby("reading")["probability"].sum()
    assert len(total) == 5
    assert np.all(np.abs(total - 1) < 5e-3)


def test_scaling_and_flipping_change_nothing_else():
    x = np.array([1.1, 2.2, 2.9, -4.1, 5.9])
    model = qz.MixtureModel(outliers=0.1, sigma=0.1)
    one = qz.fit_mixture(x, (0.6, 1.8), model=model)
    flipped = qz.fit_mixture(-x, (0.6, 1.8), model=model)
    larger = qz.fit_mixture(1e3 * x, (600, 1800), model=qz.MixtureModel(outliers=0.1, sigma=100.0))
    assert flipped.log_bayes_factor == pytest.approx(one.log_bayes_factor, abs=1e-9)
    assert flipped.integers.tolist() == (-one.integers).tolist()
    assert larger.log_bayes_factor == pytest.approx(one.log_bayes_factor, abs=1e-9)
    assert larger.unit == pytest.approx(1e3 * one.unit, rel=1e-9)


def test_given_sigmas_with_an_unknown_factor():
    # The stated sigmas are half of the true ones; the factor finds them within four of its errors.
    rng = np.random.default_rng(81)
    x = rng.integers(1, 9, size=30) + 0.1 * rng.normal(size=30)
    readings = qz.Readings(x, sigma=0.05)
    found = qz.fit_mixture(readings, (0.3, 3), model=qz.MixtureModel(sigma=(0.3, 8)))
    row = found.parameters.set_index("parameter").loc["sigma"]
    assert abs(row["mean"] - 2 * 0.05) < 4 * row["sd"]
    assert row["sd"] < 0.5 * 0.05


def test_a_pair_of_equal_ends_is_a_number_and_named_where_it_is_none():
    assert distributions.positive_prior("growth", (0.3, 0.3)) == 0.3
    with pytest.raises(InputError, match="`growth` is 0"):
        distributions.positive_prior("growth", (0.0, 0.0))


@pytest.mark.parametrize("repeats", [1, pytest.param(3, marks=pytest.mark.slow)])
def test_a_sigma_below_that_of_rounding_is_no_excuse_for_it(repeats):
    """Steps finer than 2/5 of the unit count where sigma, told or of repeats, cannot hold them."""
    held, scatter, rng = 0, [], np.random.default_rng(5)
    for _ in range(20):
        k = np.repeat(rng.integers(1, 9, 12), repeats)
        x = np.rint(5.37 * k + 0.05 * rng.normal(size=k.size))
        known = {"sigma": 0.05} if repeats == 1 else {"state": np.repeat(range(12), repeats)}
        found = qz.fit_mixture(qz.Readings(x, resolution=1.0, **known), (2.6, 12))
        held += any(low < 5.37 < high for low, high in found.interval())
        scatter.append(found.posterior.known_sigma)
    # Fewer than sixteen of twenty 95 % intervals hold the unit once in 400 times.
    assert held >= 16
    # The deviation of rounding, which repeats that give one number do not make smaller.
    assert np.median(scatter) == pytest.approx(np.sqrt(1 / 12), rel=0.02)


def test_a_sigma_given_and_its_factor_say_what_their_product_says():
    """The range chosen, the table of rivals and the draws are in the unit of the readings."""
    given = qz.Readings(THIRTEEN, sigma=0.025)
    one = qz.fit_mixture(given, model=qz.MixtureModel(sigma=10.0))
    two = qz.fit_mixture(THIRTEEN, sigma_range=0.25)
    assert tuple(one.unit_range) == pytest.approx(tuple(two.unit_range), rel=1e-12)
    assert one.log_bayes_factor == pytest.approx(two.log_bayes_factor, abs=1e-6)
    for found in (one, two):
        assert found.sigma == pytest.approx(0.25)
        assert found.alternatives["sigma"].to_numpy() == pytest.approx(0.25)
        assert found.draws(3, rng=1)["sigma"].to_numpy() == pytest.approx(0.25)


@pytest.mark.parametrize(
    "ratio", [1.1, *(pytest.param(ratio, marks=pytest.mark.slow) for ratio in (0.9, 1.3, 2.0))]
)
def test_rounding_counts_beside_a_known_sigma_that_is_not_much_larger(ratio):
    # sigma over the deviation of rounding, on both sides of one. 95 % sets hold the unit in 0.95 of
    # 200 samples; 0.888 is four standard deviations (binomial) below. Without rounding, above one,
    # they held it in 0.8.
    rng, step, hits = np.random.default_rng(int(10 * ratio)), 0.17, 0
    sigma = ratio * step / np.sqrt(12)
    for _ in range(200):
        x = rng.integers(1, 7, 14) + rng.normal(0, sigma, 14)
        readings = qz.Readings(np.round(x / step) * step, resolution=step)
        found = qz.fit_mixture(readings, (0.6, 1.6), sigma_range=sigma)
        assert found.posterior.model.rounding
        hits += any(low <= 1 <= high for low, high in found.interval(0.95))
    assert hits / 200 > 0.888


@pytest.mark.parametrize("scale", [1.0, 1000.0, 1e-3])
def test_rounding_that_a_known_sigma_hides_is_left_out(scale):
    x = scale * np.round([1.1, 2.05, 2.9, 4.2, 6.1], 1)
    for sigma, shows in ((0.09, True), (0.11, False)):
        for said in ({"sigma_range": sigma * scale}, {"sigma": sigma * scale}):
            found = qz.fit_mixture(x, (0.7 * scale, 2 * scale), resolution=0.1 * scale, **said)
            assert found.posterior.model.rounding == shows


EDGED = {
    "exponential": lambda c: "exponential",
    "half normal": lambda c: stats.halfnorm(scale=4 * c),
    "turned": lambda c: stats.weibull_max(1.0, scale=4 * c),
    "beginning at the offset": lambda c: stats.expon(c, 3 * c),
}
"""Densities that begin, or end, at a multiple of every unit."""


@pytest.mark.parametrize("scale", [1.0, 1e3, 1e-19])
@pytest.mark.parametrize("name", EDGED)
def test_a_tooth_where_a_density_begins_has_its_share(name, scale):
    """Shares of the teeth add up to one: the evidence is a plain sum over them, and over units."""
    x = np.array([1.0, 2.1, 3.05, 4.95, 2.95, 8.05, 1.1, 6.8]) * (-1 if name == "turned" else 1)
    said, start = EDGED[name], 1.0 if name == "beginning at the offset" else 0.0
    plain = stats.expon(scale=x.mean()) if name == "exponential" else said(1.0)
    k, log_unit = np.arange(-150, 150), np.linspace(np.log(0.8), np.log(1.3), 2001)
    log_likelihood = np.empty(log_unit.size)
    for i, unit in enumerate(np.exp(log_unit)):
        share = plain.pdf(start + unit * k)
        each = stats.norm.pdf(x[:, None], start + unit * k, 0.1) @ (share / share.sum())
        log_likelihood[i] = np.log(each).sum()
    top = log_likelihood.max()
    mean = simpson(np.exp(log_likelihood - top), x=log_unit) / np.ptp(log_unit)
    model = qz.MixtureModel(sigma=0.1 * scale, envelope=said(scale), offset=start * scale)
    readings = qz.Readings(x * scale, resolution=1e-6 * scale)
    found = qz.fit_mixture(readings, (0.8 * scale, 1.3 * scale), model=model)
    expected = top + np.log(mean) - x.size * np.log(scale)
    assert found.log_evidence == pytest.approx(expected, abs=1e-4)


BROAD = {
    "window": (lambda c: {"window": (-0.5 * c, 8.3 * c)}, stats.uniform(-0.5, 8.8)),
    "turned window": (lambda c: {"window": (-8.3 * c, 0.5 * c)}, stats.uniform(-8.3, 8.8)),
    "normal": (lambda c: {"envelope": stats.norm(3 * c, 2 * c)}, stats.norm(3, 2)),
    "turned normal": (lambda c: {"envelope": stats.norm(-3 * c, 2 * c)}, stats.norm(-3, 2)),
    "exponential": (lambda c: {"envelope": stats.expon(scale=3 * c)}, stats.expon(scale=3)),
}
"""Envelopes in any unit of measurement, and their densities."""


@pytest.mark.parametrize("scale", [1.0, 1e3, 1e-19])
@pytest.mark.parametrize("sigma", [10.0, 60.0])
@pytest.mark.parametrize("name", BROAD)
def test_sizes_without_steps_beside_a_reading_broader_than_their_envelope(name, sigma, scale):
    """Their evidence is a product of integrals over sizes, one for each reading."""
    said, density = BROAD[name]
    x, each = np.array([1.02, 2.03, 4.9, 3.01, 6.1, 5.0]), np.array([0.1] * 5 + [sigma])
    x = -x if name.startswith("turned") else x
    size = np.linspace(max(density.ppf(0), -20), min(density.ppf(1), 80), 200_001)
    likelihood = stats.norm.pdf(x[:, None], size, each[:, None]) * density.pdf(size)
    expected = np.log(simpson(likelihood, x=size, axis=1)).sum() - x.size * np.log(scale)
    readings = qz.Readings(scale * x, sigma=scale * each, resolution=1e-6 * scale)
    model = qz.MixtureModel(**said(scale))
    found = qz.fit_mixture(readings, (0.8 * scale, 1.2 * scale), model=model)
    assert found.log_evidence_continuum == pytest.approx(expected, abs=5e-3)
