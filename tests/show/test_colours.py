"""Colours that say something stay apart for readers who see fewer of them."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from numpy.typing import NDArray

import quantize as qz
from quantize.show.plots import studies, style

ROOT = Path(__file__).parents[2]
REPORT = Path(qz.__file__).parent / "show" / "templates" / "report.html"
DOCS = ROOT / "docs" / "_static" / "quantize.css"

# Machado, Oliveira and Fernandes, IEEE Trans. Vis. Comput. Graph. 15:1291 (2009), full severity,
# for linear RGB; compared with those of the library colorspacious 1.1.2.
VISIONS = {
    "usual": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
APART = 20.0
"""Distance in CIE Lab; one is just seen at about 2.3 (Mahy and others, Color Res. Appl. 19:105)."""

# IEC 61966-2-1.
TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], dtype=float
)

Array = NDArray[np.float64]


def linear(colour: object) -> Array:
    rgb = np.array(to_rgb(colour))  # type: ignore[arg-type]
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb: Array) -> Array:
    """CIE Lab of linear RGB, white at D65."""
    x = TO_XYZ @ np.clip(rgb, 0, 1) / (TO_XYZ @ np.ones(3))
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def nearest(colours: list[object], vision: str) -> tuple[float, object]:
    """The two of some colours that lie nearest to each other as seen, and how near."""
    seen = [lab(np.array(VISIONS[vision]) @ linear(colour)) for colour in colours]
    pairs = itertools.combinations(range(len(colours)), 2)
    return min(
        (float(np.linalg.norm(seen[i] - seen[j])), (colours[i], colours[j])) for i, j in pairs
    )


def contrast(one: object, other: object) -> float:
    """Ratio of luminances as in WCAG 2, section 1.4.3."""
    low, high = sorted(float(TO_XYZ[1] @ linear(colour)) + 0.05 for colour in (one, other))
    return high / low


def in_the_dark(colour: object) -> object:
    """What `invert(1) hue-rotate(180deg)` makes of a colour (W3C Filter Effects, section 5.6)."""
    turned = 2 * np.array([0.213, 0.715, 0.072]) - np.eye(3)
    return tuple(np.clip(turned @ (1 - np.array(to_rgb(colour))), 0, 1))  # type: ignore[arg-type]


def test_the_distance_is_that_of_the_books() -> None:
    # Lab of the primaries, B. Lindbloom's calculator: red 53.24, 80.09, 67.20.
    np.testing.assert_allclose(lab(linear("#ff0000")), [53.24, 80.09, 67.20], atol=0.05)
    # A blue and a purple of one lightness differ by red alone.
    far, _ = nearest([style.DATA, "#7a5195"], "usual")
    near, _ = nearest([style.DATA, "#7a5195"], "protanopia")
    assert near < APART < far


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize("dark", [False, True])
def test_colours_of_the_pictures_stay_apart(vision: str, dark: bool) -> None:
    marks = [style.DATA, style.ACCENT, style.INK, style.SOFT, style.PALE]
    lines = [*studies._COLOURS, style.PALE]
    for colours in (marks, lines):
        shown = [in_the_dark(colour) if dark else colour for colour in colours]
        assert nearest(shown, vision)[0] > APART, nearest(shown, vision)


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize("page", [REPORT, DOCS], ids=["report", "docs"])
def test_colours_of_pages_stay_apart(page: Path, vision: str) -> None:
    schemes = re.findall(r":root \{([^}]*)\}", page.read_text(encoding="utf-8"))
    assert len(schemes) == (2 if page == REPORT else 1)
    for scheme in schemes:
        named: dict[str, object] = dict(re.findall(r"--(\w+): (#\w+)", scheme))
        shown = [named[name] for name in ("ink", "data", "accent")]
        assert nearest(shown, vision)[0] > APART, nearest(shown, vision)


def test_lines_of_a_study_differ_in_more_than_colour() -> None:
    looks = [studies._line(number) for number in range(40)]
    assert len({(look["color"], look["marker"]) for look in looks}) == len(looks)
    first = looks[: len(studies._COLOURS)]
    assert len({look["marker"] for look in first}) == len(first)


def test_the_letter_in_a_cell_can_be_read_on_its_colour() -> None:
    axes = Figure().subplots()
    for number in range(len(studies._COLOURS)):
        studies._cell(axes, (number, 0), number, 0.9, True, 6)
        studies._cell(axes, (number, 1), number, 0.9, False, 6)
    assert len(axes.patches) == len(axes.texts) == 2 * len(studies._COLOURS)
    for cell, text in zip(axes.patches, axes.texts, strict=True):
        assert contrast(cell.get_facecolor(), text.get_color()) >= 4.5
