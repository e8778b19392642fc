"""The unit of a run, the balance charge, and the scatter that is predicted."""

import math

import numpy as np
import pytest

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge import SimulatedBench, drag
from quantize.charge.noise import first_passage_excess, over_fixed_distance
from quantize.charge.rows import predicted_scatter

APPARATUS = {
    "plates": {"separation": "4 mm", "voltage": "200 V"},
    "sphere": {"diameter": "2 um", "density": "1050 kg/m3"},
    "reticle": {"division": "25 um"},
    "watch": {"press": "0.1 s"},
    "air": {"temperature": "293.15 K", "pressure": "101325 Pa"},
    "run": {"interval": "10 s"},
}


def test_predicted_scatter_term_by_term():
    page = {
        "V": [200.0, 200.0, 0.0],
        "div": [20.0, 20.0, -40.0],
        "t": [10.0] * 3,
        "state": list("aab"),
    }
    found = predicted_scatter(charge.read_run(page, APPARATUS))
    slip = charge.SlipCorrection().factor(2e-6, 293.15, 101325.0)
    mobility = drag.mobility(2e-6, charge.Air().viscosity, slip)
    walk = math.sqrt(2 * 1.380649e-23 * 293.15 * mobility * 10) / 25e-6
    assert found.brownian == pytest.approx([walk, walk], rel=1e-6)
    # Both ends rounded: the difference of two uniform errors is a triangle of sd 0.41 h.
    assert found.rounding == pytest.approx([1 / math.sqrt(6)] * 2)
    # Two presses of the hand, at the mean speed of the state: 2 div/s.
    assert found.watch == pytest.approx([math.sqrt(2) * 0.1 * 2.0] * 2)
    assert found.total == pytest.approx(
        np.sqrt(found.brownian**2 + found.rounding**2 + found.watch**2)
    )


def test_predicted_scatter_is_what_simulated_benches_show():
    # 40 runs of 24 degrees of freedom each: the pooled ratio has relative error 1/sqrt(2·960).
    ratios = []
    for seed in range(40):
        page, apparatus, _ = SimulatedBench(weight_known=0.001).simulate(rng=seed)
        run = charge.read_run(page, apparatus)
        ratios.append((run.scatter()[0] / np.sqrt(np.mean(predicted_scatter(run).total ** 2))) ** 2)
    assert math.sqrt(np.mean(ratios)) == pytest.approx(1, abs=5 / math.sqrt(2 * 960) + 0.01)


def test_invented_scenario_finds_unit_integers_and_balance():
    page, apparatus, truth = SimulatedBench(imbalance=0.0).simulate(rng=21)
    found = charge.read_run(page, apparatus).fit((3, 40), sigma="predicted")
    assert found.unit == pytest.approx(truth["unit"], abs=5 * found.unit_err)
    assert found.integers.tolist() == truth["units"]
    assert found.balance.integer == truth["held"]
    assert found.balance.probability > 0.8
    assert found.unit_err > found.unit_err_given_fall
    low, high = found.interval(0.95)[0]
    assert low < found.unit < high
    assert (high - low) / 4 == pytest.approx(found.unit_err, rel=0.2)
    assert found.alternatives["share"].sum() == pytest.approx(1, abs=0.01)


def test_balance_is_undecidable_by_the_stated_rule():
    # Undecidable when the error of F/u passes a quarter of a unit.
    page, apparatus, truth = SimulatedBench().simulate(rng=22)
    page = page[page["V"] > 0]
    for error, known in ((0.1, True), (0.6, False)):
        apparatus["fall"] = {
            "divisions": f"{truth['fall']:.3f} +/- {error * truth['unit']:.3f} div"
        }
        found = charge.read_run(page, apparatus).fit((3, 40), sigma="predicted")
        assert (
            found.balance.integer is not None
        ) is known or found.balance.standard_uncertainty < 0.25


def test_held_rows_tell_the_zero_when_no_fall_is_known():
    page, apparatus, truth = SimulatedBench().simulate(rng=23)
    page = page[page["V"] > 0]
    apparatus["run"]["held_state"] = "1"
    run = charge.read_run(page, apparatus)
    assert run.offset == "free"
    found = run.fit((3, 40), sigma="predicted")
    assert found.unit == pytest.approx(truth["unit"], abs=5 * found.unit_err)
    assert found.integers.tolist() == [n - 6 for n in truth["units"][4:]]
    assert found.balance is None


def test_several_voltages_need_a_fall():
    page = {"V": [200.0, 100.0, 200.0], "div": [5.0, -20.0, 9.0], "t": [10.0] * 3}
    with pytest.raises(InputError, match="measure the fall"):
        charge.read_run(page).fit()


def test_fixed_distance_bias_is_removed():
    # First passage of a Brownian walker with drift: the time is inverse Gaussian (mean L/v,
    # shape L²/(2D)), and the mean of L/t is high by 2D/L (Folks and Chhikara 1978).
    rng = np.random.default_rng(24)
    length, speed, diffusion, n = 2e-4, 2e-5, 1.2e-11, 200_000
    times = rng.wald(length / speed, length**2 / (2 * diffusion), size=n)
    naive = (length / times).mean() - speed
    error = (length / times).std() / math.sqrt(n)
    assert naive == pytest.approx(2 * diffusion / length, abs=5 * error)
    few = length / times[:20_000] - float(first_passage_excess(length, diffusion))
    assert np.mean(few) == pytest.approx(speed, abs=5 * np.std(few) / math.sqrt(20_000))
    # The error of one passage, by its stated law.
    law = over_fixed_distance(speed, length, diffusion=diffusion)
    assert np.std(few) == pytest.approx(float(law.total), rel=0.08)


