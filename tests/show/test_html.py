"""Notebook views: well-formed, escaped, with the numbers in them."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree

import pytest

import quantize as qz
from quantize.analysis import Analysis
from quantize.charge import SimulatedBench, read_run
from quantize.show.html import notebook_table, told
from quantize.show.results import frame_table
from quantize.show.view import Column, Table


def parsed(html: str) -> ElementTree.Element:
    return ElementTree.fromstring(f"<div>{html}</div>".replace("&nbsp;", " "))


def test_names_are_code_and_numbers_stay_whole() -> None:
    said = told("5 % of (1.6 ± 0.1) × 10⁻¹⁹ C (p = 0.1); `integers=(1, 9)`, `a<b`")
    assert said == (
        "5&nbsp;% of (1.6&nbsp;±&nbsp;0.1)&nbsp;×&nbsp;10⁻¹⁹&nbsp;C (p&nbsp;=&nbsp;0.1); "
        "<code>integers=(1, 9)</code>, `a&lt;b`"
    )


def test_an_analysis_is_well_formed_and_complete(published: Analysis) -> None:
    page = parsed(published._repr_html_())
    assert "".join(page.itertext()).startswith(published.verdict)
    [card] = page.findall("table")
    cells = [[cell.text or "" for cell in row] for row in card.findall("tbody/tr")]
    assert [name for name, _ in cells] == ["unit", "how sure", "look at", "next", "in full"]
    assert cells[0][1].startswith("4.9089(50) × 10⁻¹⁰ esu")
    assert len("".join(page.itertext())) < 800


def test_every_other_result_is_well_formed(published: Analysis) -> None:
    for result in (published.comb_fit, published.score, published.mixture, published.smooth):
        page = parsed(result._repr_html_())
        assert type(result).__name__ in "".join(page.itertext())


@pytest.mark.filterwarnings("ignore::quantize.QuantizeWarning")
def test_results_of_a_run_show_their_tables() -> None:
    page, apparatus, _ = SimulatedBench().simulate(rng=40)
    run = read_run(page, apparatus)
    fit = run.fit((4, 30), sigma="predicted")
    coulombs = run.unit_in_coulombs(fit)
    text = {
        type(result).__name__: "".join(parsed(result._repr_html_()).itertext())
        for result in (fit, coulombs, run.checks(fit))
    }
    assert "Rival units" in text["RunFit"]
    assert "Where the uncertainty comes from" in text["UnitInCoulombs"]
    assert "Every route" in text["UnitInCoulombs"]
    assert "plates.separation" in text["UnitInCoulombs"]
    for check in run.checks(fit).checks:
        assert check.name in text["Checks"]
    # Never more digits than the uncertainty has: value(two digits) for every route.
    found = parsed(coulombs._repr_html_())
    routes = found.findall("table")[1]
    for row in routes.findall("tbody/tr"):
        value = row.findall("td")[1].text or ""
        assert re.fullmatch(r"-?\d\.\d+\(\d\d\) × 10⁻¹⁹", value), value


def test_many_degrees_of_freedom_are_not_counted_out() -> None:
    import pandas as pd

    frame = pd.DataFrame({"input": ["a", "b"], "degrees_of_freedom": [306841.0, 7.4]})
    cells = [cell.text for cell in parsed(notebook_table(frame_table(frame, "x"))).iter("td")]
    assert cells == ["a", "inf", "b", "7"]


def test_a_null_comparison_says_what_it_was_held_against(published: Analysis) -> None:
    text = "".join(parsed(published.smooth._repr_html_()).itertext())
    assert "Samples without steps" in text
    assert "1 sample in" in text or "samples in 100" in text


def test_hostile_labels_are_text(stated: Analysis) -> None:
    states = [f"<script>{code}</script>" for code in stated.readings.state]
    readings = qz.Readings(stated.readings.values, state=states)
    # With nothing to warn of, the state to look at is named.
    found = dataclasses.replace(stated, readings=readings, findings=(), verdict="steps")
    html = found._repr_html_()
    assert "<script" not in html
    assert re.search(r"state <script>\d</script> \(", "".join(parsed(html).itertext()))
    table = Table([Column("a", "<b>")], [{"a": "<b>"}], "<b>")
    assert "<b" not in notebook_table(table).replace("<tbody", "")
