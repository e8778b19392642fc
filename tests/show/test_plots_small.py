"""Pictures at half the width of a page: no label on another, none cut off, no legend on a label."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import one_of_each
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

import quantize as qz
from quantize.analysis import Analysis
from quantize.show.plots import style

SIZE = (3.3, 2.5)
VIEWS = ("readings", "evidence", "phases", "integers", "null", "posterior", "residuals")
DATA = Path(qz.__file__).parent / "data"


@pytest.fixture(scope="module")
def crowded() -> Analysis:
    """Three hundred readings of an awkward size, a few of them astray."""
    rng = np.random.default_rng(8)
    x = 1.234e-3 * (rng.integers(-30, 31, size=300) + 0.12 * rng.normal(size=300))
    x[:6] = rng.uniform(-0.03, 0.03, 6)
    return qz.analyze(qz.Readings(x, unit_name="1e-19 C"), n_resamples=99, rng=1)


@pytest.fixture(scope="module")
def dull() -> Analysis:
    return qz.analyze([2.1, 3.9, 6.0, 8.1, 9.9, 14.0], n_resamples=99, rng=1)


def drawn(draw: Callable[[Axes], Any]) -> tuple[Figure, Axes]:
    figure = Figure(figsize=SIZE, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    draw(axes)
    figure.canvas.draw()
    return figure, axes


def boxes(texts: Any) -> list[tuple[str, Bbox]]:
    found = [
        (t.get_text(), t.get_window_extent()) for t in texts if t.get_text() and t.get_visible()
    ]
    return [(text, box) for text, box in found if box.width > 0]


def faults(figure: Figure, axes: Axes) -> list[str]:
    """What lies on something else, or over the edge, by more than two pixels."""
    width, height = figure.bbox.width, figure.bbox.height
    names = [axes.xaxis.label, axes.yaxis.label, *axes.texts]
    left, bottom = axes.get_window_extent().x0, axes.get_window_extent().y0
    ticks_x = [
        (t, b) for t, b in boxes(axes.get_xticklabels()) if b.x1 > left and b.y1 < bottom + 5
    ]
    found = []
    for text, box in boxes(names) + boxes([axes.title, axes._left_title]):  # type: ignore[attr-defined]
        if min(box.x0, box.y0) < -2 or box.x1 > width + 2 or box.y1 > height + 2:
            found.append(f"over the edge: {text!r}")
    for (one, a), (other, b) in itertools.pairwise(sorted(ticks_x, key=lambda pair: pair[1].x0)):
        if a.x1 > b.x0 + 2:
            found.append(f"ticks: {one!r} on {other!r}")
    for (one, a), (other, b) in itertools.combinations(boxes(axes.texts), 2):
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 2 and min(a.y1, b.y1) - max(a.y0, b.y0) > 2:
            found.append(f"labels: {one!r} on {other!r}")
    rows = sorted(boxes(axes.get_yticklabels()), key=lambda pair: pair[1].y0)
    for (one, a), (other, b) in itertools.pairwise(rows):
        if a.y1 > b.y0 + 3:
            found.append(f"rows: {one!r} on {other!r}")
    if axes.get_window_extent().height < 0.2 * height:
        found.append("flat")
    legend = axes.get_legend()
    if legend is not None:
        box = legend.get_window_extent()
        if box.x0 < -2 or box.x1 > width + 2 or box.y0 < -2:
            found.append("over the edge: the legend")
    if legend is not None and axes.get_xlabel():
        top = legend.get_window_extent().y1
        if top > axes.xaxis.label.get_window_extent().y0 + 4:
            found.append("the legend on the label below the axes")
    return found


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("kind", ["dull", "crowded"])
def test_an_analysis(view: str, kind: str, request: pytest.FixtureRequest) -> None:
    found: Analysis = request.getfixturevalue(kind)
    assert faults(*drawn(lambda ax: found.plot(ax=ax, view=view))) == []


@pytest.mark.parametrize("kind", ["dull", "crowded"])
def test_its_parts(kind: str, request: pytest.FixtureRequest) -> None:
    found: Analysis = request.getfixturevalue(kind)
    assert faults(*drawn(lambda ax: found.score.plot(ax=ax))) == []
    assert faults(*drawn(lambda ax: found.mixture.plot(ax=ax, view="prediction"))) == []


@pytest.mark.slow
def test_a_run_and_its_coulombs() -> None:
    run = qz.charge.read_run(DATA / "invented_run.csv", DATA / "invented_apparatus.toml")
    coulombs = run.analyze(n_resamples=99, rng=1).coulombs
    for view in ("rows", "residuals", "voltage", "fall", "charge", "scatter"):
        assert faults(*drawn(lambda ax, view=view: run.plot(ax=ax, view=view))) == [], view
    for view in ("budget", "routes"):
        assert faults(*drawn(lambda ax, view=view: coulombs.plot(ax=ax, view=view))) == [], view


def test_studies_and_plans() -> None:
    study = qz.compare_estimators(
        ["cosine score", "least squares"],
        {"n": [10, 20], "sigma": [0.1, 0.2, 0.3], "unit_range": (0.4, 2.5)},
        replicates=10,
        rng=1,
    )
    for options in ({}, {"view": "map"}):
        assert faults(*drawn(lambda ax, options=options: study.plot(ax=ax, **options))) == []
    for plan in (qz.plan(sigma=[0.1, 0.2]), qz.plan(readings=[20, 40], sigma=1.0)):
        assert faults(*drawn(lambda ax, plan=plan: plan.plot(ax=ax))) == []


def test_what_the_p_value_depends_on() -> None:
    page = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
    for ranges in (None, [(1, 3), (1.1, 3), (1.2, 3.3), (1.5, 3.4)]):
        found = qz.null.sensitivity(page, (1.2, 7), unit_ranges=ranges, n_resamples=19, rng=1)
        figure, axes = drawn(lambda ax, found=found: found.plot(ax=ax))  # type: ignore[misc]
        assert faults(figure, axes) == []
        # Every mark of a row stands within it, clear of the frame.
        places = np.concatenate([line.get_ydata() for line in axes.lines[:-1]])  # type: ignore[misc]
        assert np.abs(places - np.rint(places)).max() < 0.4
        assert min(axes.get_ylim()) < places.min() - 0.15


@pytest.mark.parametrize("name", ["RunningResult", "CountAnalysis", "GroupAnalyses", "JointUnit"])
def test_other_results(name: str) -> None:
    assert faults(*drawn(lambda ax: one_of_each.one(name).plot(ax=ax))) == []


def test_the_faults_are_seen() -> None:
    def wrong(ax: Axes) -> None:
        ax.text(0.5, 0.5, "one thing", transform=ax.transAxes)
        ax.text(0.52, 0.5, "another", transform=ax.transAxes)
        long = ax.text(0.9, 0.2, "far too long for where it stands", transform=ax.transAxes)
        long.set_in_layout(False)
        ax.set_xticks([0.1, 0.12], ["0.1000", "0.1200"])

    said = faults(*drawn(wrong))
    assert [what.partition(":")[0] for what in said] == ["over the edge", "ticks", "labels"]


def test_numbers_of_an_axis_and_of_a_title_are_whole() -> None:
    axes = style.new_axes(3.7, 3.4)
    axes.set(xlim=(1.999, 2.001), ylim=(100_000.1, 100_000.2))
    style.picture(axes, "png")
    for axis in (axes.xaxis, axes.yaxis):
        assert axis.get_offset_text().get_text() == ""
    assert axes.get_xticklabels()[0].get_text().startswith("1.99")
    for inches in np.linspace(1.0, 4.0, 31):
        assert "2.00023 ± 0.00026" in style.broken("Between multiples of 2.00023 ± 0.00026", inches)
        measured = "Steps of (4.9089 ± 0.0050) × 10⁻¹⁰ esu"
        assert style.broken(measured, inches).split() == measured.split()
