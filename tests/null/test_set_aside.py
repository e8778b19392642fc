"""Which levels a comparison is also made without."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

import quantize as qz
from quantize.null import evidence
from quantize.null.hypotheses import compare

SPREAD = 0.02
N = 20


@pytest.mark.parametrize("scale", [1.0, 1e3, 1e-3])
@pytest.mark.parametrize(("times", "aside"), [(5.3, 0), (6.0, 1)])
def test_a_level_is_set_aside_that_ten_thousand_samples_have_once(
    scale: float, times: float, aside: int
) -> None:
    # scipy's normal distribution: of 20 residuals one is beyond 4.56 sigma in one sample of 10,000.
    assert -norm.ppf(1e-4 / (2 * N)) == pytest.approx(4.56, abs=0.01)
    residual = SPREAD * norm.ppf((np.arange(N) + 0.5) / N)
    residual = np.random.default_rng(4).permutation(residual)
    residual[N // 2] = 0.0
    residual[N // 2] = times * 1.4826 * np.median(np.abs(residual))
    values = scale * (np.arange(N) - N // 2 + residual)
    found = qz.fit_mixture(values, (0.6 * scale, 3 * scale))
    plain, sample, top = evidence._phases(found.posterior, found.readings)
    best = compare(plain, sample, top)
    off = np.abs(values - best.unit * np.rint(values / best.unit))
    assert 4.0 < off.max() / (1.4826 * np.median(off)) < 5.0
    assert (off.max() / (1.4826 * np.median(off)) > 4.56) == bool(aside)
    assert evidence._outlying(plain, sample, best).sum() == aside
