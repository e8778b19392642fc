"""Densities of one reading against numerical integrals of the normal density."""

import itertools

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from quantize.model import noise as density

DISTANCES = [0.0, 0.3, 1.0, 2.7, 6.0, 12.0, 25.0, 40.0]
STEPS = [1e-4, 3e-3, 0.05, 0.5, 1.0, 3.0, 10.0, 100.0]


def log_integral(log_f, low, high, near):
    """log ∫ exp(log_f) by general quadrature, scaled by the largest value of the integrand."""
    peak = float(np.clip(near, low, high))
    top = log_f(peak)
    edges = [low, peak - 9, peak - 1, peak, peak + 1, peak + 9, high]
    edges = np.unique(np.clip(edges, low, high))
    total = sum(
        quad(lambda t: np.exp(log_f(t) - top), a, b, epsabs=0, epsrel=1e-12)[0]
        for a, b in itertools.pairwise(edges)
    )
    return top + np.log(total)


def one(function, *values):
    return float(function(*(np.array([float(v)]) for v in values))[0])


@pytest.mark.parametrize("d", DISTANCES)
@pytest.mark.parametrize("h", STEPS)
def test_rounded_is_the_normal_density_averaged_over_the_step(d, h):
    # In units of sd; the second scale checks that units go through.
    expected = log_integral(lambda t: stats.norm.logpdf(t), d - h / 2, d + h / 2, 0.0) - np.log(h)
    assert one(density.log_rounded, d, 1.0, h) == pytest.approx(expected, abs=3e-7 + 1e-9 * d**2)
    scaled = one(density.log_rounded, -0.02 * d, 0.02, 0.02 * h)
    assert scaled == pytest.approx(expected - np.log(0.02), abs=3e-7 + 1e-9 * d**2)


@pytest.mark.parametrize("d", DISTANCES)
@pytest.mark.parametrize("h", STEPS)
def test_both_ends_rounded_is_the_normal_density_averaged_over_a_triangle(d, h):
    def log_f(t):
        with np.errstate(divide="ignore"):
            return stats.norm.logpdf(t) + np.log(np.maximum(1 - abs(t - d) / h, 1e-300))

    # The integrand is largest at the zero of its slope, near the end of the triangle if far off.
    grid = np.linspace(d - h, d + h, 20001)[1:-1]
    peak = float(grid[np.argmax(log_f(grid))])
    parts = [
        log_integral(log_f, a, b, peak) for a, b in ((d - h, d), (d, d + h)) if log_f(peak) > -1e4
    ]
    expected = np.logaddexp(*parts) - np.log(h)
    tolerance = 1e-6 + 1e-7 * d**2
    assert one(density.log_rounded_twice, d, 1.0, h) == pytest.approx(expected, abs=tolerance)
    scaled = one(density.log_rounded_twice, -7 * d, 7.0, 7 * h)
    assert scaled == pytest.approx(expected - np.log(7), abs=tolerance)


@pytest.mark.parametrize("d", DISTANCES)
@pytest.mark.parametrize("side", [1, -1])
def test_off_the_scale_is_a_tail_of_the_normal_distribution(d, side):
    for distance in (d, -d):
        # At least x: the probability that tooth plus error exceeds it.
        expected = stats.norm.logsf(distance) if side > 0 else stats.norm.logcdf(distance)
        found = one(density.log_beyond, 3 * distance, 3.0, side)
        assert found == pytest.approx(expected, rel=1e-12, abs=1e-14)


@pytest.mark.parametrize("d", [0.0, 0.4, 1.0, 1.6, 4.0])
@pytest.mark.parametrize("unit", [0.3, 2.0, 20.0])
def test_a_change_within_the_interval_is_uniform_between_the_neighbours(d, unit):
    uniform = stats.uniform(-unit, 2 * unit)
    expected = log_integral(
        lambda t: stats.norm.logpdf(d * unit - t) + uniform.logpdf(t), -unit, unit, d * unit
    )
    found = one(density.log_changed, d * unit, 1.0, unit)
    assert found == pytest.approx(expected, abs=1e-7 + 1e-8 * (d * unit) ** 2)


@pytest.mark.parametrize(
    "function", [density.log_normal, density.log_rounded, density.log_rounded_twice]
)
def test_every_density_falls_away_from_its_tooth_and_is_symmetric(function):
    d = np.linspace(0, 60, 4001)
    extra = () if function is density.log_normal else (np.full(d.size, 1.7),)
    sd = np.full(d.size, 0.9)
    value = function(d, sd, *extra)
    assert np.all(np.isfinite(value))
    assert np.all(np.diff(value) <= 1e-9)
    np.testing.assert_array_equal(function(-d, sd, *extra), value)


@pytest.mark.parametrize("h", [0.2, 1.0, 5.0])
def test_densities_integrate_to_one(h):
    for function in (density.log_rounded, density.log_rounded_twice):
        total = sum(
            quad(lambda t, f=function: np.exp(one(f, t, 1.0, h)), a, b, epsrel=1e-10)[0]
            for a, b in ((-h - 12, -h), (-h, 0), (0, h), (h, h + 12))
        )
        assert total == pytest.approx(1, abs=1e-8)
