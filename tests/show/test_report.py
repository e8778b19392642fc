"""The report: complete, one file, nothing executed, nothing fetched, whole or not at all."""

from __future__ import annotations

import dataclasses
import datetime
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from hostile import hostile
from plain_numbers import plainly

import quantize as qz
from quantize.analysis import Analysis
from quantize.show import facts, report, sentences

VOID = {"meta", "link", "br", "img", "hr", "input"}


class Page(HTMLParser):
    """Checks nesting and collects text, tags and addresses."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.text = ""
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data.replace("\u00a0", " ")


@pytest.fixture(scope="module")
def html(published: Analysis) -> str:
    """The page of the published charges, with nothing added to it."""
    return report.report_html(published)


def test_the_page_answers_every_question(published: Analysis, tmp_path: Path) -> None:
    path = published.report(tmp_path / "a.html", source="/home/somebody/runs/drop.csv")
    page = Page(path.read_text(encoding="utf-8"))
    for words in (
        "Do these readings come in steps?",
        "13 readings from drop.csv",
        published.reasons[0],
        "4.9089 ± 0.0050",
        "Rival units",
        "One row worked by hand",
        "What to measure next",
        "A sentence to copy",
        "How it was computed",
        "Words used here",
        "seed",
    ):
        assert words in page.text, words
    assert "somebody" not in path.read_text(encoding="utf-8")
    assert page.text.index("the odds are") < page.text.index("Bayes factor")
    # Phys. Rev. 32:349 (1911): the whole numbers behind the thirteen charges.
    html = path.read_text(encoding="utf-8")
    body = html[html.index("The whole number behind each") :]
    cells = re.findall(r"<tr><td class=\"label\">.*?</tr>", body)
    assert len(cells) == 13
    integers = [re.findall(r'<td class="n">([^<]*)</td>', row)[1] for row in cells]
    assert integers == [str(k) for k in (*range(4, 15), 16, 17)]


@pytest.mark.usefixtures("unrendered")
def test_the_heading_says_what_is_handed_in(published: Analysis, html: str, tmp_path: Path) -> None:
    texts = {"title": "The <drop>", "author": "A. B.", "note": "Lamp & clock moved."}
    day = datetime.date(2026, 11, 29)
    path = published.report(tmp_path / "a.html", date=day, **texts)
    page = Page(path.read_text(encoding="utf-8"))
    for words in ("The <drop>", "A. B., 2026-11-29", "Lamp & clock moved."):
        assert words in page.text
    assert "Do these readings come in steps?" not in page.text
    # Unless told otherwise the page names the file that was read, and no day.
    assert "13 readings from thirteen_charges.csv" in page.text
    bare = Page(html).text
    assert "Do these readings come in steps?" in bare
    assert not re.search(r"20\d\d-\d\d-\d\d", bare)
    for name, wrong in (("title", " "), ("author", 7), ("date", 2026)):
        with pytest.raises(qz.InputError, match=f"`{name}` is "):
            published.report(tmp_path / "a.html", **{name: wrong})


@pytest.mark.usefixtures("unrendered")
def test_the_first_screen_holds_the_answer(
    published: Analysis, html: str, unclear: Analysis
) -> None:
    for found, page in ((published, html), (unclear, report.report_html(unclear))):
        text = Page(page).text
        first = text[: text.index("Why")]
        for words in (found.verdict.capitalize(), "How sure", "Look at", "Next", facts.size(found)):
            assert words in first, words


def test_the_arithmetic_of_the_worked_row_is_right(published: Analysis) -> None:
    _, division, _ = sentences.worked_row(published)
    value, unit, turns, whole = map(
        float,
        re.match(r"(\S+) / (\S+) = (\S+); .* is (\d+)\.", division).groups(),  # type: ignore[union-attr]
    )
    assert value / unit == pytest.approx(turns, abs=0.006)
    assert round(turns) == whole


JARGON = [
    "chi-square",
    "degrees of freedom",
    "standard error",
    "standard uncertainty",
    "Bayes factor",
    "natural log",
    "odds",
    "periodogram",
    "least squares",
    "mixture over integers",
    "Reynolds number",
    "residual voltage",
    "intercept",
    "variance",
    "offset",
    "resamples",
    "seed",
    "scatter",
    "exponent",
    "95 % set",
    "95 % interval",
    "score",
    "trial unit",
    "Monte Carlo",
    "sigma",
    "effective weight",
    "moved by chance",
    "clusters",
    "recording step",
    "charge state",
    "Stokes",
    "budget",
    "route",
]
NEVER = ["likelihood", "posterior", "prior ", "null hypothesis", "nuisance", "quadrature", "nats"]


@pytest.mark.slow
def test_every_term_of_the_theory_has_its_line(
    published: Analysis, unclear: Analysis, invented: Analysis, run: qz.charge.Run
) -> None:
    for found, own in ((published, None), (unclear, None), (invented, run)):
        html = report.report_html(found, run=own)
        body, _, words = html.partition("<h2>Words used here</h2>")
        labels = " ".join(re.findall(r'aria-label="([^"]*)"', body))
        text = re.sub(r"<style.*?</style>|<[^>]*>", " ", body, flags=re.DOTALL) + labels
        terms = " ".join(re.findall(r"<dt>(.*?)</dt>", words)).replace("&#39;", "'").lower()
        for term in JARGON:
            if term.lower() in text.lower():
                for word in term.lower().split():
                    assert word in terms, term
        for term in NEVER:
            assert term not in text, term


@pytest.mark.slow
def test_a_run_adds_coulombs_budget_checks_and_cautions(run: qz.charge.Run) -> None:
    found = run.analyze(n_resamples=199, rng=1)
    page = Page(report.report_html(found))
    for words in (
        "INVENTED DATA",
        "The budget in coulombs",
        "Was the balance charge a whole number too?",
        "divisions fallen without field",
        "deviation of this diameter from the mean of its batch",
        "Was the measurement sound?",
        "Cautions",
        "local regulations",
    ):
        assert words in page.text, words
    # No power of ten as programs write it, no infinity, no minus of a minus.
    assert not re.search(r"\de[+-]\d|\binf\b|− -", page.text)
    assert found.coulombs is not None
    lines = sentences.worked_coulombs(found, found.coulombs)
    number = r"([\d.]+(?: × 10[⁻⁰¹²³⁴⁵⁶⁷⁸⁹]+)?)"
    weighed = re.search(rf"is {number} × {number} / {number} = {number} C\.", lines[0])
    scaled = re.search(rf"is {number} / {number} × {number} C = {number} C\.", lines[1])
    assert weighed is not None
    assert scaled is not None
    weight, gap, volts, held = map(plainly, weighed.groups())
    unit, fall, again, value = map(plainly, scaled.groups())
    # Four digits are printed of each: weight times separation over voltage, and unit over fall.
    assert held == pytest.approx(weight * gap / volts, rel=1e-3, abs=0)
    assert again == held
    assert value == pytest.approx(unit / fall * held, rel=1e-3, abs=0)
    assert value == pytest.approx(found.coulombs.value, rel=1e-3, abs=0)
    # Every weight that a route can have is worked the same way.
    for route in found.coulombs.routes["route"]:
        other = found.by_route(route).coulombs
        assert sentences.worked_coulombs(found, other)


def test_it_needs_nothing_from_elsewhere_and_runs_nothing(html: str) -> None:
    page = Page(html)
    assert not {"script", "iframe", "object", "embed", "img", "base", "form"} & set(page.tags)
    for tag, name, value in page.attributes:
        assert not name.startswith("on")
        if name in ("src", "href", "xlink:href", "action"):
            assert value.startswith(("#", "data:")), (tag, name, value)
    assert "@import" not in html
    assert not re.search(r"url\((?!#|'#|\"#)", html)


def test_it_can_be_read_by_everybody(html: str) -> None:
    page = Page(html)
    assert ("html", "lang", "en") in page.attributes
    assert page.tags.count("h1") == 1
    assert "role" in [name for tag, name, _ in page.attributes if tag == "figure"]
    labels = [v for tag, name, v in page.attributes if (tag, name) == ("figure", "aria-label")]
    assert [label.partition(" ")[2][:27] for label in labels] == [
        "readings in ascending order",
        "score of every trial unit f",
    ]
    ids = re.findall(r'\sid="([^"]*)"', html)
    assert len(set(ids)) == len(ids)
    assert {name[1:] for name in re.findall(r'href="(#[^"]*)"', html)} <= set(ids)
    for table in re.findall(r"<table>.*?</table>", html, re.DOTALL):
        assert 'scope="col"' in table or 'scope="row"' in table


@pytest.mark.usefixtures("unrendered")
@pytest.mark.parametrize("verdict", ["steps", "no steps", "cannot tell"])
def test_every_verdict_has_its_page(published: Analysis, verdict: str) -> None:
    advice = () if verdict == "steps" else ("Take twenty more readings.",)
    found = dataclasses.replace(published, verdict=verdict, advice=advice)
    text = Page(report.report_html(found)).text
    assert f"{verdict.capitalize()}." in text
    assert ("The unit, if there were steps" in text) == (verdict == "cannot tell")
    assert ("None is reported" in text) == (verdict == "no steps")
    assert all(line in text for line in advice)
    assert "13 readings" in sentences.sentence_to_copy(found)


@pytest.mark.usefixtures("unrendered")
def test_unsure_whole_numbers_are_not_worked(unclear: Analysis) -> None:
    text = Page(report.report_html(unclear)).text
    readable = facts.readable(facts.levels(unclear))
    assert ("One row worked by hand" in text) == readable


def test_hostile_labels_and_names_are_text(stated: Analysis) -> None:
    html = report.report_html(hostile(stated), source='<img src=x onerror="alert(2)">' + "y" * 9999)
    page = Page(html)
    assert not {"script", "img", "b"} & set(page.tags)
    assert "<script>alert(1)</script>" in page.text
    assert "<img src=x onerror=" in page.text
    assert "10,000 characters" in page.text
    for character in ("\x1b", "\x07", "\u202e"):
        assert character not in html
    assert len(html) < 400_000


def test_long_tables_fold_and_the_file_stays_small(published: Analysis) -> None:
    n = 3000
    rng = np.random.default_rng(1)
    k = rng.integers(1, 12, size=n)
    readings = qz.Readings((published.unit * k + rng.normal(0, 0.2, size=n)).round(2))
    found = dataclasses.replace(published, readings=readings, integers=k.astype(np.int64))
    found = dataclasses.replace(
        found,
        integer_probabilities=_certain(found.integer_probabilities, k),
        mixture=qz.fit_mixture(readings, (4.0, 6.0)),
    )
    html = report.report_html(found)
    assert "2,968 more are left out here" in html
    assert len(html) < 1_000_000


def _certain(like: object, k: np.ndarray) -> object:
    return type(like)({"reading": np.arange(k.size), "integer": k, "probability": np.ones(k.size)})


@pytest.mark.usefixtures("unrendered")
def test_places_that_cannot_be_written(published: Analysis, tmp_path: Path) -> None:
    with pytest.raises(qz.InputError, match="a folder; give the name of a file in it"):
        published.report(tmp_path)
    with pytest.raises(qz.InputError, match="there is no folder"):
        published.report(tmp_path / "no" / "a.html")
    old = tmp_path / "a.html"
    old.write_text("old")
    published.report(old)
    assert old.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert list(tmp_path.iterdir()) == [old]


def test_the_same_analysis_gives_the_same_page(published: Analysis, html: str) -> None:
    assert report.report_html(published) == html
