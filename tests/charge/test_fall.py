"""The fall in the posterior, and whether it is a whole number of units; closed forms."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.stats import norm

import quantize as qz
from quantize import charge
from quantize.charge import SimulatedBench
from quantize.charge.fall import (
    balance_of,
    posterior_of_shift,
    slope_against,
    whole_number_probability,
)
from quantize.charge.quantity import Quantity


def balance(units, error):
    """A fall of so many units, with nothing else unsure."""
    fall = Quantity(value=10 * units, standard_uncertainty=10 * error, unit="div")
    z = np.linspace(-6, 6, 241)
    share = norm.pdf(z) / norm.pdf(z).sum()
    return balance_of(fall, np.full(z.size, 10.0), np.zeros(z.size), share, z)


@pytest.mark.parametrize(("units", "error"), [(5.98, 0.02), (6.1, 0.05), (3.3, 0.2), (7.5, 0.24)])
def test_probability_of_a_whole_number_at_all_by_hand(units, error):
    # Bayes' theorem with even odds: whole numbers of equal weight, one to each unit of length,
    # against a flat density of one to each unit.
    whole = sum(norm.pdf(units, n, error) for n in range(-20, 40))
    assert whole_number_probability(units, error) == pytest.approx(whole / (whole + 1))
    found = balance(units, error)
    assert found.probability == pytest.approx(whole / (whole + 1), rel=1e-3)


def test_far_from_every_whole_number_it_is_next_to_nothing():
    # 27 standard errors: exp(-27²/2) is 1e-158.
    found = balance(5.73, 0.01)
    assert 0 < found.probability < 1e-100
    assert found.sentence == (
        "the fall is 5.730 ± 0.010 units, nearest to 6 whole units; that it is a whole number at "
        "all has the probability below 0.001, against any size between and with even odds "
        "beforehand; it is -0.270 units from a whole number, which a poor balance does."
    )
    assert balance(2.5, 1e-6).probability == 0.0


def test_near_a_whole_number_and_undecidable():
    found = balance(6.002, 0.01)
    assert found.integer == 6
    assert found.probability == pytest.approx(0.975, abs=0.001)
    assert "has the probability 0.975, against any size between" in found.sentence
    blurred = balance(6.0, 0.3)
    assert blurred.integer is None
    assert math.isnan(blurred.probability)


def test_a_fit_says_it_of_the_fall():
    page, apparatus, truth = SimulatedBench(imbalance=4.0).simulate(rng=3)
    found = charge.read_run(page, apparatus).fit((6, 16))
    # Four divisions of imbalance are 0.4 units.
    assert found.balance.units == pytest.approx(truth["fall"] / truth["unit"], abs=0.1)
    assert found.balance.probability < 1e-6
    assert found.to_dict()["schema"] == "quantize.RunFit/2"


def shift(error: float = 0.2, degrees: float = math.inf) -> Quantity:
    return Quantity(value=5.0, unit="div", standard_uncertainty=error, degrees_of_freedom=degrees)


def test_slope_of_a_straight_line_and_of_one_shift() -> None:
    z, share = np.array([-1.0, 0.0, 2.0]), np.array([0.25, 0.5, 0.25])
    assert slope_against(z, 3.0 + 0.7 * z, share) == pytest.approx(0.7)
    assert slope_against(np.zeros(1), np.array([3.0]), np.ones(1)) == 0.0


@pytest.mark.parametrize("degrees", [math.inf, 8.0])
def test_readings_narrow_a_shift(degrees: float) -> None:
    z = np.linspace(-4, 4, 2001)
    share = stats.norm.pdf(z, 0.6, 0.4)
    share /= share.sum()
    prior = shift(0.2, degrees)
    after = posterior_of_shift(prior, z, share)
    assert after.value == pytest.approx(5.0 + 0.6 * 0.2, abs=1e-4)
    # Half of the central 68.27 % of a normal law is one standard deviation.
    tail = 0.15865525393145707
    one = 1.0 if math.isinf(degrees) else float(stats.t.isf(tail, degrees))
    rising = degrees * (one / 0.4) ** 4
    assert after.degrees_of_freedom == pytest.approx(rising, rel=1e-3)
    wide = 1.0 if math.isinf(rising) else float(stats.t.isf(tail, rising))
    assert after.standard_uncertainty == pytest.approx(0.4 * 0.2 / wide, rel=1e-3)


@pytest.mark.parametrize("offset", [0.0, 0.05, 0.1])
def test_many_units_at_one_shift_are_no_steps_of_it(offset: float) -> None:
    # A normal posterior of deviation 0.8 about 0.03, on shifts 0.2 apart with 40 units at each, as
    # the quadrature gives it: cumulated node by node the width came out in steps of 0.1.
    places = np.arange(-6, 6.1, 0.2) + offset
    weight = norm.pdf(places, 0.03, 0.8)
    rng = np.random.default_rng(3)
    units = rng.dirichlet(np.ones(40), size=places.size)
    share = (weight / weight.sum())[:, None] * units
    prior = Quantity(value=60.0, standard_uncertainty=0.5, unit="div")
    found = posterior_of_shift(prior, np.repeat(places, 40), share.ravel())
    assert found.standard_uncertainty == pytest.approx(0.8 * 0.5, rel=0.01)
    assert found.value == pytest.approx(60 + 0.03 * 0.5, abs=0.01 * 0.4)


def test_fall_and_unit_of_a_fit_are_those_of_least_squares() -> None:
    # Whole numbers beyond doubt, the scatter as predicted and 48 falls: the covariance of unit and
    # fall is the inverse of the information of all readings.
    page, apparatus, truth = SimulatedBench(falls=8, imbalance=0.0).simulate(rng=11)
    falls = page[page["V"] == 0]
    page = pd.concat(
        [page, *[falls.assign(divisions=falls["divisions"] + i % 2) for i in range(5)]]
    )
    run = charge.Run(page, apparatus)
    fit = run.fit((0.7 * truth["unit"], 1.4 * truth["unit"]), sigma="predicted")
    assert abs(fit.integers).tolist() == truth["units"]
    prior = fit.fall_added.standard_uncertainty
    rows = np.column_stack([fit.integers, -np.ones(len(fit.integers))])
    rows = rows / np.asarray(fit.readings.sigma)[:, None]
    covariance = np.linalg.inv(rows.T @ rows + np.diag([0, prior**-2]))
    # The steps of the shift left up to a tenth.
    assert fit.fall.standard_uncertainty == pytest.approx(math.sqrt(covariance[1, 1]), rel=0.02)
    slope = covariance[0, 1] / covariance[1, 1]
    assert fit.fall_slope == pytest.approx(slope, rel=0.02)


def _few_falls() -> tuple[charge.Run, dict[str, dict[str, str]]]:
    """Twenty-four readings of eight states, and three falls that scatter."""
    rng, states, volts, moved = np.random.default_rng(3), [], [], []
    for i, k in enumerate([3, 4, 5, 7, 8, 9, 6, 5]):
        falls = int(i < 3)
        states += [str(i)] * (3 + falls)
        volts += [219] * 3 + [0] * falls
        moved += [*(k * 10.2 - 60.8 + rng.normal(0, 0.6, 3)), *(-60.8 + rng.normal(0, 1.6, falls))]
    page = {"state": states, "V": volts, "div": np.round(moved, 1), "t (s)": [10] * len(moved)}
    plates = {"separation": "4.24(2) mm", "voltage": "219 +/- 0.5 V"}
    bench = {"plates": plates, "sphere": {"weight": "5.15(4)e-14 N"}}
    return charge.Run(page, bench), bench


def _holds_the_fall_once(run: charge.Run, found: object) -> None:
    own = run.unit_in_coulombs(run.fit()).budget.set_index("input")
    budget = run.unit_in_coulombs(found).budget.set_index("input")
    unit = own["standard_uncertainty"]["unit"]
    assert budget["standard_uncertainty"]["unit"] == pytest.approx(unit, rel=0.1)
    # Added, the fall moves the unit by nearly as much as it is divided by; it was -1.
    assert budget["exponent"]["fall"] == pytest.approx(own["exponent"]["fall"], abs=0.03)


def test_the_error_of_the_fall_counts_once_for_chosen_readings() -> None:
    run, _ = _few_falls()
    _holds_the_fall_once(run, qz.fit_mixture(run.readings().select(np.arange(24) != 5), (6, 16)))


@pytest.mark.slow
def test_the_error_of_the_fall_counts_once_for_a_sample() -> None:
    # That of the fall is half of the variance of the unit: in its line and in that of the fall.
    run, _ = _few_falls()
    _holds_the_fall_once(run, qz.sample_mixture(run.readings(), (6, 16), draws=500, rng=1))
    # Drawn with an offset that is free, the unit holds nothing of the fall.
    free = qz.MixtureModel(offset="free")
    sampled = qz.sample_mixture(run.readings(), (6, 16), model=free, draws=500, rng=1)
    budget = run.unit_in_coulombs(sampled).budget.set_index("input")
    assert budget["standard_uncertainty"]["unit"] == pytest.approx(sampled.unit_err)


def test_a_stated_fall_counts_once_with_the_run_and_without() -> None:
    run, bench = _few_falls()
    page = run.table[run.table["voltage"] > 0][["state", "voltage", "divisions", "seconds"]]
    bench = bench | {"fall": {"divisions": "60.8 +/- 0.3 div"}}
    driven = charge.Run(page, bench)
    found = qz.fit_mixture(driven.readings(), (6, 16))
    with_run, without = (
        charge.unit_in_coulombs(found, bench, run=one, trials=200) for one in (driven, None)
    )
    assert without.standard_uncertainty == pytest.approx(with_run.standard_uncertainty)


def test_the_error_of_a_held_level_stays_with_the_unit() -> None:
    # Without a fall there is no other line that it could stand in.
    rng, n = np.random.default_rng(3), np.repeat([0, 3, 4, 5, 7], [1, 4, 4, 4, 4])
    page = {"state": n, "V": [219] * 17, "div": np.round(10.2 * n + rng.normal(0, 0.5, 17), 1)}
    bench = {
        "plates": {"separation": "4.24(2) mm"},
        "sphere": {"diameter": "1.03(1) um"},
        "reticle": {"division": "10.00(2) um"},
        "air": {"temperature": "21 +/- 1 degC", "pressure": "1013 +/- 5 hPa"},
        "run": {"held_state": "0", "interval": "10 s"},
    }
    run = charge.Run(page, bench)
    fit = run.fit((6, 16))
    assert fit.unit_err > 1.3 * fit.unit_err_given_fall
    budget = run.unit_in_coulombs(fit).budget.set_index("input")
    assert budget["standard_uncertainty"]["unit"] == pytest.approx(fit.unit_err)
