"""What readings are measured in stands beside their numbers: text, pictures, report, notebook."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes

import quantize as qz
from quantize._support.results import Result
from quantize.analysis import Analysis
from quantize.show.numbers import in_unit, unit_shown


@pytest.fixture
def in_esu(fixed: Analysis) -> Analysis:
    assert fixed.readings.unit_name == "1e-10 esu"
    return fixed


def test_powers_of_ten_are_raised() -> None:
    # SI Brochure, 9th edition, 5.4.3 and 5.4.5: a space and a multiplication sign.
    assert in_unit("1.606(26)", "1e-19 C") == "1.606(26) × 10⁻¹⁹ C"
    assert in_unit("1.6 ± 0.1", "10^-19 C") == "(1.6 ± 0.1) × 10⁻¹⁹ C"
    assert in_unit("1.6 ± 0.1", "C") == "1.6 ± 0.1 C"
    assert [unit_shown(name) for name in ("1.0E+3 g", "2e3 g", "e", "1e-19", None)] == [
        "10³ g",
        "2e3 g",
        "e",
        "10⁻¹⁹",
        "",
    ]


def test_the_text_and_the_notebook_say_it(in_esu: Analysis) -> None:
    text = str(in_esu)
    for words in (
        "(4.9089 ± 0.0050) × 10⁻¹⁰ esu, in short 4.9089(50) × 10⁻¹⁰ esu",
        "4.8989 to 4.9189 × 10⁻¹⁰ esu",
        "0.19 × 10⁻¹⁰ esu, which is 0.039 of the unit",
        "The whole number behind each reading, in 10⁻¹⁰ esu",
        "1.589 to 31.78 × 10⁻¹⁰ esu",
    ):
        assert words in " ".join(text.split()), words
    assert "×&nbsp;10⁻¹⁰&nbsp;esu" in in_esu._repr_html_()
    plain = dataclasses.replace(in_esu, readings=qz.Readings(in_esu.readings.values))
    assert "esu" not in str(plain)


def test_the_pictures_say_it(in_esu: Analysis) -> None:
    upper, lower = in_esu.plot().figure.axes[:2]
    assert upper.get_ylabel() == "reading, in 10⁻¹⁰ esu"
    assert "esu" in upper.get_title(loc="left")
    assert lower.get_xlabel() == "trial unit, in 10⁻¹⁰ esu"
    residuals = in_esu.plot(view="residuals").figure.axes[0]
    assert " ".join(residuals.get_ylabel().split()) == "reading minus its multiple, in 10⁻¹⁰ esu"
    assert "unit, in 10⁻¹⁰ esu" in in_esu.plot(view="posterior").get_xlabel()


@pytest.mark.usefixtures("unrendered")
def test_the_report_says_it(in_esu: Analysis, tmp_path: Path) -> None:
    page = in_esu.report(tmp_path / "a.html").read_text("utf-8").replace("&nbsp;", " ")
    assert "(4.9089 ± 0.0050) × 10⁻¹⁰ esu</p>" in page
    assert "is 49.41 × 10⁻¹⁰ esu" in page or "× 10⁻¹⁰ esu and the unit is" in page


def test_it_goes_with_the_readings() -> None:
    readings = qz.Readings([1.0, 2.0, 3.5], unit_name=" div ")
    assert readings.unit_name == "div"
    for same in (
        readings.select([0, 2]),
        readings.replace(sigma=0.1),
        qz.Readings.from_dict(readings.to_dict()),
    ):
        assert same.unit_name == "div"
    np.testing.assert_array_equal(readings.select([0, 2]).values, [1.0, 3.5])
    old = readings.to_dict()
    del old["unit_name"]
    assert qz.Readings.from_dict(old).unit_name is None
    for wrong in ("", " ", "a\nb", "x" * 25, 7):
        with pytest.raises(qz.InputError, match="give a short text, such as 'div'"):
            qz.Readings([1.0, 2.0], unit_name=wrong)  # type: ignore[arg-type]


VALUES = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]


def _everything(axes: Axes) -> str:
    """Titles and labels of every panel, each on one line."""
    panels = axes.figure.axes
    texts = [t for ax in panels for t in (ax.get_title(loc="left"), ax.get_xlabel())]
    return " | ".join(" ".join(t.split()) for t in (*texts, *(ax.get_ylabel() for ax in panels)))


def _light(unit_name: str | None) -> qz.Readings:
    generator = np.random.default_rng(4)
    values = 7.3 * generator.poisson(2.2, 6000) + generator.normal(0, 0.9, 6000)
    return qz.Readings(values, unit_name=unit_name)


RESULTS: dict[str, Callable[[str | None], Result]] = {
    "periodogram": lambda name: qz.periodogram(qz.Readings(VALUES, unit_name=name), (1.2, 5)),
    "fit_comb": lambda name: qz.fit_comb(qz.Readings(VALUES, unit_name=name), (1.2, 5)),
    "fit_mixture": lambda name: qz.fit_mixture(qz.Readings(VALUES, unit_name=name), (1.2, 5)),
    "sample_mixture": lambda name: qz.sample_mixture(
        qz.Readings(VALUES, unit_name=name), (1.2, 5), draws=20, chains=1, rng=1
    ),
    "fit_counts": lambda name: qz.counts.fit_counts(_light(name), (3, 20)),
    "analyze_counts": lambda name: qz.analyze(_light(name), (3, 20)),
    "analyze_groups": lambda name: qz.analyze_groups(
        {"drop": ["A"] * 10, "length": VALUES},
        by="drop",
        value="length",
        unit_name=name,
        n_resamples=99,
        rng=1,
    ),
}
"""Every result with an axis in the unit of the readings, but the analysis, which stands above."""


@pytest.mark.parametrize("name", RESULTS)
def test_every_picture_with_such_an_axis_and_its_text_say_it(name: str) -> None:
    found, plain = RESULTS[name]("1e-3 mV"), RESULTS[name](None)
    assert "in 10⁻³ mV" in _everything(found.plot())
    assert "10⁻³ mV" in str(found)
    if name == "analyze_groups":
        assert "Units of length by drop, in 10⁻³ mV" in found._repr_html_()
    assert "mV" not in _everything(plain.plot()) + str(plain)


def test_the_name_of_the_column_says_it_of_every_group() -> None:
    table = {"drop": ["A"] * 10, "charge [1e-19 C]": VALUES}
    options: dict[str, Any] = {"by": "drop", "value": "charge [1e-19 C]", "n_resamples": 99}
    found = qz.analyze_groups(table, rng=1, **options)
    assert found.to_dict()["unit_name"] == "1e-19 C"
    assert found.analysis("A").readings.unit_name == "1e-19 C"
    named = qz.analyze_groups(table, rng=1, unit_name="e", **options)
    assert (named.unit_name, named.analysis("A").readings.unit_name) == ("e", "e")
    assert named.table.equals(found.table)
    with pytest.raises(qz.InputError, match="give a short text, such as 'div'"):
        qz.analyze_groups(table, unit_name="", **options)
