"""Notebook views: well-formed, escaped, with the numbers in them."""

from __future__ import annotations

import dataclasses
from xml.etree import ElementTree

import quantize as qz
from quantize.analysis import Analysis
from quantize.show.html import table


def parsed(html: str) -> ElementTree.Element:
    return ElementTree.fromstring(f"<div>{html}</div>".replace("&nbsp;", " "))


def test_an_analysis_is_well_formed_and_complete(published: Analysis) -> None:
    page = parsed(published._repr_html_())
    assert "".join(page.itertext()).startswith(published.verdict)
    rivals, numbers = page.findall("table")
    assert len(numbers.findall("tbody/tr")) == 13
    first = rivals.find("tbody/tr/td")
    assert first is not None
    assert first.text == "4.9089(50)"


def test_every_other_result_is_well_formed(published: Analysis) -> None:
    for result in (published.comb_fit, published.score, published.mixture, published.smooth):
        page = parsed(result._repr_html_())
        assert type(result).__name__ in "".join(page.itertext())


def test_hostile_labels_are_text(stated: Analysis) -> None:
    label = "<script>alert(1)</script>"
    states = [label if code == 0 else str(code) for code in stated.readings.state]
    found = dataclasses.replace(stated, readings=qz.Readings(stated.readings.values, state=states))
    html = found._repr_html_()
    assert "<script" not in html
    assert label in "".join(parsed(html).itertext())
    assert "<b" not in table(["<b>"], [["<b>"]], caption="<b>").replace("<tbody", "")
