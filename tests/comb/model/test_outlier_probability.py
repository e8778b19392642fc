"""Who is off the comb: the fit's answer against Bayes' rule summed by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import quantize as qz

SIGMA, SHARE, WINDOW = 0.05, 0.1, (0.5, 9.5)
PAGE = np.array([1.02, 2.97, 4.01, 5.04, 7.02, 8.0, 3.45, 6.2])


def by_hand() -> np.ndarray:
    """Shares of the outliers, averaged over units from 0.95 to 1.05 with their posterior."""
    units = np.linspace(0.95, 1.05, 4001)
    teeth = np.arange(1, 10)
    length = WINDOW[1] - WINDOW[0]
    off = SHARE / length
    # Nine teeth stand in the window at every unit of this range, so each holds a ninth.
    place = units[:, None, None] * teeth
    on = (1 - SHARE) * stats.norm.pdf(PAGE[:, None], place, SIGMA).mean(axis=2)
    weight = np.prod(on + off, axis=1) / units
    return (weight / weight.sum()) @ (off / (on + off))


def test_the_shares_are_those_of_bayes_rule() -> None:
    model = qz.MixtureModel(sigma=SIGMA, outliers=SHARE, window=WINDOW)
    found = qz.fit_mixture(PAGE, (0.95, 1.05), model=model).outlier_probabilities()
    expected = by_hand()
    # The count of teeth is softened at the window's ends: a few per cent of the odds.
    assert np.log(found / (1 - found)) == pytest.approx(np.log(expected / (1 - expected)), abs=0.1)
    assert found[6] > 0.98
    assert found[:3].max() < 0.05
