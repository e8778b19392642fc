"""Who is off the comb: the fit's answer against Bayes' rule summed by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.model.likelihood import Likelihood
from quantize.model.quadrature import NEGLIGIBLE
from quantize.model.terms import Parameters
from quantize.null.influence import misfits

SIGMA, SHARE, WINDOW = 0.05, 0.1, (0.5, 9.5)
SAMPLE = np.array([1.02, 2.97, 4.01, 5.04, 7.02, 8.0, 3.45, 6.2])


def by_hand() -> np.ndarray:
    """Shares of the outliers, averaged over units from 0.95 to 1.05 with their posterior."""
    units = np.linspace(0.95, 1.05, 4001)
    teeth = np.arange(1, 10)
    length = WINDOW[1] - WINDOW[0]
    off = SHARE / length
    # Nine teeth stand in the window at every unit of this range, so each holds a ninth.
    place = units[:, None, None] * teeth
    on = (1 - SHARE) * stats.norm.pdf(SAMPLE[:, None], place, SIGMA).mean(axis=2)
    weight = np.prod(on + off, axis=1) / units
    return (weight / weight.sum()) @ (off / (on + off))


def log_odds(p: np.ndarray) -> np.ndarray:
    """No further than the nodes go that the fit keeps: those of exp(−15) of the best mass."""
    return np.clip(np.log(p / (1 - p)), -NEGLIGIBLE, NEGLIGIBLE)


def test_the_shares_are_those_of_bayes_rule() -> None:
    model = qz.MixtureModel(sigma=SIGMA, outliers=SHARE, window=WINDOW)
    found = qz.fit_mixture(SAMPLE, (0.95, 1.05), model=model).outlier_probabilities()
    # The fit averages over a few nodes that stand for all of them.
    assert log_odds(found) == pytest.approx(log_odds(by_hand()), abs=0.04)
    assert found[6] > 0.98
    assert found[:3].max() < 0.05


def test_two_readings_of_a_state_vouch_for_each_other() -> None:
    pairs = np.array([[1.02, 0.97], [4.01, 3.95], [7.02, 7.3], [6.2, 5.9]])
    units = np.linspace(0.95, 1.05, 4001)
    off = SHARE / (WINDOW[1] - WINDOW[0])
    place = units[:, None, None, None] * np.arange(1, 10)
    mixed = (1 - SHARE) * stats.norm.pdf(pairs[..., None], place, SIGMA) + off
    # A pair at tooth k, less the case that both are astray, which has no tooth and counts once.
    state = (mixed.prod(axis=2) - off**2).mean(axis=2) + off**2
    weight = np.prod(state, axis=1) / units
    other = mixed[:, :, ::-1]
    mine = (off * other - off**2).mean(axis=3) + off**2
    expected = np.tensordot(weight / weight.sum(), mine / state[:, :, None], 1).ravel()
    readings = qz.Readings(pairs.ravel(), state=np.repeat(np.arange(4), 2))
    model = qz.MixtureModel(sigma=SIGMA, outliers=SHARE, window=WINDOW)
    found = qz.fit_mixture(readings, (0.95, 1.05), model=model).outlier_probabilities()
    assert log_odds(found) == pytest.approx(log_odds(expected), abs=0.08)


@pytest.mark.parametrize("share", [0.05, 0.4])
def test_readings_off_the_scale_of_a_state_whose_others_may_be_astray(share):
    """Every choice of outliers summed by itself; sizes have no end, and are as often far down."""
    values = np.array([3.02, 2.6, 3.1, 3.4, 5.0, 1.02])
    above = np.array([0, 0, 1, 1, 0, 0])
    readings = qz.Readings(values, state=[0, 0, 0, 0, 1, 2], beyond=above)
    model = qz.MixtureModel(outliers=share, sigma=0.1)
    posterior = qz.fit_mixture(readings, (0.6, 2.2), model=model).posterior
    likelihood, one, none = posterior.likelihood, np.ones(1), np.zeros(1)
    p = Parameters(unit=one, sigma=0.1 * one, offset=none, growth=none, outliers=share * one)
    blur = likelihood.blur_in_units(p)
    weight = np.exp(likelihood.envelope.log_mass(none[:, None, None], one, none, blur)).item()
    length = np.ptp([values[:4][above[:4] == 0].mean(), 5.0, 1.02])
    teeth = np.arange(-30, 60)
    on_comb = [
        stats.norm.sf(x, teeth, 0.1) if off else stats.norm.pdf(x, teeth, 0.1)
        for x, off in zip(values[:4], above[:4], strict=True)
    ]
    total, astray = 0.0, np.zeros(4)
    for outlier in itertools.product((False, True), repeat=4):
        chance = np.prod(
            [
                share * (0.5 if off else 1 / length) if out else 1 - share
                for out, off in zip(outlier, above[:4], strict=True)
            ]
        )
        if outlier[0] and outlier[1]:
            chance *= 0.5 + 0.5 * (outlier[2] and outlier[3])
        else:
            on = [f for f, out in zip(on_comb, outlier, strict=True) if not out]
            chance *= weight * np.sum(np.prod(on, axis=0))
        total += chance
        astray += chance * np.array(outlier)
    assert likelihood.pointwise(p)[0, 0] == pytest.approx(np.log(total), abs=1e-9)
    found = likelihood.outlier_probability(p, one)[:4]
    assert found == pytest.approx(astray / total, abs=1e-9)


@pytest.mark.parametrize("repeated", [False, True])
def test_readings_far_from_every_multiple_have_one_of_those_that_occur(repeated):
    """Next to the last one; of a state whose density nowhere shows, as likely any one in view."""
    values = np.r_[np.arange(1.0, 9), 60.3, 60.4 if repeated else -30.1]
    state = np.r_[np.arange(8), 8, 8] if repeated else None
    sample = qz.Readings(values, sigma=0.02, state=state)
    model = qz.MixtureModel(outliers=0.05, integers=(1, 9))
    found = qz.fit_mixture(sample, (0.8, 1.3), model=model)
    assert found.integers.tolist() == [*range(1, 9), 9, 9 if repeated else 1]
    assert found.integer_probabilities["integer"].between(1, 9).all()


def test_the_shares_are_summed_once(monkeypatch) -> None:
    calls, plain = [], Likelihood.outlier_probability
    monkeypatch.setattr(
        Likelihood, "outlier_probability", lambda *given: calls.append(1) or plain(*given)
    )
    model = qz.MixtureModel(sigma=SIGMA, outliers=SHARE, window=WINDOW)
    found = qz.fit_mixture(SAMPLE, (0.95, 1.05), model=model)
    first = found.outlier_probabilities()
    first[:] = 0.0
    assert found.outlier_probabilities()[6] > 0.98
    assert misfits(found).sentence.startswith("With a unit of")
    assert len(calls) == 1
