"""What a browser makes of the report and of the docs' front page."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from browser import FACES, FAINT_TEXTS, Browser, Visit, pages, running
from hostile import HOSTILE, MARKS, hostile

import quantize as qz
from quantize.analysis import Analysis
from quantize.show import facts

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module", params=FACES)
def browser(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Browser]:
    with running(tmp_path_factory.mktemp("home"), request.param) as program:
        yield program


def quiet(visit: Visit, path: Path) -> None:
    """One request, for the page itself, and no complaint."""
    assert [url for url in visit.requests if not url.startswith("data:")] == [path.as_uri()]
    assert visit.complaints == []


def fits(visit: Visit) -> None:
    """Nothing sticks out of the window, broad or narrow."""
    for width in (1280, 800, 360):
        visit.resize(width)
        reach = visit.evaluate("document.documentElement.scrollWidth")
        assert reach <= width, (width, reach)


def one_large_picture(visit: Visit) -> None:
    """On the first screen, wide or narrow; letters drawn at nine points are ten pixels high.

    That is about the smallest that is read with ease (common practice).
    """
    for width, least in ((1200, 600), (400, 350)):
        visit.resize(width, 800)
        shown = visit.evaluate(
            "[...document.querySelectorAll('figure svg')].filter(s => s.getClientRects().length)"
            ".map(s => [s.getBoundingClientRect().width / s.viewBox.baseVal.width,"
            " s.getBoundingClientRect().width, s.getBoundingClientRect().top])"
        )
        assert min(scale for scale, _, _ in shown) >= 10 / 9, shown
        assert shown[0][1] >= least, shown
        assert width == 400 or shown[0][2] < 400, shown


@pytest.mark.parametrize("kind", ["steps", "cannot tell", "run"])
def test_the_report_opens_and_prints_on_two_pages(
    kind: str,
    browser: Browser,
    published: Analysis,
    unclear: Analysis,
    invented: Analysis,
    run: qz.charge.Run,
    tmp_path: Path,
) -> None:
    found = {"steps": published, "cannot tell": unclear, "run": invented}[kind]
    path = found.report(tmp_path / "a.html", run=run if kind == "run" else None)
    visit = browser.open(path.as_uri())
    quiet(visit, path)
    fits(visit)
    assert visit.faces("h1") == {browser.face}
    for scheme in ("dark", "light"):
        visit.prefer(scheme)
        assert visit.evaluate(FAINT_TEXTS) == []
        page = visit.evaluate("getComputedStyle(document.body).backgroundColor")
        assert (page == "rgb(255, 255, 255)") == (scheme == "light")
        assert 1 <= pages(visit.printed()) <= 2
    one_large_picture(visit)
    levels = visit.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(e => e.tagName)")
    assert levels[0] == "H1"
    assert set(levels[1:]) == {"H2"}
    bare = "[...document.querySelectorAll('table')].filter(t => !t.querySelector('th[scope]'))"
    assert visit.evaluate(f"{bare}.length") == 0
    unnamed = "[...document.querySelectorAll('svg')].filter(s => !s.closest('[aria-label]'))"
    assert visit.evaluate(f"{unnamed}.length") == 0


def test_text_that_would_do_harm_is_shown_and_does_none(
    browser: Browser, stated: Analysis, tmp_path: Path
) -> None:
    source = '<img src=x onerror="document.title=1">.csv' + "y" * 9999
    path = hostile(stated).report(tmp_path / "a.html", source=source)
    visit = browser.open(path.as_uri())
    quiet(visit, path)
    fits(visit)
    assert visit.evaluate("document.title").startswith("Steps: ")
    assert visit.evaluate("document.querySelectorAll('script, img, b, iframe').length") == 0
    text = visit.evaluate("document.body.innerText")
    for mark in MARKS:
        assert mark in text, mark
    # Right-to-left text stays in its cell: what follows it still runs from left to right.
    rows = visit.evaluate(
        "[...document.querySelectorAll('td.label')].map(td => td.getBoundingClientRect().left)"
    )
    assert len(rows) == len(HOSTILE)
    assert len(set(rows)) == 1
    assert pages(visit.printed()) <= 2


@pytest.mark.parametrize("n", [1, 8, 500, 50_000])
def test_reports_of_any_length_can_be_read(
    n: int,
    browser: Browser,
    published: Analysis,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The readings are not those of the fit, and none of them is looked at for how it fits.
    monkeypatch.setattr(facts, "off_the_comb", lambda found: np.full(n, np.nan))
    rng = np.random.default_rng(n)
    k = rng.integers(1, 12, size=n)
    values = (published.unit * k + rng.normal(0, 0.2, size=n)).round(2)
    every = type(published.integer_probabilities)(
        {"reading": np.arange(n), "integer": k, "probability": np.ones(n)}
    )
    found = dataclasses.replace(
        published,
        readings=qz.Readings(values),
        integers=k.astype(np.int64),
        integer_probabilities=every,
    )
    path = found.report(tmp_path / "a.html")
    assert path.stat().st_size < 5_000_000
    visit = browser.open(path.as_uri())
    quiet(visit, path)
    fits(visit)
    assert visit.evaluate("document.querySelectorAll('td.label').length") == min(
        n, 40 if n <= 40 else 32
    )
    assert pages(visit.printed()) <= 2


def page_of_the_docs(browser: Browser, name: str) -> Visit:
    built = os.environ.get("QUANTIZE_DOCS")
    page = Path(built or ROOT / "docs" / "_build") / name
    if built is None and not page.exists():
        pytest.skip("the docs are not built; sphinx-build docs docs/_build")
    return browser.open(page.resolve().as_uri())


@pytest.mark.parametrize("name", ["charge", "comb", "null"])
def test_formulas_show_without_a_network(browser: Browser, name: str) -> None:
    visit = page_of_the_docs(browser, f"theory/{name}.html")
    assert [url for url in visit.requests if not url.startswith(("file:", "data:"))] == []
    assert visit.complaints == []
    assert visit.evaluate("document.querySelectorAll('math').length") >= 2
    heights = "[...document.querySelectorAll('math')].map(m => m.getBoundingClientRect().height)"
    assert min(visit.evaluate(heights)) > 5
    assert "\\" not in visit.evaluate("document.querySelector('div.body').innerText")


@pytest.mark.parametrize("name", ["reference", "howto/pictures", "theory/comb", "changelog"])
def test_long_names_and_formulas_fit_a_narrow_window(browser: Browser, name: str) -> None:
    fits(page_of_the_docs(browser, f"{name}.html"))


def test_the_front_page_of_the_docs(browser: Browser) -> None:
    visit = page_of_the_docs(browser, "index.html")
    assert [url for url in visit.requests if not url.startswith(("file:", "data:"))] == []
    assert visit.complaints == []
    fits(visit)
    assert visit.evaluate(FAINT_TEXTS) == []
    broken = "[...document.images].filter(i => !i.naturalWidth || !i.alt).length"
    assert visit.evaluate(broken) == 0
    assert visit.evaluate("document.images.length") >= 1
    # On a phone the text comes before the menu.
    visit.resize(400)
    tops = [
        visit.evaluate(f"document.querySelector('{part}').getBoundingClientRect().top")
        for part in ("div.body", "div.sphinxsidebar")
    ]
    assert tops[0] < tops[1]
    assert pages(visit.printed()) <= 3
