"""Rounding to two digits of the uncertainty; odds, chances and shares never claim too much."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from quantize.charge.stated import plus_minus as in_sentence
from quantize.null import calibration
from quantize.show import facts, numbers
from quantize.show.numbers import brackets, decimals_of, plus_minus, rounded, significant


@pytest.mark.parametrize(
    ("value", "uncertainty", "both", "short"),
    [
        (4.90894, 0.00457, "4.9089 ± 0.0046", "4.9089(46)"),
        (9.96, 9.96, "10 ± 10", "10(10)"),
        (1.0, 0.0996, "1.00 ± 0.10", "1.00(10)"),
        (0.99999, 0.0995, "1.00 ± 0.10", "1.00(10)"),
        (9.9999, 0.095, "10.000 ± 0.095", "10.000(95)"),
        (-4.9, 0.0046, "-4.9000 ± 0.0046", "-4.9000(46)"),
        (1.602e-19, 1e-21, "(1.602 ± 0.010) × 10⁻¹⁹", "1.602(10) × 10⁻¹⁹"),
        (0.0, 1e-19, "(0.0 ± 1.0) × 10⁻¹⁹", "0.0(10) × 10⁻¹⁹"),
        (0.0, 0.5, "0.00 ± 0.50", "0.00(50)"),
        (123456.0, 1234.0, "(1.235 ± 0.012) × 10⁵", "1.235(12) × 10⁵"),
        (1e250, 1e248, "(1.000 ± 0.010) × 10²⁵⁰", "1.000(10) × 10²⁵⁰"),
        (0.0, 0.0, "0", "0"),
        (2.5, 0.0, "2.5", "2.5"),
        (2.5, 1e-17, "2.5", "2.5"),
        (1e-310, 1e-312, "1e-310", "1e-310"),
        (2.5, math.nan, "2.5 ± unknown", "2.5(?)"),
        (2.5, math.inf, "2.5 ± unknown", "2.5(?)"),
        (math.nan, 0.1, "unknown", "unknown"),
        (math.inf, 0.1, "infinite", "infinite"),
    ],
)
def test_awkward_numbers(value: float, uncertainty: float, both: str, short: str) -> None:
    assert plus_minus(value, uncertainty) == both
    assert brackets(value, uncertainty) == short


def test_the_forms_of_the_guide() -> None:
    # JCGM 100:2008, 7.2.2: m = 100.021 47 g with u_c = 0.35 mg.
    assert brackets(100.02147, 0.00035, "g") == "100.02147(35) g"
    assert plus_minus(100.02147, 0.00035, "g") == "(100.02147 ± 0.00035) g"
    # JCGM 100:2008, 7.2.6 (from memory): 10.057 62 ohm with 27 mohm becomes 10.058 ohm,
    # and 28.05 kHz is rounded down to 28 kHz.
    assert rounded(10.05762, 0.027) == "10.058"
    assert brackets(100.0, 28.05) == "100(28)"


@given(
    value=st.floats(-900, 900),
    uncertainty=st.floats(2e-4, 90).map(lambda u: float(f"{u:.6g}")),
)
def test_agrees_with_a_general_library(value: float, uncertainty: float) -> None:
    theirs = f"{ufloat(value, uncertainty):.2uf}"
    number, _, spread = theirs.partition("+/-")
    # Ties may fall either way; a hundredth of the last place tells them apart.
    place = uncertainty * 10 ** decimals_of(uncertainty) % 1
    at = abs(value) * 10 ** decimals_of(uncertainty) % 1
    if min(abs(place - 0.5), abs(at - 0.5)) < 1e-6:
        return
    ours = plus_minus(value, uncertainty)
    if "×" not in ours:
        assert [float(part) for part in ours.split(" ± ")] == [float(number), float(spread)]
        assert len(ours.split(" ± ")[1]) == len(spread)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (31.784, 4, "31.78"),
        (2.5, 4, "2.500"),
        (0.0, 3, "0.00"),
        (1.62e-19, 2, "1.6 × 10⁻¹⁹"),
        (123456.0, 2, "1.2 × 10⁵"),
        (100.0, 3, "100"),
        (math.nan, 3, "unknown"),
        (-math.inf, 3, "minus infinite"),
    ],
)
def test_significant_digits(value: float, digits: int, text: str) -> None:
    assert significant(value, digits) == text


def test_decimals() -> None:
    assert [decimals_of(u) for u in (0.0046, 0.0996, 1.0, 35.0, 0.0, math.nan)] == [
        4,
        2,
        1,
        0,
        0,
        0,
    ]
    assert decimals_of(0.01, digits=1) == 2


@pytest.mark.parametrize(
    ("value", "uncertainty", "said"),
    [
        (2.1234, 1.4901, "2.1 ± 1.5"),
        (-0.3399, 0.5412, "-0.34 ± 0.54"),
        (61.284, 0.0996, "61.28 ± 0.10"),
        (99.96, 9.96, "100 ± 10"),
        (-0.001, 0.5, "0.00 ± 0.50"),
        (1234.5, 123.4, "1230 ± 120"),
        (0.2, 0.0, "0.2 ± 0"),
        (1.0, float("nan"), "1 ± nan"),
    ],
)
def test_values_within_sentences_have_two_digits_of_their_uncertainty(
    value: float, uncertainty: float, said: str
) -> None:
    # JCGM 100:2008, 7.2.6.
    assert in_sentence(value, uncertainty) == said


@pytest.mark.parametrize(
    ("factor", "text"),
    [
        (1.0, "about even"),
        (1.4, "about even"),
        (2.0, "2 to 1"),
        (4.14, "4.1 to 1"),
        (0.25, "1 to 4"),
        (20.0, "20 to 1"),
        (5300.0, "5,300 to 1"),
        (5e5, "500,000 to 1"),
        (2e6, "more than a million to 1"),
        (1e-9, "1 to more than a million"),
    ],
)
def test_odds(factor: float, text: str) -> None:
    assert calibration.odds(math.log(factor)) == text


def test_odds_of_what_is_unknown() -> None:
    assert calibration.odds(math.nan) == "unknown"
    assert calibration.odds(math.inf) == "more than a million to 1"


@pytest.mark.parametrize(
    ("mixture", "best", "stated"),
    [
        (25.0, 0.04, "the odds are 25 to 1 for steps, if steps and none were equally likely"),
        (0.04, 0.02, "the odds are 25 to 1 against steps, if steps and none were equally likely"),
        (1.1, 0.5, "the odds are about even, if steps and none were equally likely"),
    ],
)
def test_odds_say_against_what_they_are(mixture: float, best: float, stated: str) -> None:
    found: Any = SimpleNamespace(
        log_bayes_factor_mixture=math.log(mixture),
        log_bayes_factor=math.log(best),
        log_bayes_factors={"continuous: uniform": 9.0, "heaped": math.log(best)},
    )
    said = facts.compared(found)
    assert stated in said
    assert said.startswith("Against data without steps of every kind in the table, in equal shares")
    assert (
        "the kind that explains these readings best, picked after they were seen (values of any "
        f"size, some rounded), the odds are {calibration.odds(-math.log(best))} against steps"
        in said
    )
    found.log_bayes_factor_mixture = -math.inf
    assert facts.compared(found).startswith("No odds are given: at no unit tried")


def test_shares_are_never_a_false_nought_or_whole() -> None:
    assert calibration.share(1.0) == "> 99.9 %"
    assert calibration.share(1e-9) == "< 0.1 %"
    assert calibration.share(0.25) == "25.0 %"
    assert numbers.probability(1.0) == "> 0.999"
    assert numbers.probability(0.0) == "< 0.001"
    assert numbers.probability(0.5) == "0.500"
    assert (
        calibration.share(math.nan) == numbers.probability(math.nan) == calibration.chance(math.nan)
    )


def test_chances() -> None:
    assert calibration.chance(1e-4) == "< 1 sample in 10,000"
    assert calibration.chance(1e-3) == "1 sample in 1,000"
    assert calibration.chance(0.36) == "36 samples in 100"
    assert calibration.chance(1e-12) == "< 1 sample in a billion"


@pytest.mark.parametrize(
    ("short", "phrase"),
    [("u/2", "half of it"), ("2u", "twice it"), ("unrelated", "no simple fraction of it")],
)
def test_relations(short: str, phrase: str) -> None:
    assert numbers.relation(short) == phrase
