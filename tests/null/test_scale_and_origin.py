"""The same page in another unit of measurement, or counted from another origin, says the same."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

import quantize as qz
from quantize.null.tails import fit_tail
from quantize.null.teeth import comb_likelihood

PAGE = np.array([1.02, -2.03, 0.01, 3.05, -1.02, 1.95, -2.96, 3.99, 1.02, 2.04, -4.03, 0.98])


@pytest.mark.parametrize("scale", [1.6e-19, 1e9])
def test_running_evidence_in_another_unit(scale: float) -> None:
    plain = qz.running_evidence(PAGE, (0.4, 2.5), (-6.0, 6.0))
    other = qz.running_evidence(scale * PAGE, (0.4 * scale, 2.5 * scale), (-6 * scale, 6 * scale))
    assert np.isfinite(plain.log_evidence[-1])
    for name, path in plain.log_evidences.items():
        # Both densities of a ratio take the same power of the scale.
        assert_allclose(other.log_evidences[name], path, atol=1e-6, err_msg=name)
    assert other.unit == pytest.approx(scale * plain.unit, rel=1e-9)


@pytest.mark.parametrize("scale", [1e-9, 1e9])
@pytest.mark.parametrize("shape", [-0.2, 0.15])
def test_the_tail_of_a_statistic_in_another_unit(shape: float, scale: float) -> None:
    values = stats.genpareto.rvs(shape, size=2000, random_state=7)
    found = fit_tail(scale * values, exponential=False)
    # scipy.stats.genpareto.fit of the same excesses, at the scale of one.
    excess = np.sort(values)[-200:] - found.start / scale
    xi, _, beta = stats.genpareto.fit(excess, floc=0)
    assert found.shape == pytest.approx(xi, abs=1e-3)
    assert found.scale == pytest.approx(scale * beta, rel=1e-3)


def test_the_comb_of_free_offset_far_from_the_origin() -> None:
    # Multiples of 2^-10 can be moved by 2^30 without rounding.
    page = np.sort(np.round(PAGE * 1024) / 1024)
    ones, sigma = np.ones(page.size), np.array([0.05, 0.2])
    near, far = (
        comb_likelihood(page + shift, ones, sigma, 0.7, 1.6, free=True) for shift in (0.0, 2.0**30)
    )
    assert_allclose(
        np.logaddexp.reduce(far.log_likelihood), np.logaddexp.reduce(near.log_likelihood), atol=1e-6
    )
