"""Linear propagation against the worked example of the Guide, and ways to state a result."""

import math

import numpy as np
import pytest

from quantize._support.errors import InputError
from quantize.charge.propagation import propagate
from quantize.charge.quantity import Quantity, from_repeats
from quantize.charge.stated import stated


def test_end_gauge_of_the_guide(end_gauge, gauge):
    # JCGM 100:2008, H.1: u_c 31.71 nm (unrounded), 16 degrees of freedom, U99 = 93 nm.
    found = propagate(end_gauge, gauge, unit="m")
    assert found.value == pytest.approx(50_000_838, abs=0.5)
    assert found.standard_uncertainty == pytest.approx(31.71, abs=0.01)
    assert math.floor(found.degrees_of_freedom) == 16
    assert found.expanded(0.99) == pytest.approx(93, abs=0.5)
    assert found.budget["share"].sum() == pytest.approx(1)


def test_correlation_enters_both_ways():
    # JCGM 100:2008, equation 16: y = a - b with r = 1 and equal uncertainties has none.
    same = {
        "a": Quantity(value=3.0, standard_uncertainty=0.1),
        "b": Quantity(value=2.0, standard_uncertainty=0.1),
    }
    joined = propagate(lambda a, b: a - b, same, correlations={("a", "b"): 1.0})
    assert joined.standard_uncertainty == pytest.approx(0, abs=1e-9)
    opposed = propagate(lambda a, b: a - b, same, correlations={("a", "b"): -1.0})
    assert opposed.standard_uncertainty == pytest.approx(0.2)


@pytest.mark.parametrize(("r", "slopes"), [(0.9, (1, 1)), (0.99, (1, -1)), (0.7, (1, 0.8))])
def test_correlated_means_of_few_repeats_hold_as_often_as_they_say(r, slopes):
    # Four pairs each time; the interval of c₁a + c₂b by the degrees of freedom stated. At
    # least 95 %, five binomial errors of 1,000 below; as for independent inputs it held 88 %.
    rng = np.random.default_rng(4)
    root = np.linalg.cholesky([[1, r], [r, 1]])
    held, many, n = 0, 1000, 4
    for _ in range(many):
        pairs = rng.normal(size=(n, 2)) @ root.T
        errors = pairs.std(axis=0, ddof=1) / math.sqrt(n)
        inputs = {
            name: from_repeats(mean, error, n - 1, scope="reading", unit="1")
            for name, mean, error in zip("ab", pairs.mean(axis=0), errors, strict=True)
        }
        found = propagate(
            lambda a, b: slopes[0] * a + slopes[1] * b, inputs, correlations={("a", "b"): r}
        )
        low, high = found.interval()[0]
        held += low < 0 < high
    assert held / many > 0.95 - 5 * math.sqrt(0.95 * 0.05 / many)


def test_degrees_of_freedom_of_correlated_inputs():
    # By hand: one error added to itself, or taken from itself, has the degrees that it has.
    one = from_repeats(1.0, 0.1, 3, scope="reading", unit="1")
    other = from_repeats(2.0, 0.04, 3, scope="reading", unit="1")
    for sign in (1, -1):
        found = propagate(
            lambda a, b, s=sign: a + s * b, {"a": one, "b": other}, correlations={("a", "b"): 1.0}
        )
        assert found.degrees_of_freedom == pytest.approx(3)


def test_impossible_correlations_are_refused():
    three = {n: Quantity(value=1.0, standard_uncertainty=0.1) for n in "abc"}
    with pytest.raises(InputError, match="contradict each other"):
        propagate(
            lambda a, b, c: a + b + c,
            three,
            correlations={("a", "b"): 1.0, ("b", "c"): 1.0, ("a", "c"): -1.0},
        )


def test_forms_of_the_guide():
    # JCGM 100:2008, 7.2.2, the mass of a standard of nominally 100 g; the digits in groups of
    # three there are not set apart here.
    first, second, fourth = stated(100.02147, 0.00035, "g", symbol="m")
    assert first == "m = 100.02147 g with u_c = 0.00035 g"
    assert second == "m = 100.02147(35) g"
    assert fourth.startswith("m = (100.02147 ± 0.00035) g")


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    [
        (1.6021e-19, 1.5e-21, "1.602(15) × 10⁻¹⁹"),
        (5.0, 0.0996, "5.00(10)"),
        (123456.0, 1200.0, "1.235(12) × 10⁵"),
        (-0.0123, 0.00045, "-0.01230(45)"),
    ],
)
def test_digits_follow_the_uncertainty(value, spread, text):
    assert stated(value, spread)[1] == text
