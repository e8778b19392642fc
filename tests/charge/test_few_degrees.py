"""Checks with few degrees of freedom or no scatter: no alarm from a fit that leaves nothing."""

import collections
import math

import numpy as np
import pytest
from plain_bench import PlainBench

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.rows import residual_voltage

PAGE = {"V": [200.0, 0.0] * 3, "div": [10.0, -60.0, 10.0, -61.0, 11.0, -62.0], "t": [10.0] * 6}


def with_time(run):
    return run.checks().of("the fall stays the same: with time")


def test_three_falls_on_a_line_are_as_rounded_as_any():
    # -60, -61, -62 lie on a line to the last digit. Rounding both ends has sd 1/√6, the slope
    # of x = 1, 3, 5 the sd 1/√6/√8, and the change over the six rows five times that.
    check = with_time(charge.Run(PAGE))
    assert check.level == "good"
    assert check.sentence == (
        "the fall changes by +2.50 ± 0.72 divisions from the first row to the last, in the order "
        "of the rows, as chance explains."
    )
    assert 5 / math.sqrt(6) / math.sqrt(8) == pytest.approx(0.72, abs=0.003)


def test_with_an_apparatus_the_prediction_is_the_floor():
    bench = {
        "sphere": {"diameter": "2 um", "density": "1055 kg/m3"},
        "reticle": {"division": "25 um"},
        "watch": {"press": "0.1 s"},
        "air": {"temperature": "293.15 K"},
    }
    # Root of walk², rounding² and hand²: see the test of one fall in test_fixed_distance.py.
    walk = 2 * 1.380649e-23 * 293.15 * 1.081 / (3 * math.pi * 1.82e-5 * 2e-6) * 10 / 25e-6**2
    one = math.sqrt(walk + 1 / 6 + 2 * (6.1 * 0.1) ** 2)
    sentence = with_time(charge.Run(PAGE, bench)).sentence
    told = float(sentence.split("± ")[1].split()[0])
    assert told == pytest.approx(5 * one / math.sqrt(8), rel=0.05)


def test_falls_without_any_scatter_cannot_tell():
    page = PAGE | {"div": [10.0, -60.123456789, 10.0, -60.123456789, 11.0, -60.123456789]}
    check = with_time(charge.Run(page))
    assert check.level == "unknown"
    assert check.sentence == (
        "the falls show no scatter, so a change cannot be distinguished from none."
    )
    page = {
        "state": list("aabbccdd"),
        "V": [200.0, 0.0] * 4,
        "div": [y for moved in (0.1, 9.9, 20.3, -29.7) for y in (moved, -60.123456789)],
    }
    with pytest.raises(InputError, match="lie on one line to the last digit"):
        residual_voltage(charge.Run(page))


@pytest.mark.slow
@pytest.mark.parametrize(
    "few",
    [
        {"falls": 3, "repeats": 3},
        {"falls": 4, "repeats": 1, "states": (6, 4, 7, 3, 5)},
        {"falls": 3, "repeats": 2, "press": 0.001, "interval": 2.0, "states": (6, 4, 7, 3)},
        {"falls": 3, "repeats": 2, "step": 0.5},
    ],
    ids=["three falls", "no repeats", "hardly any scatter", "half divisions"],
)
@pytest.mark.filterwarnings("ignore::quantize._support.errors.QuantizeWarning")
def test_sound_pages_with_little_on_them_pass(rng, few):
    # No check doubts a sound page more often than 1 in 100, or calls it bad more often than 1 in
    # 10,000. On 15 pages: more than 2 doubts of one check have a probability of 4e-3 (ten checks),
    # more than one bad of 1e-4.
    bench, doubt, bad = PlainBench(weight_of="this sphere", **few), collections.Counter(), 0
    for _ in range(15):
        drawn = bench.draw(rng)
        run = charge.Run(drawn.page, drawn.apparatus)
        found = run.checks(Told(bench, drawn.truth["A"]))
        doubt.update(c.name for c in found.checks if c.level == "doubt")
        bad += sum(c.level == "bad" for c in found.checks)
    assert max(doubt.values(), default=0) <= 2
    assert bad <= 1


class Told:
    """What a check needs of an analysis: the truth."""

    def __init__(self, bench, truth):
        self.unit, self.unit_err = truth["unit"], 0.002 * truth["unit"]
        self.integers = np.repeat(bench.states, bench.repeats).astype(float)


def test_far_tails_of_few_falls_do_not_bend_the_slope_of_the_unit():
    # Student's t of three falls reaches a whole unit, where other whole numbers fit the same unit.
    page, apparatus, _ = charge.SimulatedBench(falls=3).simulate(rng=4)
    fit = charge.Run(page, apparatus).fit((6, 16))
    n = fit.integers
    assert fit.fall_slope == pytest.approx(n.sum() / (n @ n), rel=0.03)
    assert fit.unit_err_given_fall == pytest.approx(fit.mixture.sigma / np.sqrt(n @ n), rel=0.1)
