"""Pictures of the docs: drawn by the build, shown with a text; the one of the README is fresh."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType
from xml.etree import ElementTree

import numpy as np
import pytest

ROOT = Path(__file__).parents[1]
PAGES = [p for p in (ROOT / "docs").rglob("*.md") if "_build" not in p.parts]
FIGURE = re.compile(r"^```\{figure\} (\S+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)

# What the documentation owes a picture of.
OWED = {
    "readings": "readings against the multiples; evidence over trial units with its threshold",
    "phases": "phases round the circle at the best unit",
    "residuals": "residuals by integer and in time",
    "run": "the run chart",
    "voltage": "speed against voltage within each state, with residuals",
    "fall": "fall speed against time and against charge",
    "scatter": "observed against predicted scatter, state by state",
    "routes": "all routes to coulombs, the shared error drawn once",
    "integers": "integers with their probabilities",
    "posterior": "posterior of the unit",
    "running": "running evidence",
    "null": "null distribution with the observed value",
    "budget": "budget bars",
    "forest": "forest plot over particles",
    "study_curves": "study curves",
    "study_map": "study maps",
}


@pytest.fixture(scope="module")
def figures() -> ModuleType:
    spec = importlib.util.spec_from_file_location("figures", ROOT / "docs" / "figures.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def shown() -> dict[str, list[str]]:
    """Alternative texts of every figure on the pages, by name of the picture."""
    found: dict[str, list[str]] = {}
    for page in PAGES:
        for path, body in FIGURE.findall(page.read_text(encoding="utf-8")):
            assert path.startswith("/_figures/"), (page.name, path)
            alt = re.search(r"^:alt: (.+)$", body, re.MULTILINE)
            assert alt, (page.name, path)
            found.setdefault(Path(path).stem, []).append(alt[1])
    return found


def test_every_picture_is_shown_and_described(figures: ModuleType) -> None:
    texts = shown()
    assert set(texts) == set(figures.PICTURES)
    assert set(OWED) <= set(texts)
    assert all(len(text) > 30 for alts in texts.values() for text in alts)


def test_the_gallery_draws_each_picture_from_the_code_beside_it(figures: ModuleType) -> None:
    page = figures.GALLERY.read_text(encoding="utf-8")
    drawn = figures.thumbnails()
    assert list(drawn) == re.findall(r"^```\{figure\} /_figures/(\w+)\.svg$", page, re.M)
    assert len(drawn) >= 10
    for code in re.findall(r"^```python\n(.*?)^```$", page, re.M | re.S):
        # Ten lines, and the empty one below the imports.
        assert len([line for line in code.splitlines() if line]) <= 10
    axes = drawn["gallery_units"](figures.Ran())
    assert axes.get_title(loc="left") == "Which unit, given that there are steps"


def test_the_layers_all_stand_in_their_picture(figures: ModuleType) -> None:
    axes = figures.architecture()
    named = {name for text in axes.texts for name in text.get_text().split()}
    assert named == {
        path.stem
        for path in (ROOT / "quantize").iterdir()
        if path.suffix == ".py" or (path / "__init__.py").exists()
    } - {"__init__", "data"}
    axes.figure.canvas.draw()
    frame, starts = axes.figure.bbox, [arc.get_path().vertices[0, 0] for arc in axes.patches]
    left, right = axes.transData.transform([(-1.5, 0), (1.5, 0)])[:, 0]
    assert {round(abs(x), 1) for x in starts} == {1.5}
    for text in axes.texts:
        box = text.get_window_extent()
        assert frame.x0 < left < box.x0 < box.x1 < right < frame.x1, text


def test_no_picture_on_a_page_lacks_its_text() -> None:
    for page in [*PAGES, ROOT / "README.md"]:
        for alt in re.findall(r"!\[(.*?)\]\(", page.read_text(encoding="utf-8")):
            assert len(alt) > 15, page


def test_what_each_example_prints_is_on_its_page(figures: ModuleType) -> None:
    page = (ROOT / "docs" / "howto" / "examples.md").read_text(encoding="utf-8")
    printed = set(re.findall(r"literalinclude} /_figures/(\w+)\.txt", page))
    assert printed == set(figures.gallery())
    assert printed == set(re.findall(r"literalinclude} ../../examples/(\w+)\.py", page))


def curves(svg: bytes) -> np.ndarray:
    """Coordinates of every path that is not a letter."""
    tree = ElementTree.fromstring(svg)
    letters = {id(path) for defs in tree.iter("{http://www.w3.org/2000/svg}defs") for path in defs}
    numbers = [
        float(number)
        for path in tree.iter("{http://www.w3.org/2000/svg}path")
        if id(path) not in letters and path.get("clip-path")
        for number in re.findall(r"-?\d+\.?\d*", path.get("d", ""))
    ]
    return np.array(numbers)


def test_the_picture_in_the_readme_is_the_one_of_the_build(
    figures: ModuleType, tmp_path: Path
) -> None:
    figures.draw_readme(tmp_path / "now.svg")
    now, kept = (
        curves((tmp_path / "now.svg").read_bytes()),
        curves(figures.README_PICTURE.read_bytes()),
    )
    assert now.size > 1000
    # In points of 1/72 inch; renew it with `python docs/figures.py --readme`.
    np.testing.assert_allclose(now, kept, atol=2.0)
