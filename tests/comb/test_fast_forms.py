"""The fast forms behind the mixture against the sums that they stand for, written out."""

import math

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm

import quantize as qz
from quantize.comb.window import log_unit_excess, soft_round
from quantize.comb.wrapped import WIDE, coefficients, cosine_sums, log_likelihood_from_cosines
from quantize.model.mixture import _representative
from quantize.model.modes import _hills, _sums_by_place
from quantize.null.guards import _level_counts


def pages(n, sigma=0.1, count=3):
    rng = np.random.default_rng([n, round(100 * sigma)])
    for _ in range(count):
        yield rng.integers(-4, 5, size=n) + sigma * rng.normal(size=n)


@pytest.mark.parametrize("offset", ["zero", "free"])
@pytest.mark.parametrize("sigma", [0.05, 0.3])
def test_integer_probabilities_are_a_sum_over_nodes_and_neighbours(offset, sigma):
    (x,) = pages(6, sigma, count=1)
    found = qz.fit_mixture(x, (0.5, 2.5), offset=offset, sigma_range=(sigma / 2, 2 * sigma))
    order, share = _representative(found.nodes, x.size)
    problem = found.problem
    expected = [{} for _ in x]
    for node, weight in zip(order, share, strict=True):
        u, s = math.exp(found.nodes.log_unit[node]), found.nodes.sigma[node]
        b = problem.origin + found.nodes.phase[node] * u
        if offset == "free":
            b %= u
        # Every whole number within four of the nearest, by the normal density (scipy).
        k = np.rint((x - b) / u)[:, None] + np.arange(-4, 5)
        density = norm.pdf(x[:, None], b + u * k, s)
        part = weight * density / density.sum(axis=1, keepdims=True)
        for row, integers, parts in zip(expected, k.astype(int).tolist(), part, strict=True):
            for integer, one in zip(integers, parts, strict=True):
                row[integer] = row.get(integer, 0.0) + one
    table = found.integer_probabilities
    for i, row in enumerate(expected):
        mine = table[table["reading"] == i].set_index("integer")["probability"]
        assert set(mine.index) == {k for k, p in row.items() if p >= 1e-4}
        assert list(mine) == sorted(mine, reverse=True)
        np.testing.assert_allclose(mine, [row[k] for k in mine.index], rtol=0, atol=1e-12)


def test_soft_rounding_is_a_sum_of_normal_steps():
    rng = np.random.default_rng(3)
    t, s = rng.uniform(-5, 30, 400), np.exp(rng.uniform(np.log(1e-4), np.log(2), 400))
    steps = np.arange(-60, 100)
    # The mean of round(t + error): every half it may pass, with its probability.
    plain = np.sum(ndtr((t[:, None] - 0.5 - steps) / s[:, None]), axis=1) + steps[0]
    # Four waves leave exp(−2π²·25·0.25²)/5π.
    np.testing.assert_allclose(soft_round(t, s), plain, rtol=0, atol=1e-12)
    assert soft_round(2.4, 0.01) == pytest.approx(2.0)


def test_what_hangs_on_the_unit_alone_is_done_once():
    rng = np.random.default_rng(4)
    unit, place = rng.uniform(0.2, 3, 7), rng.integers(0, 7, 50)
    spread = rng.uniform(0.01, 1, 50)
    one = log_unit_excess(unit, spread, 9.0, 20, place)
    np.testing.assert_array_equal(one, log_unit_excess(unit[place], spread, 9.0, 20))


@pytest.mark.parametrize("smallest", [0.2, 0.27, 0.4, 3.0])
def test_fewer_cosine_sums_serve_wider_spreads(smallest):
    rng = np.random.default_rng(5)
    mean, unit = rng.normal(size=12) * 4, rng.uniform(0.5, 2, 9)
    sums = cosine_sums(mean, unit, smallest)
    j = np.arange(1, sums.shape[1] + 1)
    plain = np.cos(2 * np.pi * j * (mean / unit[:, None])[:, :, None]).sum(axis=1)
    np.testing.assert_allclose(sums, plain, rtol=0, atol=1e-10)
    spread, row = rng.uniform(smallest, smallest + 0.5, 40), rng.integers(0, 9, 40)
    few = log_likelihood_from_cosines(sums, row, 12, spread)
    all_of_them = log_likelihood_from_cosines(cosine_sums(mean, unit, WIDE), row, 12, spread)
    np.testing.assert_array_equal(few, all_of_them)


def test_coefficients_are_those_of_the_series():
    spread = np.array([0.2, 0.3, 0.7, 1.5])
    constant, found = coefficients(spread, 6)
    a = 2 * np.pi**2 * spread[:, None] ** 2
    j, m = np.arange(1, 7), np.arange(1, 200)
    np.testing.assert_allclose(found, -((-1.0) ** j) / (j * np.sinh(a * j)), rtol=1e-12)
    product = np.log1p(-np.exp(-2 * a * m)).sum(axis=1)
    few = np.log1p(-np.exp(-2 * a * m[:6])).sum(axis=1)
    np.testing.assert_allclose(constant, few, rtol=0, atol=1e-14)
    np.testing.assert_allclose(constant[1:], product[1:], rtol=0, atol=1e-9)


def test_levels_and_divisors_are_counted_as_by_hand():
    for x in pages(12, 0.25):
        found = qz.fit_mixture(np.round(2 * x, 2), (0.5, 3))
        counts, divisors = _level_counts(found)
        assert counts.shape == divisors.shape == (500,)
        sharp = qz.fit_mixture(np.rint(x) + 0.001 * x, (0.8, 1.3))
        whole = {abs(int(k)) for k in sharp.integers} - {0}
        counts, divisors = _level_counts(sharp)
        assert set(counts) == {len(whole)}
        assert set(divisors) == {math.gcd(*whole)}


def test_places_far_apart_and_close_together_add_alike():
    rng = np.random.default_rng(6)
    place, mass = rng.integers(5, 40, 100), rng.uniform(0.1, 1, 100)
    near, sums = _sums_by_place(place, mass)
    far, again = _sums_by_place(place * 10**9, mass)
    np.testing.assert_array_equal(near * 10**9, far)
    np.testing.assert_array_equal(sums, again)
    expected = {int(p): sum(mass[place == p]) for p in set(place)}
    np.testing.assert_allclose(sums, [expected[p] for p in sorted(expected)], rtol=1e-14)


@pytest.mark.parametrize(
    ("bins", "mass", "labels"),
    [
        # A valley above half of the higher peak joins; below it parts.
        ([0, 1, 2, 3, 4], [1, 4, 2.1, 3, 1], [0, 0, 0, 0, 0]),
        ([0, 1, 2, 3, 4], [1, 4, 1.9, 3, 1], [0, 0, 0, 1, 1]),
        # A gap of one empty bin does not part, a wider one does.
        ([0, 2], [3, 2], [0, 0]),
        ([0, 3], [3, 2], [0, 1]),
        ([7], [1], [0]),
    ],
)
def test_hills(bins, mass, labels):
    found = _hills(np.array(bins), np.array(mass, float))
    np.testing.assert_array_equal(found, labels)
