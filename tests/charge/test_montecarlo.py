"""Propagation of distributions against the worked examples of JCGM 101.

Tolerances are five standard errors of the trials made: a false alarm in about two million.
"""

import dataclasses
import math
import re

import numpy as np
import pytest

from quantize._support.errors import InputError
from quantize.charge.coulombs import unit_in_coulombs
from quantize.charge.montecarlo import (
    check_linear,
    monte_carlo,
    monte_carlo_many,
)
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity

TRIALS = 400_000


def total(*values):
    return sum(values)


def four(distribution, spreads=(1.0, 1.0, 1.0, 1.0)):
    return {
        f"x{i}": Quantity(value=0.0, standard_uncertainty=u, distribution=distribution)
        for i, u in enumerate(spreads)
    }


@pytest.mark.parametrize(
    ("inputs", "u", "end", "density_at_end"),
    [
        # JCGM 101:2008, 9.2.2: four normal inputs; 9.2.3: four rectangular inputs, sd 1 each.
        (four("normal"), 2.0, 3.92, 0.0292),
        (four("rectangular"), 2.0, 3.8794, 0.033),
        # 9.2.4: one rectangular input of sd 10 (printed end from memory, recomputed).
        (four("rectangular", (1.0, 1.0, 1.0, 10.0)), 10.149, 17.01, 0.026),
    ],
)
def test_additive_model(inputs, u, end, density_at_end):
    found = monte_carlo(total, inputs, trials=TRIALS, rng=1)
    error_of_end = math.sqrt(0.025 * 0.975 / TRIALS) / density_at_end
    assert found.standard_uncertainty == pytest.approx(u, abs=5 * u / math.sqrt(TRIALS))
    assert found.symmetric[0] == pytest.approx([-end, end], abs=5 * error_of_end + 0.005)


def test_linear_fails_where_one_rectangle_dominates_and_says_so():
    # JCGM 101:2008, 9.2.4: linear ±19.89, Monte Carlo ±17.01.
    linear = propagate(total, four("rectangular", (1.0, 1.0, 1.0, 10.0)))
    assert linear.interval(0.95)[0] == pytest.approx([-19.89, 19.89], abs=0.005)
    found = check_linear(linear, trials=TRIALS, rng=2)
    assert found.agrees is False
    assert "WARNING" in str(found)
    assert check_linear(propagate(total, four("normal")), trials=TRIALS, rng=2).agrees


@pytest.mark.parametrize(
    ("x1", "mean", "u", "linear"),
    [(0.0, 50, 50, 0), (0.010, 150, 112, 100), (0.050, 2550, 503, 500)],
)
def test_comparison_loss(x1, mean, u, linear):
    # JCGM 101:2008, 9.4: y = x1² + x2², u = 0.005 each, x2 = 0; numbers in 1e-6.
    inputs = {
        "x1": Quantity(value=x1, standard_uncertainty=0.005),
        "x2": Quantity(value=0.0, standard_uncertainty=0.005),
    }

    def model(a, b):
        return a**2 + b**2

    first_order = propagate(model, inputs)
    assert first_order.standard_uncertainty * 1e6 == pytest.approx(linear, abs=0.5)
    found = monte_carlo(model, inputs, trials=TRIALS, rng=3)
    assert found.value * 1e6 == pytest.approx(mean, abs=5 * u / math.sqrt(TRIALS) + 0.5)
    assert found.standard_uncertainty * 1e6 == pytest.approx(u, rel=0.015)
    if x1 == 0:
        assert check_linear(first_order, trials=TRIALS, rng=3).agrees is False


def test_end_gauge_has_34_nanometres(end_gauge, gauge):
    # JCGM 100:2008, H.1.7: with the terms of second order u_c is 34 nm, where first order gives
    # 32 nm. Normal shapes, as the Guide's second-order formula assumes.
    plain = {
        name: dataclasses.replace(q, distribution="normal", degrees_of_freedom=math.inf)
        for name, q in gauge.items()
    }
    found = monte_carlo(end_gauge, plain, trials=TRIALS, rng=4)
    assert found.standard_uncertainty == pytest.approx(34, abs=0.5)


def test_three_repeats_are_student_and_not_normal():
    # The mean of three with standard error u covers 95 % at ±4.303 u (t table, 2 degrees of
    # freedom); taken as normal it would be ±1.96 u.
    inputs = {
        "x": Quantity(value=0, standard_uncertainty=1, distribution="t", degrees_of_freedom=2)
    }
    found = monte_carlo(lambda x: x, inputs, trials=TRIALS, rng=5)
    density = 0.0127  # of t with 2 degrees of freedom at 4.303
    error = math.sqrt(0.025 * 0.975 / TRIALS) / density
    assert found.symmetric[0][1] == pytest.approx(4.303, abs=5 * error)