def test_tracks_by_generalised_least_squares():
    # Under Brownian steps and localisation error the generalised line is honest about its own
    # error, and better than a plain straight line.
    rng = np.random.default_rng(25)
    scale = charge.Reticle(division="25 um")
    t = np.arange(21) * 0.5
    diffusion, speed, noise = 1.2e-11, 5e-5, 0.05
    found, plain = [], []
    for _ in range(2000):
        walk = np.concatenate([[0], np.cumsum(rng.normal(0, math.sqrt(diffusion), size=20))])
        y = (speed * t + walk) / 25e-6 + rng.normal(0, noise, size=21)
        found.append(scale.track(t, y, diffusion=diffusion, localisation=noise))
        plain.append(np.polyfit(t, y * 25e-6, 1)[0])
    values = np.array([f.value for f in found])
    claimed = found[0].standard_uncertainty
    # Standard error of a standard deviation from 2000: 1.6 %; five of them.
    assert values.std() == pytest.approx(claimed, rel=0.08)
    assert values.mean() == pytest.approx(speed, abs=5 * claimed / math.sqrt(2000))
    assert values.std() < np.std(plain)
    # Pure walk: a straight line has 1.2 times the variance of the end points (elementary).
    assert np.var(plain) / (2 * diffusion / t[-1]) == pytest.approx(1.2, abs=0.15)


def test_rounding_has_the_spread_of_one_end_or_of_both():
    rng = np.random.default_rng(26)
    start, moved = rng.uniform(0, 1, size=200_000), rng.uniform(0, 50, size=200_000)
    both = np.round(start + moved) - np.round(start) - moved
    one = np.round(moved) - moved
    for errors, words in ((both, "both ends"), (one, "one end")):
        scale = charge.Reticle(division="25 um", rounding=words)
        assert errors.std() == pytest.approx(scale.rounding_sd, rel=5 / math.sqrt(2 * 200_000))


def test_differences_of_neighbours_are_correlated():
    # Why levels go to the estimators and differences do not: correlation -1/2.
    rng = np.random.default_rng(27)
    difference = np.diff(rng.normal(0, 1, size=100_000))
    found = np.corrcoef(difference[:-1], difference[1:])[0, 1]
    assert found == pytest.approx(-0.5, abs=5 / math.sqrt(100_000))


@pytest.mark.slow
def test_a_run_at_fixed_distance_from_page_to_unit():
    # Times of first passage over 15 divisions, drawn from their law (inverse Gaussian).
    rng = np.random.default_rng(28)
    slip = charge.SlipCorrection().factor(2e-6, 293.15, 101325.0)
    mobility = drag.mobility(2e-6, charge.Air().viscosity, slip)
    diffusion = 1.380649e-23 * 293.15 * mobility / 25e-6**2  # divisions²/s
    fall, held, length, rows = 5.5, 6, 15.0, []
    for state, n in enumerate((4, 7, 3, 5, 9, 2, 8)):
        for _ in range(5):
            v = fall * (n / held - 1)
            t = rng.wald(length / abs(v), length**2 / (2 * diffusion))
            rows.append((str(state), 200.0, math.copysign(length, v), t))
        t = rng.wald(length / fall, length**2 / (2 * diffusion))
        rows.append((str(state), 0.0, -length, t))
    page = dict(zip(("state", "V", "div", "t"), zip(*rows, strict=True), strict=True))
    apparatus = {**APPARATUS, "watch": {"press": "0.001 s"}, "run": {"interval": "10 s"}}
    run = charge.read_run(page, apparatus)
    assert run.timing == "fixed distance"
    readings = run.readings(sigma="predicted")
    assert readings.resolution is None
    # Slow passages scatter least in speed: the predicted law goes with the root of the speed.
    order = np.argsort(np.abs(run.moved()))
    assert readings.sigma[order[-1]] > readings.sigma[order[0]]
    truth = [n for n in (4, 7, 3, 5, 9, 2, 8) for _ in range(5)]
    found = run.fit((3, 30), sigma="predicted")
    assert found.integers.tolist() == truth
    assert found.unit == pytest.approx(fall * 10 / held, abs=4 * found.unit_err)


@pytest.mark.slow
def test_a_prediction_that_the_repeats_contradict_is_not_believed():
    # A steady watch stated, a poor thumb used: 24 degrees of freedom see it.
    page, apparatus, truth = SimulatedBench(press=1.0).simulate(rng=31)
    apparatus["watch"]["press"] = "0.01 s"
    run = charge.read_run(page, apparatus)
    assert run.sigma_range() is None
    found = run.fit((0.6 * truth["unit"], 1.6 * truth["unit"]))
    assert "as much as predicted" in found.sigma
    page, apparatus, truth = SimulatedBench().simulate(rng=31)
    run = charge.read_run(page, apparatus)
    low, high = run.sigma_range()
    middle = np.sqrt(np.mean(predicted_scatter(run).total ** 2))
    assert (low * 1.5, high / 1.5) == pytest.approx((middle, middle))
