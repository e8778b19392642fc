"""The same sample in another unit of measurement, or counted from another origin, says the same."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from running_path import running_evidence
from scipy import stats

import quantize as qz
from quantize.null.tails import Tail

PAGE = np.array([1.02, -2.03, 0.01, 3.05, -1.02, 1.95, -2.96, 3.99, 1.02, 2.04, -4.03, 0.98])


@pytest.mark.parametrize("scale", [1.6e-19, 1e9])
def test_running_evidence_in_another_unit(scale: float) -> None:
    plain = running_evidence(PAGE, (0.4, 2.5), (-6.0, 6.0))
    other = running_evidence(scale * PAGE, (0.4 * scale, 2.5 * scale), (-6 * scale, 6 * scale))
    assert np.isfinite(plain.log_evidence[-1])
    for name, path in plain.log_evidences.items():
        # Both densities of a ratio take the same power of the scale.
        assert_allclose(other.log_evidences[name], path, atol=1e-6, err_msg=name)
    assert other.unit == pytest.approx(scale * plain.unit, rel=1e-9, abs=0)


@pytest.mark.parametrize("scale", [1e-9, 1e9])
@pytest.mark.parametrize("shape", [-0.2, 0.15])
def test_the_tail_of_a_statistic_in_another_unit(shape: float, scale: float) -> None:
    values = stats.genpareto.rvs(shape, size=2000, random_state=7)
    found = Tail.of(scale * values)
    # scipy.stats.genpareto.fit of the same excesses, at the scale of one.
    excess = np.sort(values)[-200:] - found.start / scale
    xi, _, beta = stats.genpareto.fit(excess, floc=0)
    assert found.shape == pytest.approx(xi, abs=1e-3)
    assert found.scale == pytest.approx(scale * beta, rel=1e-3, abs=0)


@pytest.mark.parametrize("scale", [1.6e-19, 1e9])
@pytest.mark.parametrize("offset", ["zero", "free"])
def test_every_kind_of_data_without_steps_in_another_unit(offset: str, scale: float) -> None:
    # Powers of two leave the digits; the decimals, which tell the step of the record, do not stay.
    scale = 2.0 ** round(np.log2(scale))
    sample = PAGE + 1e-4 * np.sin(np.arange(12))
    plain = qz.analyze(sample, (0.4, 2.5), offset=offset, n_resamples=99, rng=1)
    unit_range = (0.4 * scale, 2.5 * scale)
    other = qz.analyze(scale * sample, unit_range, offset=offset, n_resamples=99, rng=1)
    assert other.verdict == plain.verdict
    for name, factor in plain.log_bayes_factors.items():
        assert other.log_bayes_factors[name] == pytest.approx(factor, abs=1e-6), name
    assert other.unit == pytest.approx(scale * plain.unit, rel=1e-9, abs=0)
