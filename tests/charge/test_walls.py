"""Plates beside a sphere: drag and image charge by elementary physics, and what is said of them."""

import math
import re

import numpy as np
import pytest
from plain_bench import PlainBench
from scipy import constants
from scipy.integrate import quad

from quantize import charge
from quantize.charge import drag


def test_the_coefficient_of_two_plates_is_its_integral():
    # A point force midway: its field is sent back by both plates so that nothing moves on them.
    # Of each Hankel component A cosh kz + B kz sinh kz of the field sent back, A at k is what
    # acts on the sphere; no slip at z = l gives two equations for A and B.
    def sent_back(x):
        c, s, e = math.cosh(x), math.sinh(x), math.exp(-x)
        matrix = np.array([[c, x * s], [s, s + x * c]])
        return -np.linalg.solve(matrix, [-(1 + x) * e, x * e])[0]

    area, _ = quad(sent_back, 1e-6, 40)
    assert 0.75 * area == pytest.approx(drag.ACROSS, abs=1e-4)
    # One plate alone: 9/8 (Lorentz 1907), two of them less than twice that.
    assert 9 / 8 < drag.ACROSS < 9 / 4
    assert drag.slowing(8e-6, 1e-3) == pytest.approx(1.4516 * 4e-6 / 0.5e-3)


def test_the_image_pulls_as_coulomb_s_law_says():
    # Equal and opposite charges twice the distance of the plane apart.
    q, gap = 10 * constants.e, 4e-3
    coulomb = q**2 / (4 * math.pi * constants.epsilon_0 * gap**2)
    assert drag.image_pull(q, gap) == pytest.approx(coulomb, rel=1e-12, abs=0)


def said(rng, **bench):
    drawn = PlainBench(weight_of="this sphere", **bench).draw(rng)
    return charge.Run(drawn.page, drawn.apparatus).checks().of("the plates are far away")


def test_what_is_said_depends_on_sphere_and_plates(rng):
    far = said(rng, diameter=1e-6, separation=20e-3)
    assert far.level == "good"
    assert far.number == pytest.approx(1.4516 * 1e-6 / 20e-3, rel=0.02)
    assert re.search(r": negligible beside the \d\.\d+ % of everything else\.$", far.sentence)
    assert " mm apart slow a sphere of 1 µm midway by 0.007" in far.sentence
    near = said(rng, diameter=8e-6, separation=1e-3)
    assert near.level == "doubt"
    assert near.number == pytest.approx(0.0116, rel=0.02)
    assert "slow a sphere of 8 µm midway by 1.2 % (1.45 times its radius over" in near.sentence
    # Fall and rise goes with the power 3/(2-ε) of the drag, 1.5 and a little more.
    share = near.sentence.split("too small by ")[1].split()[0]
    assert float(share) == pytest.approx(1.5 * 1.16, rel=0.05)
    assert near.sentence.endswith(
        " of everything else; take a smaller sphere, or plates further apart."
    )
    assert ": NOT negligible beside the 0." in near.sentence


def test_the_pull_is_that_of_the_largest_charge():
    # By hand: nine units of the page, each w·d/6V: (1.5·w·d/V)² /(16 pi eps0 (d/2)²) over w.
    drawn = PlainBench(weight_of="this sphere", imbalance=0.0).draw(np.random.default_rng(2))
    sentence = charge.Run(drawn.page, drawn.apparatus).checks().of("the plates").sentence
    weight = drawn.truth["A"]["weight"]
    volts = drawn.truth["A"]["shown"]
    share = 1.5**2 * weight / (4 * math.pi * constants.epsilon_0 * volts**2)
    told = float(sentence.split("pulls with ")[1].split()[0])
    assert told == pytest.approx(share, rel=0.3)


def test_what_cancels_is_said_to_cancel(rng):
    drawn = PlainBench(weight_of="this sphere", diameter=8e-6, separation=1e-3).draw(rng)
    drawn.apparatus["reticle"] = {}
    check = charge.Run(drawn.page, drawn.apparatus).checks().of("the plates")
    assert check.level == "good"
    assert "which cancels in the ratio of unit and fall" in check.sentence


def test_without_a_size_or_plates_nothing_is_claimed():
    run = charge.Run({"V": [219, 219, 0], "div": [12, -9, -61], "t (s)": [10, 10, 10]})
    assert not [c for c in run.checks().checks if "plates" in c.name or "wall" in c.sentence]
