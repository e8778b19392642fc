"""What the posterior says of its points to hypotheses and runs, against its own summaries."""

import numpy as np
import pytest

import quantize as qz
from quantize.shared_shift import SharedShift

VALUES = np.array([1.02, 1.97, 3.05, 3.96, 5.01, 7.03, 8.0, 2.05])
UNIT_RANGE = (0.6, 1.7)


@pytest.fixture
def found():
    return qz.fit_mixture(VALUES, UNIT_RANGE)


def test_the_points_add_up_to_the_evidence(found):
    every = np.zeros(found.posterior.noise.size)
    p, noise, log_mass = found.posterior.likeliest(
        10**9, within=np.inf, least=every, largest=np.inf
    )
    total = np.logaddexp.reduce(log_mass)
    assert total == pytest.approx(found.log_evidence, abs=1e-9)
    assert np.all(np.diff(log_mass) <= 0)
    np.testing.assert_allclose(p.sigma, found.posterior.noise.sigma[noise])


def test_only_the_points_that_were_asked_for(found):
    least = np.full(found.posterior.noise.size, 0.99)
    p, _, log_mass = found.posterior.likeliest(40, within=6.0, least=least, largest=1.01)
    assert log_mass.size == 40
    assert np.ptp(log_mass) <= 6.0
    assert np.all((p.unit >= 0.99) & (p.unit <= 1.01))


def test_units_of_a_mode_have_its_mean_and_deviation(found):
    unit, shift, share = found.posterior.units_and_shifts(found.posterior.modes[0])
    assert share.sum() == pytest.approx(1)
    assert not shift.any()
    mean = share @ unit
    assert mean == pytest.approx(found.unit, rel=1e-4)
    assert np.sqrt(share @ (unit - mean) ** 2) == pytest.approx(found.unit_err, rel=0.02)


def test_points_within_cells_have_the_mean_of_the_posterior(found):
    log_unit, shift, share = found.posterior.filled_cells(4, 1e-9)
    unit, _, of_node = found.posterior.units_and_shifts()
    assert share.sum() == pytest.approx(1)
    assert not shift.any()
    assert share @ np.exp(log_unit) == pytest.approx(of_node @ unit, rel=1e-5)


def test_the_most_probable_shift_is_what_was_added():
    # A known unit and a sharp comb: the shift is the mean distance from the teeth.
    error = 0.1
    shifted = qz.Readings(VALUES + 0.12, shift=SharedShift(error=error, lever=np.ones(8)))
    found = qz.fit_mixture(shifted, (0.995, 1.005), sigma_range=0.03).posterior
    away = np.mean(VALUES + 0.12 - np.rint(VALUES))
    assert found.most_probable_shift == pytest.approx(away, abs=0.03)
    unit, shift, share = found.units_and_shifts()
    assert share @ shift == pytest.approx(away, abs=0.03)
    assert np.all((unit >= 0.995) & (unit <= 1.005))
