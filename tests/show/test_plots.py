"""Pictures: what is drawn is what was found, and the files are the same every time."""

from __future__ import annotations

import dataclasses
import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.text import Text

import quantize as qz
from quantize.analysis import Analysis
from quantize.show.plots import style
from quantize.show.plots.analysis import VIEWS
from quantize.show.plots.comb import _apart, _thinned


def data_of(line: object) -> list[float]:
    return [float(v) for v in line.get_ydata()]  # type: ignore[attr-defined]


def texts(ax: object) -> str:
    return " ".join(t.get_text() for t in ax.texts)  # type: ignore[attr-defined]


def test_readings_stand_in_ascending_order_on_the_multiples(published: Analysis) -> None:
    ax = published.plot()
    assert len(ax.figure.axes) == 2
    [container] = ax.containers
    assert data_of(container.lines[0]) == sorted(published.readings.values.tolist())
    [lines] = [c for c in ax.collections if len(c.get_paths()) > 13 or c.get_zorder() == 1]
    heights = [path.vertices[0, 1] for path in lines.get_paths()]
    for k in published.integers:
        assert min(abs(h - k * published.unit) for h in heights) < 1e-9
    # Phys. Rev. 32:349 (1911).
    assert texts(ax).split() == [str(k) for k in (*range(4, 15), 16, 17)]
    assert "4.9089" in ax.get_title(loc="left")


def test_evidence_shows_threshold_and_rivals(published: Analysis) -> None:
    upper = published.plot()
    ax = upper.figure.axes[1]
    curve = ax.lines[0]
    assert len(curve.get_xdata()) > 100
    threshold = float(np.quantile(published.smooth.null_distribution, 0.95))
    assert any(data_of(line) == [threshold, threshold] for line in ax.lines)
    assert "u = 4.9089" in texts(ax)
    assert "u/2" in texts(ax)
    [said] = ax.get_legend().get_texts()
    assert said.get_text() == "5 % of samples without steps reach this somewhere"


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("name", ["published", "unclear", "stated"])
def test_every_view_draws(name: str, view: str, request: pytest.FixtureRequest) -> None:
    found = request.getfixturevalue(name)
    ax = found.plot(view=view)
    assert ax.has_data() or ax.patches
    picture = style.picture(ax, "png", dpi=40)
    assert picture.startswith(b"\x89PNG")


def test_given_axes_are_used(published: Analysis) -> None:
    own = style.new_axes()
    for result in (published, published.score, published.comb_fit, published.mixture):
        assert result.plot(own) is own
    assert published.smooth.plot(own) is own


def test_a_view_that_does_not_exist(published: Analysis) -> None:
    with pytest.raises(qz.InputError, match="`view` is 'pie'; it must be one of 'both'"):
        published.plot(view="pie")


def test_residuals_are_those_of_the_fit(published: Analysis) -> None:
    ax = published.comb_fit.plot()
    points = [line for line in ax.lines if line.get_marker() == "o"]
    drawn = sorted(y for line in points for y in data_of(line))
    assert drawn == sorted(published.comb_fit.residuals.tolist())


def test_residuals_in_time_keep_the_order(published: Analysis) -> None:
    lower = published.plot(view="residuals").figure.axes[1]
    [points] = [line for line in lower.lines if line.get_marker() == "o"]
    order = np.arange(1, len(published.readings) + 1)
    assert points.get_xdata().tolist() == order.tolist()
    np.testing.assert_array_equal(points.get_ydata(), published.comb_fit.residuals)
    alone = published.comb_fit.plot(view="order")
    assert len(alone.figure.axes) == 1


def test_the_curve_passes_through_every_trial_unit(published: Analysis) -> None:
    score = published.score
    curve = score.plot().lines[0]
    u, y = (np.asarray(values, float) for values in curve.get_data())
    drawn = dict(zip(u.tolist(), y.tolist(), strict=True))
    for unit, value in zip(score.trial_units.tolist(), score.score.tolist(), strict=True):
        near = min(drawn, key=lambda have: abs(have - unit))
        assert near == pytest.approx(unit, rel=1e-12)
        assert drawn[near] == pytest.approx(value, abs=1e-9)
    # Between them it is the score of a finer grid, to the width of a line.
    fine = 1 / np.linspace(1 / u.max(), 1 / u.min(), 4000)
    exact = qz.periodogram(published.readings, trial_units=fine)
    near = np.interp(1 / exact.trial_units, 1 / u, y)
    assert np.max(np.abs(near - exact.score)) < 0.02 * score.statistic


