"""Priors that are narrow: evidence, unit and its error against plain sums."""

from __future__ import annotations

import numpy as np
import pytest
from plain_likelihood import plain_likelihood
from scipy import stats

import quantize as qz

X = np.array([5.03, 4.93, 8.13, 3.93, 2.09, 6.05, 1.95, 7.06])
"""Eight invented readings on a comb of 1."""
SIGMA = 0.1
UNIT_RANGE = (0.6, 2.2)


def summed(found: qz.model.mixture.MixtureFit, unit: np.ndarray, phases: int) -> np.ndarray:
    """Log likelihood at some units, the mean over `phases` offsets, by plain loops."""
    envelope = found.posterior.likelihood.envelope
    return np.array(
        [
            np.logaddexp.reduce(
                [
                    plain_likelihood(
                        found.readings, envelope, unit=u, sigma=SIGMA, offset=u * i / phases
                    )
                    for i in range(phases)
                ]
            )
            - np.log(phases)
            for u in unit
        ]
    )


@pytest.mark.parametrize(
    ("offset", "spread"), [("zero", 5e-3), ("zero", 2e-4), ("free", 2e-3), ("free", 1e-4)]
)
def test_a_narrow_prior_of_the_unit(offset, spread):
    # Narrower than the cells of the whole range; the sum is exact beyond the digits asked for.
    prior = stats.norm(1.0, spread)
    model = qz.MixtureModel(sigma=SIGMA, offset=offset, priors={"unit": prior})
    found = qz.fit_mixture(X, UNIT_RANGE, model=model)
    unit = 1.0 + spread * np.linspace(-6, 6, 31)
    weight = prior.pdf(unit)
    log_l = summed(found, unit, 1 if offset == "zero" else 32)
    share = weight * np.exp(log_l - log_l.max())
    evidence = np.log(share.sum() / weight.sum()) + log_l.max()
    assert found.log_evidence == pytest.approx(evidence, abs=1e-4)
    mean = np.average(unit, weights=share)
    error = np.sqrt(np.average((unit - mean) ** 2, weights=share))
    assert found.unit == pytest.approx(mean, abs=0.02 * error)
    assert found.unit_err == pytest.approx(error, rel=0.02)


@pytest.mark.parametrize("spread", [1e-4, 0.1])
def test_a_narrow_prior_of_sigma_keeps_all_of_its_mass(spread):
    # The evidence with a prior is the mean of that with sigma known (the law of total probability).
    known = [
        qz.fit_mixture(X, UNIT_RANGE, sigma_range=SIGMA * np.exp(spread * z)).log_evidence
        for z in np.linspace(-6, 6, 25)
    ]
    weight = stats.norm.pdf(np.linspace(-6, 6, 25))
    expected = np.log(np.average(np.exp(known), weights=weight))
    model = qz.MixtureModel(sigma=stats.lognorm(spread, scale=SIGMA))
    assert qz.fit_mixture(X, UNIT_RANGE, model=model).log_evidence == pytest.approx(
        expected, abs=1e-4
    )
