"""Envelopes fixed beforehand, against integrals and laws of scipy."""

import numpy as np
import pytest
from scipy import integrate, stats

from quantize.null.running import RunningEvidence
from quantize.null.running_nulls import (
    log_cells,
    log_ends_anywhere,
    log_fixed_envelopes,
    log_two_sided,
)

WINDOW = (-6.0, 6.0)
VALUES = np.array([-1.3, 0.2, 0.9, 2.6])


def test_ends_anywhere_is_the_double_integral():
    """scipy.integrate.dblquad over the two ends."""
    low, high = VALUES.min(), VALUES.max()
    integral, _ = integrate.dblquad(
        lambda b, a: (b - a) ** -4.0 * 2 / 144, WINDOW[0], low, lambda a: high, lambda a: WINDOW[1]
    )
    assert log_ends_anywhere(VALUES, WINDOW) == pytest.approx(np.log(integral), rel=1e-7)


def test_cells_are_a_mixture_of_dirichlet_multinomials():
    """scipy.stats.dirichlet_multinomial, without its count of orders, over the cell width."""
    total = 0.0
    for cells in (8, 12, 18, 27, 40, 60):
        for shift in (0.0, 0.5):
            edges = WINDOW[0] + (np.arange(cells + 2) - shift) * 12 / cells
            count, _ = np.histogram(VALUES, edges)
            for share in (1.0, 0.3):
                law = stats.dirichlet_multinomial(np.full(cells + 1, share), 4)
                orders = stats.multinomial(4, np.full(cells + 1, 1 / (cells + 1)))
                log_orders = orders.logpmf(count) + 4 * np.log(cells + 1)
                total += np.exp(law.logpmf(count) - log_orders) * (cells / 12) ** 4 / 24
    assert log_cells(VALUES, WINDOW) == pytest.approx(np.log(total), rel=1e-9)


def test_two_sided_is_a_mixture_of_laplace_laws():
    """scipy.stats.laplace on the same grid."""
    density = [
        np.prod(stats.laplace(place, scale).pdf(VALUES))
        for place in np.linspace(*WINDOW, 61)
        for scale in np.geomspace(0.2, 6, 10)
    ]
    assert log_two_sided(VALUES, WINDOW) == pytest.approx(np.log(np.mean(density)), rel=1e-9)


def test_a_narrower_uniform_is_not_steps_however_long_one_looks():
    """Uniform on five sixths of the window: against the uniform null alone evidence would grow."""
    values = np.random.default_rng(18).uniform(-5, 5, 150)
    process = RunningEvidence((0.4, 2.5), WINDOW)
    for x in values:
        process.update(x, look=False)
    assert not process.passes(0.05)
    found = log_fixed_envelopes(values, WINDOW)
    assert found["continuous: ends anywhere"] > -150 * np.log(12) + 10