def test_phases_stand_where_they_should(published: Analysis) -> None:
    ax = published.plot(view="phases")
    [points] = [line for line in ax.lines if line.get_marker() == "o"]
    angle = np.arctan2(np.array(data_of(points)), np.array(points.get_xdata(), float))
    turns = (0.25 - angle / (2 * np.pi)) % 1
    expected = (published.readings.values / published.unit) % 1
    np.testing.assert_allclose(turns, expected, atol=1e-9)


def test_integers_have_one_row_a_state(stated: Analysis) -> None:
    ax = stated.plot(view="integers")
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "s1",
        "s2",
        "s3",
        "s5",
        "s7",
        "s8",
    ]


def test_the_null_picture_counts_every_resample(published: Analysis) -> None:
    ax = published.plot(view="null")
    counts = ax.patches[0].get_data().values  # type: ignore[attr-defined]
    assert int(counts.sum()) == published.smooth.n_resamples
    assert any(
        line.get_xdata()[0] == published.smooth.statistic  # type: ignore[index]
        for line in ax.lines
    )


def test_a_free_offset_shows_power(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = 3.3 + 2.0 * rng.integers(0, 9, size=10) + rng.normal(0, 0.1, size=10)
    found = qz.analyze(values, (0.9, 6), offset="free", n_resamples=99, rng=1)
    ax = found.plot().figure.axes[1]
    assert ax.get_ylabel() == "power"
    assert ax.get_ylim()[0] <= 0


def test_many_readings_stay_drawable(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = 2.0 * rng.integers(1, 30, size=2000) + rng.normal(0, 0.2, size=2000)
    found = qz.periodogram(values, (0.5, 6))
    svg = style.picture(found.plot())
    assert len(svg) < 1_000_000


def test_thinning_keeps_the_peaks() -> None:
    y = np.sin(np.arange(100_000))
    y[54_321] = 9.0
    y[12_345] = -9.0
    x, kept = _thinned(np.arange(y.size, dtype=float), y)
    assert x.size <= 6000
    assert kept.max() == 9.0
    assert kept.min() == -9.0


DRAW = """
import sys, quantize as qz
from quantize.show.plots import style
page = [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91]
found = qz.fit_comb(page, (2, 8))
sys.stdout.buffer.write(style.picture(found.plot()))
"""


@pytest.mark.slow
def test_svg_is_the_same_in_every_process() -> None:
    once = subprocess.run(
        [sys.executable, "-P", "-c", DRAW], capture_output=True, check=True
    ).stdout
    page = [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91]
    again = style.picture(qz.fit_comb(page, (2, 8)).plot())
    assert once == again
    assert b"<svg" in once
    assert b"dc:date" not in once


def test_dollars_are_text() -> None:
    ax = style.new_axes()
    with style.look():
        ax.set_title(style.plain("a $\\frac{1}{2$ \x1b[31m b"))
    assert b"<svg" in style.picture(ax)
    assert ax.get_title(loc="left") == "a $\\frac{1}{2$  [31m b"
    assert len(style.plain("x" * 10_000)) == 60


def test_files_are_written_whole(published: Analysis, tmp_path: Path) -> None:
    axes = published.comb_fit.plot()
    for kind, head in (("svg", b"<?xml"), ("pdf", b"%PDF"), ("png", b"\x89PNG")):
        path = style.save_plot(axes, tmp_path / f"a.{kind}")
        assert path.read_bytes().startswith(head)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.pdf", "a.png", "a.svg"]


def test_no_window_system_is_touched(published: Analysis) -> None:
    published.plot()
    assert (
        "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()
    )


def shown(axes: Axes) -> list[Text]:
    """What is written on and round a panel once it is laid out, its numbers too where they are."""
    style.picture(axes, "png", dpi=100)
    legend = axes.get_legend()
    ticks = [
        tick.label1
        for axis, (low, high) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim()))
        for tick in axis.get_major_ticks()
        if min(low, high) <= tick.get_loc() <= max(low, high)
    ]
    named = [axes.xaxis.label, axes.yaxis.label, *axes.texts, *ticks]
    titles = [text for text in axes.get_children() if isinstance(text, Text)]
    return [*named, *titles, *([] if legend is None else legend.get_texts())]


