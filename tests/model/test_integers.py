"""Probabilities of whole numbers: from the nodes by hand, on a dense grid, and over every node."""

import functools
import itertools

import numpy as np
import pytest
from dense_evidence import Problem
from scipy import stats
from scipy.stats import norm

import quantize as qz

LOW, HIGH = 0.6, 1.8


def samples(n, sigma, count=3):
    rng = np.random.default_rng([n, round(100 * sigma)])
    for _ in range(count):
        yield rng.integers(-4, 5, size=n) + sigma * rng.normal(size=n)


def table_of(found):
    """Probabilities by reading and whole number."""
    table = found.integer_probabilities
    assert (table["probability"] >= 1e-4).all()
    for _, rows in table.groupby("reading"):
        assert rows["probability"].is_monotonic_decreasing
    keys = zip(table["reading"], table["integer"], strict=True)
    return dict(zip(keys, table["probability"], strict=True))


def worst(found, expected):
    """Largest difference; what is below 1e-4 is not in the table."""
    table = table_of(found)
    differences = [abs(table.get(key, 0.0) - p) for key, p in expected.items() if p > 2e-4]
    return max(differences + [p for key, p in table.items() if key not in expected])


@pytest.mark.parametrize("offset", ["zero", "free"])
@pytest.mark.parametrize("sigma", [0.05, 0.3])
def test_integer_probabilities_are_a_sum_over_nodes_and_neighbours(offset, sigma):
    (x,) = samples(6, sigma, count=1)
    found = qz.fit_mixture(x, (0.5, 2.5), offset=offset, sigma_range=(sigma / 2, 2 * sigma))
    places, share = found.posterior._representative
    p = found.posterior._combs(places)
    if offset == "free":
        assert np.all((p.offset >= 0) & (p.offset < p.unit))
    expected = {}
    for u, s, b, weight in zip(p.unit, p.sigma, p.offset, share, strict=True):
        # Every whole number within six of the nearest, by the normal density (scipy).
        k = np.rint((x - b) / u)[:, None] + np.arange(-6, 7)
        density = norm.pdf(x[:, None], b + u * k, s)
        part = weight * density / density.sum(axis=1, keepdims=True)
        for i, j in itertools.product(range(6), range(13)):
            key = i, int(k[i, j])
            expected[key] = expected.get(key, 0.0) + part[i, j]
    table = table_of(found)
    # Teeth beyond those that count add 1e-10.
    assert set(table) == {key for key, p in expected.items() if p >= 1e-4}
    assert worst(found, expected) < 1e-9


@functools.cache
def on_a_grid(name, units=300, sigmas=24, phases=24):
    """The posterior on a dense grid: unit, sigma, offset and weight of each point."""
    x, state, free = GRIDS[name]
    readings = qz.Readings(x, state=state)
    problem = Problem(
        readings=readings, low=LOW, high=HIGH, sigma_low=0.05, sigma_high=0.5, free=free
    )
    u = np.exp(np.log(LOW) + (np.arange(units) + 0.5) / units * np.log(HIGH / LOW))
    rows = []
    for i, c in itertools.product(range(sigmas), range(phases if free else 1)):
        s = 0.05 * 10.0 ** ((i + 0.5) / sigmas)
        phase = (c + 0.5) / phases if free else 0.0
        value = problem.log_likelihood(u, s, phase) + problem.log_sigma_density(s, u)
        value += problem.within(s)
        rows.append(np.array([u, np.full(units, s), phase * u, value]))
    unit, sigma, offset, value = np.concatenate(rows, axis=1)
    weight = np.exp(value - value.max())
    return problem, unit, sigma, offset, weight / weight.sum()


