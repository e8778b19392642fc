"""One error of all readings, in posterior and evidence, against normal laws in closed form."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.charge import Quantity
from quantize.charge.shared import SharedShift
from quantize.null.verdict import averaged_evidence, weigh_evidence

N = np.array([2, 3, 4, 5, 6, 7, 8, 9, 3, 5, 7, 4])
UNIT, SIGMA = 10.0, 0.3
BAND = (6.0, 16.0)
PLACE = np.linspace(-0.5, 0.5, N.size)


def readings(error: float = 0.0, drift: float = 0.0, seed: int = 1) -> qz.Readings:
    """Readings of known scatter that lie `error` too low, and drift."""
    noise = SIGMA * np.random.default_rng(seed).normal(size=N.size)
    return qz.Readings(UNIT * N + noise - error - drift * PLACE, sigma=SIGMA, resolution=1e-6)


def shift(error: float, drift: float = 0.0, degrees: float = math.inf) -> SharedShift:
    law = {"unit": "div", "value": 0.0, "degrees_of_freedom": degrees}
    one = SharedShift(error=Quantity(standard_uncertainty=error, **law), lever=np.ones(N.size))
    if not drift:
        return one
    second = Quantity(standard_uncertainty=drift, **law)
    return dataclasses.replace(one, drift=second, drift_lever=PLACE)


def by_hand(data: qz.Readings, error: float, drift: float = 0.0) -> tuple[float, float]:
    """Generalised least squares of the unit, the whole numbers known."""
    covariance = SIGMA**2 * np.eye(N.size) + error**2 + drift**2 * np.outer(PLACE, PLACE)
    weight = np.linalg.solve(covariance, N)
    variance = 1 / float(N @ weight)
    return variance * float(weight @ data.values), math.sqrt(variance)


@pytest.mark.parametrize(
    ("error", "drift"), [(0.2, 0.0), (1.0, 0.0), (0.05, 0.0), (0.4, 1.5), (1.0, 0.3)]
)
def test_the_unit_is_that_of_generalised_least_squares(error: float, drift: float) -> None:
    data = readings(0.7 * error, -0.8 * drift)
    found = shift(error, drift).fit(data, BAND)
    unit, spread = by_hand(data, error, drift)
    assert found.unit == pytest.approx(unit, abs=0.05 * spread)
    assert found.unit_err == pytest.approx(spread, rel=0.04)
    assert found.integers.tolist() == N.tolist()
    assert len(found.alternatives) == 1
    low, high = found.interval(0.95)[0]
    half = stats.norm.ppf(0.975) * spread
    assert (low, high) == pytest.approx((unit - half, unit + half), abs=0.12 * spread)
    drawn = found.draws(4000, rng=1)["unit"]
    # Five standard errors of a standard deviation from 4000 draws.
    assert drawn.std() == pytest.approx(spread, rel=0.04 + 5 / math.sqrt(8000))
    table = found.integer_probabilities
    assert table.groupby("reading")["probability"].sum().to_numpy() == pytest.approx(1, abs=1e-3)


def test_no_error_is_the_plain_fit() -> None:
    data = readings()
    found, plain = shift(0.0).fit(data, BAND), qz.fit_mixture(data, BAND)
    assert found.unit == pytest.approx(plain.unit, rel=1e-12)
    assert found.unit_err == pytest.approx(plain.unit_err, rel=1e-9)
    assert found.log_bayes_factor == pytest.approx(plain.log_bayes_factor, abs=1e-9)
    assert found.interval(0.95) == pytest.approx(plain.interval(0.95))


def test_evidence_is_averaged_and_not_lost() -> None:
    # Ten standard deviations of a reading too low: taken for exact, these are no steps.
    error = 10 * SIGMA
    exact, clean = weigh_evidence(readings(error), BAND), weigh_evidence(readings(), BAND)
    shared = shift(error)
    fit = shared.fit(readings(error), BAND)
    found = shared.weigh(fit, readings(error), BAND, alpha=0.05, rng=1)
    assert exact.log_bayes_factor < -20
    assert not exact.steps
    assert found.steps
    # Laplace's integral over unit and error against that over the unit alone: not to know the error
    # costs the standard deviation that the readings leave it, times the density of its prior there.
    name = "continuous: uniform"
    cost = clean.log_bayes_factors[name] - found.log_bayes_factors[name]
    density = stats.norm.pdf(1.0) / error
    expected = -math.log(math.sqrt(2 * math.pi) * error_left() * density)
    # The one more parameter fits the scatter of these twelve better by half a unit or so.
    assert cost == pytest.approx(expected, abs=0.6)


def error_left() -> float:
    """Standard deviation of an error of unknown size from the readings, the unit unknown too."""
    design = np.column_stack([N, -np.ones(N.size)])
    return float(SIGMA * np.sqrt(np.linalg.inv(design.T @ design)[1, 1]))


def test_an_average_of_one_or_of_equals_is_that_one() -> None:
    one = weigh_evidence(readings(), BAND)
    for rows, weights in (([one], [1.0]), ([one, one], [0.3, 0.7])):
        found = averaged_evidence(rows, np.array(weights))
        assert found.log_bayes_factors == pytest.approx(one.log_bayes_factors)
        assert found.score == pytest.approx(one.score)
        assert found.p_value == pytest.approx(one.p_value)
        assert found.steps == one.steps
    half = averaged_evidence([one], np.array([0.5]))
    name = next(iter(one.log_bayes_factors))
    # Where the comb has no evidence half of the time, its odds are half as good.
    assert half.log_bayes_factors[name] == pytest.approx(one.log_bayes_factors[name] - math.log(2))


def test_a_large_error_frees_the_offset_of_the_smooth_test() -> None:
    assert shift(0.3).smooth_offset(10.0, "zero") == "zero"
    assert shift(3.0).smooth_offset(10.0, "zero") == "free"
