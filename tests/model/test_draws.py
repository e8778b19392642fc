"""Draws follow the posterior: their distribution against that of the quadrature nodes."""

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.model.draws import draw_sample
from quantize.model.mixture import fit_posterior

UNIT_RANGE = UnitRange(low=0.8, high=1.25, chosen=False, reason="")
SIZE = 1500


def comb(n=9, seed=3):
    rng = np.random.default_rng(seed)
    return rng.integers(1, 8, size=n) + 0.13 * rng.normal(size=n)


MODELS = {
    "window": {"window": (0.5, 7.5)},
    "free offset": {"offset": "free", "sigma": 0.13},
    "offset with a prior": {"offset": stats.norm(0, 0.1), "sigma": 0.13},
    "outliers": {"outliers": "free", "sigma": 0.13},
    "growth": {"noise": "proportional", "sigma": 0.08},
}


def compare(drawn, place, share):
    """p of Kolmogorov's test of draws against weighted nodes, blurred by their spacing."""
    order = np.argsort(place)
    cumulative = np.cumsum(share[order]) - 0.5 * share[order]
    return stats.kstest(np.interp(drawn, place[order], cumulative), "uniform").pvalue


@pytest.mark.parametrize("name", MODELS)
def test_draws_follow_the_posterior(name, seed):
    found = fit_posterior(qz.Readings(comb()), UNIT_RANGE, qz.MixtureModel(**MODELS[name]))
    draws = found.draws(SIZE, rng=seed)
    nodes = found.posterior._nodes
    share = nodes.share / nodes.share.sum()
    # Kolmogorov's test fails by chance once in 1e4 for each parameter.
    units, back = np.unique(nodes.log_unit, return_inverse=True)
    of_unit = np.bincount(back, weights=share)
    assert compare(np.log(draws["unit"]), units, of_unit) > 1e-4
    by_node = {
        "sigma": nodes.noise.sigma[nodes.index],
        "outliers": nodes.noise.outliers[nodes.index],
        "growth": nodes.noise.growth[nodes.index],
    }
    if name == "offset with a prior":
        by_node["offset"] = nodes.shift
    for parameter, value in by_node.items():
        if parameter not in draws or np.ptp(value) == 0:
            continue
        # Nodes of these are far apart: means and deviations, five standard errors.
        mean = np.sum(share * value)
        sd = np.sqrt(np.sum(share * (value - mean) ** 2))
        assert abs(draws[parameter].mean() - mean) < 5 * sd / np.sqrt(SIZE) + 1e-4
        assert draws[parameter].std() == pytest.approx(sd, rel=0.25)


def test_draws_of_a_free_offset_move_with_the_comb(seed):
    x = comb() + 0.37
    found = fit_posterior(qz.Readings(x), UNIT_RANGE, qz.MixtureModel(offset="free", sigma=0.13))
    draws = found.draws(SIZE, rng=seed)
    assert draws["offset"].between(0, draws["unit"]).all()
    cycles = found.posterior._nodes.shift
    share = found.posterior._nodes.share
    expected = np.sum(share * np.exp(2j * np.pi * cycles)) / share.sum()
    phase = (draws["offset"] - found.posterior.prior.origin) / draws["unit"]
    drawn = np.exp(2j * np.pi * phase)
    # Five standard errors of a mean of unit vectors.
    assert abs(drawn.mean() - expected) < 5 / np.sqrt(SIZE)


def test_draws_repeat_from_a_seed():
    found = qz.fit_mixture(comb(), (0.8, 1.25), model=qz.MixtureModel(outliers=0.1))
    assert found.draws(20, rng=4).equals(found.draws(20, rng=4))
    assert not found.draws(20, rng=4).equals(found.draws(20, rng=5))


def test_predictions_come_again_with_their_seed(seed):
    found = fit_posterior(qz.Readings(comb()), UNIT_RANGE, qz.MixtureModel(sigma=0.13))
    first = found.predictions(3, rng=seed)
    assert np.array_equal(first, found.predictions(3, rng=seed))
    assert not np.array_equal(first, found.predictions(3, rng=seed + 1))


@pytest.mark.parametrize("unit", [None, stats.norm(1.1, 0.2)], ids=["log-uniform", "normal"])
def test_a_sample_of_the_priors_lies_on_the_teeth_of_its_unit(unit, seed):
    model = qz.MixtureModel(
        sigma=1e-6,
        offset=stats.norm(0.2, 0.01),
        window=(0.0, 9.0),
        priors={} if unit is None else {"unit": unit},
    )
    rng, units = np.random.default_rng(seed), []
    for _ in range(200):
        drawn = draw_sample(model, (0.8, 1.25), rng, states=4, repeats=2)
        u, b = float(drawn.parameters.unit[0]), float(drawn.parameters.offset[0])
        assert drawn.readings.values == pytest.approx(b + u * drawn.integers, abs=1e-5)
        units.append(u)
    # The prior cut to the range; Kolmogorov's test fails by chance once in 1e4.
    law = stats.loguniform(0.8, 1.25) if unit is None else stats.truncnorm(-1.5, 0.75, 1.1, 0.2)
    assert stats.kstest(units, law.cdf).pvalue > 1e-4


@pytest.mark.parametrize("c", [1.0, 1e3])
def test_outliers_of_a_drawn_sample_lie_among_the_sizes_that_the_integers_give(c):
    model = qz.MixtureModel(integers=(1, 9), offset=20 * c, sigma=0.05 * c, outliers=0.5)
    sample = qz.simulate(400, model=model, unit_range=(0.99 * c, 1.01 * c), rng=1)
    strays = sample.values[sample.truth.outlier]
    # Uniform from 21 to 29 units; the largest of two hundred lies beyond 28 but once in 1e11.
    assert 20.8 * c < strays.min() < 22 * c
    assert 28 * c < strays.max() < 29.2 * c


@pytest.mark.parametrize("window", [(0.0, 10.0), (-0.3, 9.7)])
def test_the_decimals_of_a_window_are_no_step_of_the_readings(window):
    model = qz.MixtureModel(window=window)
    sigma = [
        draw_sample(model, (0.9, 1.1), np.random.default_rng(i), states=3).parameters.sigma[0]
        for i in range(100)
    ]
    # The support that a fit of readings in full precision has, from a hundredth of a unit.
    assert min(sigma) == pytest.approx(0.009, rel=0.2)


def test_predictions_are_as_the_readings_were_taken():
    """One that changed is anywhere between two teeth; both ends of a distance are rounded."""
    x = np.array([2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 7.0])
    readings = qz.Readings(x, sigma=0.01, changed=np.arange(8) == 7, resolution=0.5, ends=2)
    found = qz.fit_mixture(readings, (1.5, 3), model=qz.MixtureModel(rounding=True))
    again = found.predictions(4000, rng=1) - x
    # Mixed from 4 … 8 and 6 … 10: variance 4/3 + 1; five standard errors of a deviation.
    assert again[:, -1].std() == pytest.approx(np.sqrt(7 / 3), rel=0.06)
    share = np.mean(np.abs(again[:, :-1]) > 0.25, axis=0)
    # A distance of whole steps plus an error e is read one off with probability e over the step.
    assert np.all(share > 0.003)