GRIDS = {
    "offset zero": (np.array([1.13, 2.86, 4.2, 0.84]), None, False),
    "offset free": (np.array([1.43, 3.16, 4.5, 0.34]), None, True),
    "states": (np.array([1.13, 0.95, 2.86, 3.1, 4.3]), [0, 0, 1, 1, 2], False),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", GRIDS)
def test_whole_numbers_of_a_small_sample_by_brute_force(name):
    x, state, free = GRIDS[name]
    offset = "free" if free else "zero"
    found = qz.fit_mixture(
        qz.Readings(x, state=state), (LOW, HIGH), offset=offset, sigma_range=(0.05, 0.5)
    )
    problem, unit, sigma, b, weight = on_a_grid(name)
    expected = {}
    for group, mean, factor in zip(problem.groups, problem.mean, problem.factor, strict=True):
        first = int(np.floor((mean - HIGH) / LOW)) - 4
        k = np.arange(first, first + 20)
        density = norm.pdf(mean, b[:, None] + unit[:, None] * k, sigma[:, None] * factor**0.5)
        probability = weight @ (density / density.sum(axis=1, keepdims=True))
        expected |= {
            (int(i), int(one)): p for i in group for one, p in zip(k, probability, strict=True)
        }
    # The grid is good to 1e-3 where it has an offset as well.
    assert worst(found, expected) < (2e-3 if free else 3e-4)


@pytest.mark.parametrize("name", GRIDS)
def test_draws_from_a_small_sample_by_brute_force(name, seed):
    x, state, free = GRIDS[name]
    offset = "free" if free else "zero"
    found = qz.fit_mixture(
        qz.Readings(x, state=state), (LOW, HIGH), offset=offset, sigma_range=(0.05, 0.5)
    )
    _, unit, sigma, b, weight = on_a_grid(name)
    draws = found.draws(3000, rng=seed)
    pairs = [(draws["unit"], unit), (draws["sigma"], sigma)]
    if free:
        # Round the circle a phase has no first and last: its cosine and its sine.
        cycle = 2 * np.pi * draws["offset"] / draws["unit"], 2 * np.pi * b / unit
        pairs += [(wave(cycle[0]), wave(cycle[1])) for wave in (np.cos, np.sin)]
    for drawn, place in pairs:
        values, back = np.unique(np.asarray(place).round(9), return_inverse=True)
        share = np.bincount(back, weights=weight)
        # Half of a grid point lies below it; Kolmogorov's test fails by chance once in 1e4, and
        # the steps of the grid are added to its distance.
        below = np.cumsum(share) - share / 2
        distance = stats.kstest(np.interp(drawn, values, below), "uniform").statistic
        assert distance < stats.kstwo(3000).isf(1e-4) + share.max() / 2


@pytest.mark.parametrize("name", ["offset zero", "states"])
def test_whole_numbers_that_are_drawn_have_their_probabilities(name, seed):
    x, state, _ = GRIDS[name]
    found = qz.fit_mixture(qz.Readings(x, state=state), (LOW, HIGH), sigma_range=(0.05, 0.5))
    drawn = found.posterior.integers_in_best_mode(20_000, seed)
    mode, every = found.posterior.modes[0], np.arange(found.posterior._nodes.share.size)
    p, corrected = found.posterior._combs(every), found.posterior._at(every)
    inside = (corrected.unit >= mode.low) & (corrected.unit <= mode.high)
    share = found.posterior._nodes.share[inside] / found.posterior._nodes.share[inside].sum()
    levels = qz.Readings(x, state=state).levels()
    for j, (mean, factor) in enumerate(zip(levels.mean, levels.factor, strict=True)):
        k = np.arange(-5, 15)
        density = norm.pdf(mean, p.unit[inside, None] * k, p.sigma[inside, None] * factor**0.5)
        expected = share @ (density / density.sum(axis=1, keepdims=True))
        counts = np.bincount(drawn[:, j] + 5, minlength=20) / 20_000
        # Five standard errors of a share.
        assert np.all(np.abs(counts - expected) < 5 * np.sqrt(expected / 20_000) + 1e-6)


LONG = "growing noise with outliers"
SAMPLED = {
    "growing noise": {"noise": "proportional"},
    "outliers": {"outliers": "free"},
    LONG: {"noise": "proportional", "outliers": "free"},
}


@pytest.mark.parametrize(
    "name", ["growing noise", "outliers", pytest.param(LONG, marks=pytest.mark.slow)]
)
def test_some_nodes_stand_for_all(name):
    rng = np.random.default_rng(5)
    x = rng.integers(1, 9, size=12) + 0.12 * rng.normal(size=12)
    x[3] += 0.45 * ("outliers" in name)
    found = qz.fit_mixture(x, (0.5, 2.2), model=qz.MixtureModel(**SAMPLED[name]))
    posterior = found.posterior
    every = np.arange(posterior._nodes.log_mass.size)
    assert every.size > 3 * posterior._representative[0].size
    assert posterior._representative[1].sum() == pytest.approx(1)
    share = posterior._nodes.share / posterior._nodes.share.sum()
    p = posterior._combs(every)
    whole, probability = posterior.likelihood.integer_shares(p, share)
    expected = {(i, int(k)): probability[i, j] for i in range(12) for j, k in enumerate(whole)}
    assert worst(found, expected) < 5e-3
    astray = posterior.likelihood.outlier_probability(p, share)
    np.testing.assert_allclose(found.outlier_probabilities(), astray, rtol=0, atol=5e-3)
    assert (astray.max() > 0.1) == ("outliers" in name)
