"""An analysis in about ten lines: a golden record, the width, every verdict, what to look at."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from quantize.analysis import Analysis
from quantize.charge import SimulatedBench, read_run
from quantize.charge.run_analysis import RunAnalysis
from quantize.null import guards
from quantize.show.short import short_rows, short_view
from quantize.show.text import view_text

GOLDEN = Path(__file__).with_name("golden_short.txt")


@pytest.fixture(scope="module")
def run() -> RunAnalysis:
    page, bench, _ = SimulatedBench().simulate(rng=40)
    return read_run(page, bench).analyze(n_resamples=49, rng=1)


def text_of(found: Analysis, **known: Any) -> str:
    return view_text(short_view(found, more="The rest is elsewhere", **known))


def test_the_text_is_the_one_on_record(fixed: Analysis) -> None:
    # To renew the record after a deliberate change, write the text + "\n" to the file.
    assert text_of(fixed) + "\n" == GOLDEN.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["published", "unclear", "stated", "run"])
def test_it_goes_on_a_screen(name: str, request: pytest.FixtureRequest) -> None:
    lines = text_of(request.getfixturevalue(name)).splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 20
    assert lines[0].startswith("VERDICT: ")


def test_how_sure_is_said_in_words_and_one_number(fixed: Analysis) -> None:
    for p, words in ((0.0001, "very strong"), (0.004, "strong"), (0.03, "fair")):
        sure = dict(short_rows(dataclasses.replace(fixed, p_value=p)))["how sure"]
        assert sure.startswith(f"{words} evidence: ")
        assert f"(p = {p:.2g}" in sure
    open_ = dataclasses.replace(fixed, verdict="cannot tell", p_value=0.3, advice=("Do it.",))
    rows = dict(short_rows(open_))
    assert rows["how sure"] == "not sure either way (p = 0.30). The first reason is short."
    assert "if there were steps" in rows["unit"]
    assert rows["next"] == "Do it."


def test_evidence_that_another_explanation_shares_is_not_called_strong(fixed: Analysis) -> None:
    thin = dataclasses.replace(fixed, p_value=0.002, log_bayes_factor=-0.2)
    said = dict(short_rows(thin))["how sure"]
    assert said.startswith("fair evidence: ")
    assert said.endswith("(p = 0.0020), but one explanation without steps does as well or better")


def test_no_steps_names_the_units_that_are_excluded(fixed: Analysis) -> None:
    unit_range = dataclasses.replace(fixed.unit_range, high=5.0)
    rows = dict(
        short_rows(
            dataclasses.replace(fixed, verdict="no steps", no_unit_above=1.7, unit_range=unit_range)
        )
    )
    assert rows["unit"] == "none"
    assert "20 to 1 against every unit from 1.7 to 5 × 10⁻¹⁰ esu" in rows["how sure"]
    assert "look at" not in rows


def test_the_reading_to_look_at(fixed: Analysis) -> None:
    # Of the thirteen charges 49.41 is farthest from its multiple: 10 times 4.9089 is 49.089.
    assert (
        "reading 7 (49.41 × 10⁻¹⁰ esu) lies farthest from its multiple, 10 units: by 0.065"
        in dict(short_rows(fixed))["look at"]
    )
    table = fixed.integer_probabilities.copy()
    table.loc[table["reading"] == 11, "probability"] = 0.6
    doubted = dataclasses.replace(fixed, integer_probabilities=table)
    assert dict(short_rows(doubted))["look at"] == (
        "the whole number of reading 12 (78.34 × 10⁻¹⁰ esu) is in doubt: 16 with probability 0.600"
    )
    warned = dataclasses.replace(
        fixed, findings=(guards.finding("far", "One lies far off.", warns=True),)
    )
    assert dict(short_rows(warned))["look at"] == "One lies far off."


def test_a_rival_is_named_with_its_share(fixed: Analysis) -> None:
    rivals = fixed.alternatives.iloc[[0, 0]].copy()
    rivals["share"], rivals["unit"] = [0.7, 0.3], [fixed.unit, fixed.unit / 2]
    unit = dict(short_rows(dataclasses.replace(fixed, alternatives=rivals)))["unit"]
    assert unit.endswith(
        "; it holds 70.0 % of the probability, and 2.4544(50) × 10⁻¹⁰ esu holds 30.0 %"
    )


def test_the_worst_check_comes_before_any_reading(run: RunAnalysis) -> None:
    rows = dict(short_rows(run))
    assert run.coulombs is not None
    assert rows["in coulombs"].endswith("× 10⁻¹⁹ C")
    assert rows["next"].startswith("Of the uncertainty in coulombs, ")
    first, second, *rest = run.checks.checks
    bad = (dataclasses.replace(first, level="doubt"), dataclasses.replace(second, level="bad"))
    worse = dataclasses.replace(run)
    worse.__dict__["checks"] = dataclasses.replace(run.checks, checks=(*bad, *rest))
    look = dict(short_rows(worse))["look at"]
    assert look == f"check not in order: {second.name}: {second.sentence}"
    assert dict(short_rows(worse))["next"].startswith("Settle that check first")
    long = dataclasses.replace(second, level="bad", sentence="word " * 200)
    worse.__dict__["checks"] = dataclasses.replace(run.checks, checks=(long, *rest))
    assert len(dict(short_rows(worse))["look at"]) < 400


def test_why_there_are_no_coulombs(fixed: Analysis) -> None:
    assert dict(short_rows(fixed, None, "The fall is missing."))["in coulombs"] == (
        "not stated: The fall is missing."
    )
    known = SimpleNamespace(value=1.606e-19, standard_uncertainty=2.6e-21)
    assert dict(short_rows(fixed, known))["in coulombs"] == "1.606(26) × 10⁻¹⁹ C"
    open_ = dataclasses.replace(fixed, verdict="cannot tell")
    assert "if there were steps" in dict(short_rows(open_, known))["in coulombs"]