def test_logarithmic_axes_have_plain_numbers() -> None:
    readings = (5 * np.random.default_rng(5).integers(2, 9, 20)).astype(float)
    rng = np.random.default_rng(1)
    many = 3.0 * rng.integers(1, 9, 20_000) + rng.normal(0, 0.3, 20_000)
    counts = qz.counts.Histogram(
        np.linspace(0, 30, 301), np.histogram(many, np.linspace(0, 30, 301))[0]
    )
    for numbers, axes in {
        "20 30": qz.plan(sigma=[0.05, 0.2], repeats=[1, 2]).plot(),
        "0.1": qz.null.sensitivity(readings + 0.3, n_resamples=99, rng=1).plot(),
        "100": qz.counts.fit_counts(counts, (2.0, 4.0)).plot(),
    }.items():
        words = [text.get_text() for text in shown(axes)]
        assert not [text for text in words if "$" in text]
        assert set(numbers.split()) <= set(words)


@pytest.mark.parametrize("width", [6.4, 3.7])
@pytest.mark.parametrize("view", ["readings", "evidence", "null", "posterior", "residuals"])
def test_no_text_leaves_the_picture(view: str, width: float, published: Analysis) -> None:
    axes = published.plot(style.new_axes(width, 3.6), view=view)
    frame = axes.figure.bbox
    for text in shown(axes):
        box = text.get_window_extent()
        if text.get_text():
            assert box.x0 > frame.x0 - 3, text
            assert box.x1 < frame.x1 + 3, text


def test_whole_numbers_do_not_touch_each_other(published: Analysis) -> None:
    k = np.arange(1, 41)
    every = type(published.integer_probabilities)(
        {"reading": np.arange(40), "integer": k, "probability": np.ones(40)}
    )
    found = dataclasses.replace(
        published,
        readings=qz.Readings(published.unit * k),
        integers=k,
        integer_probabilities=every,
        mixture=qz.fit_mixture(published.unit * k, (3.0, 7.0), sigma_range=0.2),
    )
    for width in (6.4, 3.7):
        axes = found.plot(style.new_axes(width, 3.6), view="readings")
        style.picture(axes, "png")
        boxes = [text.get_window_extent() for text in axes.texts]
        assert 8 <= len(boxes) <= 40
        for one, other in itertools.pairwise(boxes):
            assert not one.overlaps(other)


def test_errors_that_the_marks_hide_are_not_drawn_but_said(published: Analysis) -> None:
    small, large = published, dataclasses.replace(published, sigma=2.0)
    for found, seen in ((small, False), (large, True)):
        axes = found.plot(view="readings")
        [container] = axes.containers
        assert container.has_yerr == seen
        assert axes.get_xlabel().endswith("within the marks") == (not seen)


def test_equal_residuals_stand_side_by_side() -> None:
    place, r = np.array([2, 2, 2, 3, 3]), np.array([0.5, 0.5, -0.5, 0.5, 0.5 + 1e-15])
    moved = _apart(place, r)
    assert len({(x, y) for x, y in zip(moved.tolist(), r.round(9).tolist(), strict=True)}) == 5
    assert np.abs(moved - place).max() <= 0.3
    assert moved[2] == 2
    assert moved[:2].mean() == pytest.approx(2)


def test_a_notebook_shows_the_picture_without_a_window_system(published: Analysis) -> None:
    code = (
        "import sys, pickle, quantize as qz\n"
        "found = qz.fit_comb([2.1, 3.9, 6.0, 8.1, 9.9, 14.0], (1.2, 5))\n"
        "ax = pickle.loads(pickle.dumps(found.plot()))\n"
        "data, size = ax._repr_png_()\n"
        "print(data[:8] == bytes.fromhex('89504e470d0a1a0a'), size['width'])\n"
        "print('matplotlib.pyplot' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    # The signature of a PNG file (ISO/IEC 15948, 5.2); 6.4 inches at 96 pixels.
    assert done.stdout.split() == ["True", "614", "False"]
    figure = style.figure_of(published.plot())
    assert figure.axes[0]._repr_png_()[0] == figure.axes[1]._repr_png_()[0]
    # Axes that were handed in belong to somebody who shows them.
    own = figure.axes[0]
    assert published.plot(own, view="readings") is own
