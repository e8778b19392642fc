"""Envelopes of sizes of any kind, against integrals and densities of scipy."""

import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import beta, lognorm, norm

from quantize.null.envelopes import log_beta, log_normal, log_skewed, log_uniform


def test_normal_envelope_is_the_double_integral():
    values, window = np.sort(np.random.default_rng(3).normal(1, 2, size=9)), 9.0

    mean = np.linspace(-9, 11, 1001)
    log_width = np.linspace(np.log(window / 30), np.log(window), 401)
    products = norm.pdf(values, mean[:, None, None], np.exp(log_width)[:, None]).prod(axis=2)
    inner = np.trapezoid(products, mean, axis=0)
    expected = np.trapezoid(inner, log_width) / window / np.log(30)
    # Fourteen widths in place of the integral, and a mean that may leave the window.
    assert_allclose(log_normal(values, window), np.log(expected), atol=0.12)


def test_beta_envelope_is_the_mean_of_scipys_densities():
    values = np.sort(np.random.default_rng(4).uniform(2, 5, size=12))
    span, middle = np.ptp(values), 0.5 * (values[0] + values[-1])
    shapes = (0.5, 1, 2, 4)
    products = [
        np.prod(beta.pdf(values, p, q, loc=middle - window / 2, scale=window))
        for window in (span * 13 / 11, span * (1 + 0.2 / 11))
        for p in shapes
        for q in shapes
    ]
    assert_allclose(log_beta(values), np.log(np.mean(products)), rtol=1e-9)
    assert_allclose(log_uniform(values), -12 * np.log(span * 13 / 11), rtol=1e-12)


def test_skewed_envelope_is_a_mean_of_shifted_lognormals_both_ways_round():
    values = np.sort(np.random.default_rng(5).exponential(1, size=8))
    window = np.ptp(values) * 9 / 7
    means = []
    for turned in (values, -values):
        for shift in (0.02, 0.07, 0.25, 1.0):
            start, length = turned.min() - shift * window, np.log1p(1 / shift)
            logs = np.linspace(-12, 12, 1201) + np.log(window)
            by_width = []
            for width in np.geomspace(length / 30, length, 14):
                law = lognorm(width, loc=start, scale=np.exp(logs)[:, None])
                by_width.append(np.trapezoid(law.pdf(turned).prod(axis=1), logs) / length)
            means.append(np.mean(by_width))
    assert_allclose(log_skewed(values), np.log(np.mean(means)), rtol=1e-5)