def test_a_few_trials_without_sense_are_left_out():
    # A length of 1 from three repeats: of Student's t with 2 degrees of freedom 1/(2·50²) or so
    # lie below -50, where a length of error 0.02 is negative. The others give the t that is cut
    # off there, whose quantiles hardly move; with 1/(2·10²) too many make no sense.
    def length(error):
        return {
            "x": Quantity(
                value=1, standard_uncertainty=error, distribution="t", degrees_of_freedom=2
            )
        }

    found = monte_carlo(np.log, length(0.02), trials=TRIALS, rng=5)
    assert 40 < TRIALS - found.trials < 120
    density = 0.0127 / 0.02 * math.exp(math.log1p(0.02 * 4.303))
    error = math.sqrt(0.025 * 0.975 / TRIALS) / density
    assert found.symmetric[0][1] == pytest.approx(math.log1p(0.02 * 4.303), abs=6 * error)
    with pytest.raises(InputError, match=r"no finite value in .* of 400000 trials"):
        monte_carlo(np.log, length(0.1), trials=TRIALS, rng=5)


def test_an_input_that_reaches_below_zero_is_named():
    bench = {
        "plates": {"separation": "4.2 mm", "voltage": "227 V"},
        "sphere": {"density": "1055 kg/m3"},
        "reticle": {"division": "25 +/- 9 um"},
        "air": {"temperature": "21 degC", "pressure": "1013 hPa"},
        "run": {"interval": "10 s"},
        "fall": {"divisions": "60.8 +/- 0.2 div"},
    }
    # 2.8 standard errors of a normal law: 55 of 20,000 lie below zero, and 20 are too many.
    with pytest.raises(InputError) as caught:
        unit_in_coulombs(10.0, bench, unit_err=0.1, rng=1)
    said = str(caught.value)
    share = re.search(r"in (\d+) of 20,000 draws no result follows from them", said)
    assert share is not None
    assert abs(int(share[1]) - 55) < 4 * 55**0.5
    assert "`reticle.division` (2.5e-05 ± 9e-06 m/div) reaches to zero and below" in said
    assert "`model`" not in said


def test_adaptive_number_of_trials_settles():
    found = monte_carlo(total, four("normal"), rng=6)
    assert found.settled
    assert found.trials % 10_000 == 0
    assert found.standard_uncertainty == pytest.approx(2.0, abs=0.05)


def test_correlated_inputs():
    pair = {n: Quantity(value=0.0, standard_uncertainty=1.0) for n in "ab"}
    found = monte_carlo(
        lambda a, b: a - b, pair, trials=TRIALS, correlations={("a", "b"): 0.9}, rng=7
    )
    assert found.standard_uncertainty == pytest.approx(math.sqrt(0.2), rel=5 / math.sqrt(TRIALS))


@pytest.mark.parametrize("kind", ["t", "rectangular", "normal"])
def test_an_error_that_two_inputs_share_cancels_with_its_tails(kind):
    few = {"degrees_of_freedom": 3.0} if kind == "t" else {}
    pair = {
        n: Quantity(value=4.0, standard_uncertainty=0.08, distribution=kind, **few) for n in "ab"
    }
    found = monte_carlo(
        lambda a, b: a / b, pair, trials=2000, correlations={("a", "b"): 1.0}, rng=3
    )
    assert found.standard_uncertainty < 1e-9
    # Added, it is twice as large; 2.5 % of Student's t of 3 degrees lie beyond 3.18 of its scale.
    ends = monte_carlo(
        lambda a, b: a + b, pair, trials=TRIALS, correlations={("a", "b"): 1.0}, rng=3
    ).symmetric[0]
    reach = {"t": 3.182, "rectangular": 0.95 * math.sqrt(3), "normal": 1.960}[kind]
    assert (ends - 8) / 0.16 == pytest.approx([-reach, reach], rel=0.02)


def test_shortest_interval_of_a_skew_sample():
    # The shortest 95 % interval of an exponential starts at zero and ends at -ln 0.05.
    values = np.random.default_rng(8).exponential(size=TRIALS)
    nothing = {"x": Quantity(value=0.0)}
    found = monte_carlo(lambda x: x + values, nothing, trials=TRIALS, prob=0.95, rng=1)
    low, high = found.shortest[0]
    assert low < 0.001
    assert high == pytest.approx(-math.log(0.05), abs=5 * math.sqrt(0.95 / 0.05 / TRIALS))


def test_same_seed_same_answer_and_many_agrees_with_one():
    shared = {"scale": Quantity(value=2.0, standard_uncertainty=0.1)}
    individual = {"x": ([1.0, 3.0], [0.1, 0.2])}

    def model(x, scale):
        return x * scale

    first = monte_carlo_many(model, individual, shared, trials=20_000, rng=9)
    again = monte_carlo_many(model, individual, shared, trials=20_000, rng=9)
    assert np.array_equal(first, again)
    alone = monte_carlo(
        lambda x, s: x * s,
        {"x": Quantity(value=3.0, standard_uncertainty=0.2), **shared},
        trials=20_000,
        rng=10,
    )
    assert first[1, 1] == pytest.approx(alone.standard_uncertainty, rel=0.05)


def test_bad_models_are_refused():
    with pytest.raises(InputError, match="no finite value"):
        monte_carlo(
            lambda x: np.log(x) + 0 * x,
            {"x": Quantity(value=0.0, standard_uncertainty=0.0)},
            trials=1000,
        )
    with pytest.raises(InputError, match=r"no finite value in .* of 2000 trials"):
        monte_carlo_many(
            lambda x: np.log(x), {"x": ([1.0, 0.1], [0.1, 0.1])}, {}, trials=1000, rng=1
        )
