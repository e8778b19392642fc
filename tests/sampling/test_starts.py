"""Where walkers begin for a model that quadrature leaves alone."""

from __future__ import annotations

import numpy as np
from scipy import stats

import quantize as qz
from quantize.comb.band import Band
from quantize.sampling.model_target import ModelTarget


def test_walkers_begin_where_the_posterior_is_not_zero() -> None:
    # The plain model puts half of the walkers near 0.5, which this prior rules out.
    rng = np.random.default_rng(2)
    x = rng.integers(1, 9, size=16) + 0.05 * rng.normal(size=16)
    model = qz.MixtureModel(
        offset="free",
        noise="counting",
        outliers="free",
        priors={"unit": stats.uniform(1.3, 0.5)},
    )
    data = qz.Readings(x)
    target = ModelTarget(data, Band(low=0.4, high=2.0, chosen=False, reason=""), model)
    assert target.posterior is None
    plain = target.plain_posterior.draws(200, rng=1).unit
    assert ((plain < 1.3) | (plain > 1.8)).any()
    start = target.draw_start(200, np.random.default_rng(1))
    assert np.isfinite(target.log_prob(start)).all()
    assert np.exp(start[:, 0]).min() >= 1.3
