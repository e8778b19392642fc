"""Pictures of an analysis (readings on their multiples, evidence over units), and of many."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from quantize._support import validation
from quantize.comb.alternatives import relation
from quantize.show import facts
from quantize.show.numbers import rounded, significant
from quantize.show.plots import style
from quantize.show.plots.comb import draw_score, plot_comb_fit
from quantize.show.plots.nulls import plot_null
from quantize.show.plots.posterior import plot_integers, plot_mixture, plot_phases

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray, IntArray
    from quantize.analysis import Analysis
    from quantize.groups.analyze import GroupAnalyses

VIEWS = ("both", "readings", "evidence", "phases", "integers", "null", "posterior", "residuals")
_LABELLED = 40
_LINES = 60
_RASTER = 1000
_MOST_MARKS = 4
_SHARE = 0.01
_MARK, _SMALL = 5.0, 2.5  # size of the mark of a reading, in points
_SAME = 0.03
_WIDTH = 70  # letters that fit side by side below the axes
_NAMED = 24  # more groups than this are numbered, not named
_VERDICTS: dict[str, dict[str, Any]] = {
    "steps": {"marker": "o", "color": style.DATA, "markerfacecolor": style.DATA},
    "cannot tell": {"marker": "o", "color": style.SOFT, "markerfacecolor": "white"},
    "no steps": {"marker": "x", "color": style.ACCENT, "markerfacecolor": style.ACCENT},
}


def plot_analysis(
    found: Analysis,
    ax: Axes | None = None,
    *,
    view: Literal[
        "both", "readings", "evidence", "phases", "integers", "null", "posterior", "residuals"
    ]
    | None = None,
) -> Axes:
    """Draw an analysis.

    Parameters
    ----------
    found : Analysis
        The analysis to draw.
    ax : Axes, optional
        The axes to draw on; without them a new figure is made.
    view : str, optional
        "readings": in ascending order against the multiples of the unit; "evidence": over the
        trial units; "both", the first above the second, on a new figure only; "phases",
        "integers", "null", "posterior", and "residuals" by whole number and in the order taken.
        By default "both" on a new figure and "readings" on given axes.

    Returns
    -------
    Axes
        The upper panel where there are two; ``.figure`` holds both.
    """
    chosen = validation.choice("view", view or ("both" if ax is None else "readings"), VIEWS)
    others = {
        "phases": lambda: plot_phases(found, ax),
        "integers": lambda: plot_integers(found, ax),
        "null": lambda: plot_null(found.smooth, ax),
        "posterior": lambda: plot_mixture(found.mixture, ax),
        "residuals": lambda: plot_comb_fit(found.comb_fit, ax),
    }
    if chosen in others:
        return others[chosen]()
    if chosen == "both" and ax is None:
        with style.look():
            upper, lower = style.new_panels(2, width=6.8, height=7.2, ratios=[1.25, 1])
            draw_readings(found, upper)
            draw_evidence(found, lower)
            style.fit(upper, lower)
        return upper
    with style.drawing(ax) as axes:
        draw = draw_evidence if chosen == "evidence" else draw_readings
        draw(found, axes)
    return axes


def draw_readings(found: Analysis, ax: Axes) -> None:
    """Readings in ascending order, with errors, against the multiples of the unit."""
    data = found.readings
    order = np.argsort(data.values, kind="stable")
    x, k = data.values[order], found.integers[order]
    typical = 1.0 if data.sigma is None else float(np.median(data.sigma))
    error = (data.scale * found.sigma / typical)[order]
    room = max(0.6 * found.unit, 0.06 * float(np.ptp(x)))
    low, high = float(x.min()) - room, float(x.max()) + room
    seen = _seen(ax, error, high - low)
    _multiples(found, ax, low, high)
    _points(ax, x, error if seen else None)
    labelled = x.size <= _LABELLED and facts.stands(found)
    if labelled and facts.readable(facts.levels(found)):
        look = {"ha": "right", "va": "bottom", "color": style.ACCENT, "fontweight": "bold"}
        size = style.points_of(ax)
        for i in _clear(x, k, size[0] / (x.size + 1), size[1] / (high - low)):
            style.note(ax, str(k[i]), (i + 1, float(x[i])), (-4, 2), **look)
    style.whole_ticks(ax)
    head = {"steps": "Steps of", "cannot tell": "Cannot tell; if there were steps:"}
    ax.set(
        xlim=(1 - max(0.7, 0.06 * x.size), x.size + max(0.7, 0.02 * x.size)),
        ylim=(low, high),
        xlabel="readings in ascending order"
        + ("" if seen else "; the scatter is within the marks"),
        ylabel=f"reading{facts.measured_in(found)}",
        title=f"{head.get(found.verdict, 'No steps; drawn for comparison:')} {facts.size(found)}",
    )


def _multiples(found: Analysis, ax: Axes, low: float, high: float) -> None:
    """The multiples of the unit as lines, numbered on the right, where there are not too many."""
    n = len(found.readings)
    first = int(np.ceil((low - found.offset) / found.unit))
    last = int(np.floor((high - found.offset) / found.unit))
    if last - first >= _LINES:
        return
    teeth = np.arange(first, last + 1)
    places = found.offset + teeth * found.unit
    ax.hlines(places, -n, 2 * n + 1, color=style.SOFT, lw=0.8, zorder=1)
    every = max(1, int(np.ceil(teeth.size * 11 / style.points_of(ax)[1])))
    right = ax.secondary_yaxis("right")
    right.set_yticks(places[::every], [str(n) for n in teeth[::every]])
    right.tick_params(length=0, labelcolor=style.INK)
    right.spines["right"].set_visible(False)
    right.set_ylabel("whole number of units")


def _seen(ax: Axes, error: FloatArray, span: float) -> bool:
    """Whether the errors reach out of the marks; many readings have small ones or a band."""
    mark = _MARK if error.size <= _LABELLED else _SMALL
    most = float(np.max(error)) * style.points_of(ax)[1] / span
    return error.size > _RASTER or most > 0.7 * mark


def _clear(x: FloatArray, k: IntArray, across: float, up: float) -> list[int]:
    """The first readings of their whole numbers, as far as the labels do not touch, in points."""
    kept: list[int] = []
    for i in np.flatnonzero(np.r_[True, k[1:] != k[:-1]]).tolist():
        if not kept or (i - kept[-1]) * across > 15 or (x[i] - x[kept[-1]]) * up > 10:
            kept.append(i)
    return kept


def _points(ax: Axes, x: FloatArray, error: FloatArray | None) -> None:
    """The readings with their errors, or alone."""
    place = np.arange(1, x.size + 1)
    if x.size > _RASTER and error is not None:
        # As a vector picture, thousands of bars would take megabytes.
        ax.fill_between(place, x - error, x + error, color=style.SOFT, alpha=0.5, rasterized=True)
        ax.plot(place, x, ".", ms=2.5, color=style.DATA, rasterized=True, label="readings")
        return
    few = x.size <= _LABELLED
    ax.errorbar(
        place,
        x,
        yerr=error,
        fmt="o",
        ms=_MARK if few else _SMALL,
        color=style.DATA,
        ecolor=style.DATA,
        elinewidth=0.9,
        capsize=2.5 if few else 0,
        zorder=3,
        label="readings",
    )


def draw_evidence(found: Analysis, ax: Axes) -> None:
    """The score of every trial unit, the threshold of smooth samples, the named rivals."""
    threshold = facts.threshold(found)
    draw_score(found.score, ax, threshold=threshold, alpha=found.alpha, marks=_rivals(found))
    title = "How well each trial unit fits"
    if threshold is None:
        title += f"; without steps p = {significant(found.p_value, 2)}"
    ax.set_title(title)


def _rivals(found: Analysis) -> list[tuple[float, str]]:
    """The best unit, its rivals by probability, and high peaks at simple fractions of it."""
    rows = found.alternatives.to_dict("records")
    marks = [(row["unit"], _name(row)) for row in rows if row["share"] >= _SHARE or row is rows[0]]
    for row in found.score.alternatives.to_dict("records"):
        if row["statistic"] < 0.5 * found.score.statistic or len(marks) >= _MOST_MARKS:
            break
        if all(abs(row["unit"] / unit - 1) > _SAME for unit, _ in marks):
            short = relation(row["unit"], found.unit, _SAME)
            marks.append((row["unit"], f"{row['unit']:.4g}" if short == "unrelated" else short))
    return marks[:_MOST_MARKS]


def _name(row: Mapping[Any, Any]) -> str:
    short = "u" if row["relation"] == "best" else row["relation"]
    value = rounded(row["unit"], row["unit_err"])
    return value if short == "unrelated" else f"{short} = {value}"


def plot_groups(found: GroupAnalyses, ax: Axes | None = None) -> Axes:
    """Unit and its standard deviation for each group, in the order of the table."""
    table = found.table
    many = len(table) > _NAMED
    known = table["unit"].notna().any()
    place = np.arange(1, len(table) + 1)
    with style.drawing(ax) as axes:
        for verdict, mark in _VERDICTS.items():
            mine = (table["verdict"] == verdict).to_numpy()
            if not mine.any():
                continue
            axes.errorbar(
                place[mine],
                table["unit"][mine],
                yerr=table["unit_err"][mine],
                linestyle="none",
                markersize=3 if many else 5,
                elinewidth=0.7 if many else 1.2,
                label=f"{verdict} ({mine.sum():,})",
                zorder=3 if verdict == "steps" else 2,
                **mark,
            )
        axes.set_xlim(0, len(table) + 1)
        if known:
            reach = table["unit"] + table["unit_err"].fillna(0)
            axes.set_ylim(0, 1.08 * float(reach.max()))
        by, lines = style.plain(found.by), 3
        if many:
            by += ", in order of first appearance"
        else:
            names = [style.shortened(str(label), 12) for label in table["group"]]
            upright = max(map(len, names)) * len(names) > _WIDTH
            axes.set_xticks(place, names, rotation=90 if upright else 0, fontsize=8)
            lines = 7 if upright else 3
        if known:
            style.legend_below(axes, lines=lines)
        lost = len(found.failed)
        left_out = f", {lost:,} not analysed" if lost else ""
        axes.set(
            xlabel=by,
            ylabel=f"unit of {style.plain(found.value)}{facts.measured_in(found)}",
            title=f"Units of {len(table):,} group{'s' * (len(table) != 1)}{left_out}",
        )
    return axes
