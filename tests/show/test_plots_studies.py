"""Pictures, texts and files of studies."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import study_estimators as own

import quantize as qz
from quantize.show.plots.style import new_axes, picture
from quantize.studies import Comparison


@pytest.fixture(scope="module")
def study() -> Comparison:
    """Two estimators, one of them often right, over readings and sigma."""
    return qz.compare_estimators(
        {"a": own.drawn, "b": own.third_of_median},
        {"n": [5, 10], "sigma": [0.1, 0.2, 0.3]},
        replicates=30,
        rng=1,
    )


def test_curves_have_a_panel_for_each_number_and_a_line_for_each_estimator(
    study: Comparison,
) -> None:
    axes = study.plot()
    panels = axes.figure.axes
    assert [panel.get_title(loc="left") for panel in panels] == ["5 readings", "10 readings"]
    for panel, n in zip(panels, (5, 10), strict=True):
        rows = study.table.query(f"n == {n} and estimator == 'a'")
        drawn = panel.containers[0].lines[0]
        # Side by side: half a step of a twentieth of the 0.1 between two places.
        assert drawn.get_xdata() == pytest.approx(rows["sigma_over_unit"] - 0.0025)
        other = panel.containers[1].lines[0]
        assert other.get_xdata() == pytest.approx(rows["sigma_over_unit"] + 0.0025)
        assert np.array_equal(drawn.get_ydata(), rows["right"])
    assert panels[0].get_xlabel() == "sigma / unit"


@pytest.mark.parametrize("what", ["coverage", "power", "over_bound", "bias", "rms"])
def test_everything_that_is_counted_can_be_drawn(study: Comparison, what: str) -> None:
    axes = study.plot(what=what, against="n")
    assert len(axes.figure.axes) == 3
    assert axes.containers


def test_given_axes_are_used(study: Comparison) -> None:
    axes = new_axes()
    assert study.plot(axes) is axes
    assert study.plot(axes, view="map") is axes


def test_the_map_has_a_cell_for_each_condition_with_its_share(study: Comparison) -> None:
    axes = study.plot(view="map")
    assert len(axes.patches) == 6
    names = list(dict.fromkeys(study.table["estimator"]))
    cells = [
        f"{row['right']:.2f} {'AB'[names.index(row['estimator'])]}"
        if row["clear"]
        else f"{row['right']:.2f}"
        for row in study.best().to_dict("records")
    ]
    assert [text.get_text() for text in axes.texts] == cells


def test_pictures_are_the_same_every_time(study: Comparison) -> None:
    assert picture(study.plot()) == picture(study.plot())


def test_what_cannot_be_drawn_is_a_sentence(study: Comparison) -> None:
    with pytest.raises(qz.InputError, match="`what` is 'seconds'"):
        study.plot(what="seconds")
    with pytest.raises(qz.InputError, match="`view` is 'pie'"):
        study.plot(view="pie")
    many = qz.compare_estimators(
        own.drawn, {"n": list(range(3, 11)), "sigma": [0.1 * i for i in range(1, 10)]},
        replicates=1, rng=1,
    )  # fmt: skip
    with pytest.raises(qz.InputError, match="leaves 8 panels, more than 6"):
        many.plot()
    with pytest.raises(qz.InputError, match="no estimator of this study has"):
        many.plot(view="map", what="false_alarms")


def test_the_text_has_a_block_for_each_condition(study: Comparison) -> None:
    text = str(study)
    assert text.count("sigma/unit") == 6
    assert "n 5, sigma/unit 0.1" in text
    assert max(map(len, text.splitlines())) <= 80
    assert max(map(len, str(qz.plan(sigma=[0.1, 0.3])).splitlines())) <= 80
    assert max(map(len, str(qz.plan(readings=20, sigma=0.123456)).splitlines())) <= 80


def test_plans_are_drawn_with_their_errors() -> None:
    plan = qz.plan(sigma=[0.05, 0.1, 0.15], repeats=[1, 2])
    axes = plan.plot()
    assert len(axes.containers) == 2
    assert axes.get_ylabel() == "readings needed"
    assert qz.plan(readings=30, sigma=1.0).plot().get_ylabel() == "smallest unit"


def test_a_folder_that_is_not_there_is_a_sentence(study: Comparison, tmp_path: Path) -> None:
    with pytest.raises(qz.InputError, match="there is no folder"):
        study.to_csv(tmp_path / "no" / "t.csv")
