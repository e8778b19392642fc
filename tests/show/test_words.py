"""Odds, chances and shares in words never claim more than the number does."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from quantize.show import words


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
    assert words.odds(math.log(factor)) == text


def test_odds_of_what_is_unknown() -> None:
    assert words.odds(math.nan) == "unknown"
    assert words.odds(math.inf) == "more than a million to 1"


def test_odds_against_steps_are_said_as_such() -> None:
    assert words.odds_short(-30.0) == "1:over 1,000,000"
    assert words.odds_short(30.0) == "over 1,000,000:1"
    assert words.odds_short(math.nan) == ""


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
    said = words.compared(found)
    assert stated in said
    assert said.startswith("Against data without steps of every kind in the table, in equal shares")
    assert (
        "the kind that explains these readings best, picked after they were seen (a minority on "
        f"round values), the odds are {words.odds(-math.log(best))} against steps" in said
    )
    found.log_bayes_factor_mixture = -math.inf
    assert words.compared(found).startswith("No odds are given: on so few different multiples")


def test_shares_are_never_a_false_nought_or_whole() -> None:
    assert words.share(1.0) == "> 99.9 %"
    assert words.share(1e-9) == "< 0.1 %"
    assert words.share(0.25) == "25.0 %"
    assert words.probability(1.0) == "> 0.999"
    assert words.probability(0.0) == "< 0.001"
    assert words.probability(0.5) == "0.500"
    assert words.share(math.nan) == words.probability(math.nan) == words.chance(math.nan)


def test_chances() -> None:
    assert words.chance(1e-4) == "< 1 sample in 10,000"
    assert words.chance(1e-3) == "1 sample in 1,000"
    assert words.chance(0.36) == "36 samples in 100"
    assert words.chance(1e-12) == "< 1 sample in a billion"


@pytest.mark.parametrize(
    ("short", "phrase"),
    [("u/2", "half of it"), ("2u", "twice it"), ("unrelated", "no simple fraction of it")],
)
def test_relations(short: str, phrase: str) -> None:
    assert words.relation(short) == phrase


def test_counted() -> None:
    assert words.counted(1, "reading") == "one reading"
    assert words.counted(1200, "reading") == "1,200 readings"
