"""The text of an analysis: a golden record, the width, folding, every verdict."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from plain_numbers import plainly

import quantize as qz
from quantize.analysis import Analysis
from quantize.show import facts
from quantize.show.analysis import analysis_view
from quantize.show.numbers import Form
from quantize.show.run import charges_section
from quantize.show.text import view_text
from quantize.show.view import Preformatted, Section, folded

GOLDEN = Path(__file__).with_name("golden_analysis.txt")


def test_the_text_is_the_one_on_record(fixed: Analysis) -> None:
    # To renew the record after a deliberate change, write str(fixed) + "\n" to the file.
    assert str(fixed) + "\n" == GOLDEN.read_text(encoding="utf-8")


def test_a_number_and_its_sign_stand_on_one_line() -> None:
    for word in ("12.7 %", "4.909 ± 0.005", "4.9089(50) × 10⁻¹⁰"):
        for length in range(60, 80):
            view = view_text((Section("", [f"{'x' * length} {word} of it"]),))
            assert word in view
            assert all(len(line) <= 80 for line in view.splitlines())


def test_the_table_holds_the_published_whole_numbers(published: Analysis) -> None:
    # Phys. Rev. 32:349 (1911): 4 to 14, 16, 17.
    rows = facts.levels(published)
    assert [row.integer for row in rows] == [4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 17]
    assert [row.value for row in rows] == published.readings.values.tolist()
    assert all(row.probability > 0.99 for row in rows)
    for row in rows:
        assert row.difference == pytest.approx(row.value - row.integer * published.unit)


@pytest.mark.parametrize("name", ["published", "unclear", "stated"])
def test_no_line_is_longer_than_a_terminal(name: str, request: pytest.FixtureRequest) -> None:
    found = request.getfixturevalue(name)
    for brief in (True, False):
        lines = view_text(analysis_view(found, brief=brief)).splitlines()
        assert max(map(len, lines)) <= 80
        assert all(line == line.rstrip() for line in lines)


@pytest.mark.parametrize(
    ("verdict", "headline"),
    [
        ("steps", "The readings come in whole-number steps of one unit."),
        ("no steps", "The readings do not come in steps of any unit from 1.7 to 5 × 10⁻¹⁰ esu."),
        ("cannot tell", "These readings do not settle whether they come in steps."),
    ],
)
def test_the_verdict_comes_first(fixed: Analysis, verdict: str, headline: str) -> None:
    unit_range = dataclasses.replace(fixed.unit_range, high=5.0)
    told = {
        "verdict": verdict,
        "advice": ("Measure more.",),
        "no_unit_above": 1.7,
        "unit_range": unit_range,
    }
    text = str(dataclasses.replace(fixed, **told))
    first, second = text.splitlines()[:2]
    assert first == f"VERDICT: {verdict}"
    assert second.strip() == headline
    assert ("The unit, if there were steps" in text) == (verdict == "cannot tell")
    assert ("None is reported" in text) == (verdict == "no steps")
    assert "Measure more." in text
    # Whole numbers of a unit that is excluded would mislead.
    assert ("The whole number behind" in text) == (verdict != "no steps")


def test_odds_stand_before_the_bayes_factor(fixed: Analysis) -> None:
    text = str(fixed)
    one_line = " ".join(text.split())
    assert "odds are 4,000 to 1 for steps, if steps and none were equally likely" in one_line
    assert one_line.index("4,000 to 1") < one_line.index("Bayes factor 8.29")
    # That over the best null of the three is said to be picked afterwards.
    assert "picked after they were seen (values of any size), the odds are 500 to 1" in one_line


def test_whole_numbers_that_cannot_be_told_are_not_listed(unclear: Analysis) -> None:
    rows = facts.levels(unclear)
    text = str(unclear)
    assert facts.readable(rows) == (" numb. bility" in text)
    low = [dataclasses.replace(row, probability=0.1) for row in rows]
    assert not facts.readable(low)


def test_states_are_listed_once_each(stated: Analysis) -> None:
    rows = facts.levels(stated)
    assert [row.label for row in rows] == ["s1", "s2", "s3", "s5", "s7", "s8"]
    assert [row.count for row in rows] == [3] * 6
    means = stated.readings.values.reshape(6, 3).mean(axis=1)
    np.testing.assert_allclose([row.value for row in rows], means, rtol=1e-12)
    assert "In brackets: the number of readings of that state." in str(stated)


def test_long_tables_fold() -> None:
    assert folded(list(range(30))) == list(range(30))
    short = folded(list(range(100)))
    assert len(short) == 21
    assert short[14] is None
    assert short[-1] == 99


def test_a_hostile_label_stays_on_its_line(stated: Analysis) -> None:
    labels = ["\x1b[31mred", "a\nb", "long" * 2500, "\u202eevil", "😀", "<b>"]
    readings = qz.Readings(
        stated.readings.values, state=[labels[code] for code in stated.readings.state]
    )
    text = str(dataclasses.replace(stated, readings=readings))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert max(map(len, text.splitlines())) <= 80


def test_several_pieces_of_the_set_are_counted(
    fixed: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(facts, "pieces", lambda found: [(n + 0.1, n + 0.2) for n in range(8)])
    text = str(fixed)
    assert "in 8 pieces, in 10⁻¹⁰ esu: 0.1000 to 0.2000; " in text
    assert "and 2 more" in text


def test_other_results_have_a_headline_and_their_rivals(published: Analysis) -> None:
    text = str(published.comb_fit)
    assert text.startswith("CombFit: unit 4.908")
    assert "relation" in text


def test_long_lines_are_filled_under_their_own_beginning() -> None:
    text = view_text((Section("Title", [Preformatted("short\n    " + "word " * 40)]),))
    assert text.splitlines()[:2] == ["Title", "  short"]
    assert all(line.startswith("      word") for line in text.splitlines()[2:])
    assert max(map(len, text.splitlines())) <= 80


def test_the_charges_of_a_long_run_fold() -> None:
    from quantize.charge import Run

    bench = {
        "plates": {"separation": "4.24 mm", "voltage": "227 V"},
        "sphere": {"weight": "5.15e-14 N"},
    }
    n = 70
    page = {"V": [227] * n + [0], "div": [0, 10] * (n // 2) + [-20], "t": [10] * (n + 1)}
    text = view_text((charges_section(Run(page, bench).charges()),))
    assert "... 11 more rows" in text
    # In balance weight times separation over voltage: 5.15e-14·4.24e-3/227 = 9.6194e-19 C.
    assert "9.619" in text.splitlines()[1]
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("scale", [1e-19, 1e-3, 1.0, 1e12])
def test_samples_of_every_size_are_readable(published: Analysis, scale: float) -> None:
    values = [float(f"{value * scale:.4g}") for value in published.readings.values]
    readings = qz.Readings(values)
    found = dataclasses.replace(
        published,
        readings=readings,
        unit=published.unit * scale,
        unit_err=published.unit_err * scale,
        sigma=published.sigma * scale,
    )
    form = facts.form(found)
    assert [plainly(form(value)) for value in values] == pytest.approx(values, rel=1e-9, abs=0)
    text = str(found)
    assert max(map(len, text.splitlines())) <= 80
    assert form.mantissa(values[0]) in text
    assert ("10⁻¹⁸" in form(values[0])) == ("values in 10⁻¹⁸" in text) == (scale == 1e-19)


def test_what_is_computed_of_coarsely_rounded_readings_has_one_digit_more(
    published: Analysis,
) -> None:
    values = np.rint(published.readings.values)
    found = dataclasses.replace(published, readings=qz.Readings(values, resolution=1.0))
    form = facts.form(found)
    assert [form(value) for value in values[:2]] == ["20", "25"]
    # 4 times 4.9089 is 19.64, and 20 is 0.36 more.
    row = next(line for line in str(found).splitlines() if line.startswith("        1 "))
    assert row.split()[1:6] == ["20", "4", ">0.999", "19.6", "+0.4"]
    # The scatter of 0.19 has two decimals: readings to 0.01 need no more.
    assert facts.form(published).finer(19.6356) == "19.64"
    rough = dataclasses.replace(found, sigma=3.0)
    assert facts.form(rough).finer(19.6356) == "19.6"


def test_no_cell_of_the_kinds_without_steps_is_empty(published: Analysis) -> None:
    rows = facts.nulls(published)
    assert all(cell for row in rows for cell in row.values())
    assert {row["chance"] for row in rows} > {"odds only"}
    [smooth] = [row for row in rows if row["meaning"] == "the readings, each moved by chance"]
    assert smooth["odds"] == "chance only"


def test_no_minus_stands_before_nought() -> None:
    form = Form(places=2, power=0)
    assert form(-0.001) == "0.00"
    assert form(-0.001, "+") == "+0.00"
    assert form(-1.5, "+") == "-1.50"


def test_the_apparatus_file_to_fill_in_has_80_columns() -> None:
    assert max(map(len, qz.charge.template().splitlines())) <= 80


def test_a_number_keeps_as_many_digits_as_its_column_holds():
    # By hand: nine places for a sign, a point, zeros and what is left.
    x = -0.0086349 * np.array([1, 1, 2, 3, 3, 4, 5, 6, 7, 2, 5, 8])
    moved = 1e-7 * np.array([3, -4, 2, 0, 5, -2, 1, -5, 4, 0, -3, 2])
    text = str(qz.analyze(x + moved, (0.004, 0.02), n_resamples=19, rng=1))
    lines = [line.split() for line in text.splitlines()]
    table = {words[0]: words[1] for words in lines if words[2:3] == ["-1"]}
    assert table == {"1": "-0.008635", "2": "-0.008635"}
