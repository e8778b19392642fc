"""Pictures of an analysis: the readings on their multiples, and the evidence over trial units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize.comb.alternatives import relation
from quantize.show import facts, style
from quantize.show.numbers import plus_minus, rounded, significant
from quantize.show.plots_comb import draw_score, plot_integers, plot_phases
from quantize.show.plots_null import plot_null

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize.analysis import Analysis

VIEWS = ("both", "readings", "evidence", "phases", "integers", "null", "posterior", "residuals")
_LABELLED = 40
_LINES = 60
_RASTER = 1000
_MOST_MARKS = 4
_SHARE = 0.01
_SAME = 0.03


def plot_analysis(found: Analysis, ax: Axes | None = None, *, view: str | None = None) -> Axes:
    """Draw an analysis.

    Parameters
    ----------
    found : Analysis
    ax : Axes, optional
        Without it a new figure is made.
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
    view = validation.choice("view", view or ("both" if ax is None else "readings"), VIEWS)
    if view == "phases":
        return plot_phases(found, ax)
    if view == "integers":
        return plot_integers(found, ax)
    if view == "null":
        return plot_null(found.smooth, ax)
    if view == "posterior":
        return found.mixture.plot(ax)
    if view == "residuals":
        return found.comb_fit.plot(ax)
    if view == "both":
        if ax is not None:
            view = "readings"
        else:
            upper, lower = style.new_panels(2, width=6.8, height=7.2, ratios=[1.25, 1])
            with style.look():
                draw_readings(found, upper)
                draw_evidence(found, lower)
            return upper
    axes = style.new_axes() if ax is None else ax
    with style.look():
        draw = draw_readings if view == "readings" else draw_evidence
        draw(found, axes)
    return axes


def draw_readings(found: Analysis, ax: Axes) -> None:
    """Readings in ascending order, with errors, against the multiples of the unit."""
    data = found.readings
    order = np.argsort(data.values, kind="stable")
    x, k = data.values[order], found.integers[order]
    place = np.arange(1, x.size + 1)
    error = found.sigma if data.sigma is None else data.sigma[order]
    low, high = float(x.min()) - 0.6 * found.unit, float(x.max()) + 0.6 * found.unit
    first = int(np.ceil((low - found.offset) / found.unit))
    last = int(np.floor((high - found.offset) / found.unit))
    if last - first < _LINES:
        teeth = np.arange(first, last + 1)
        ax.hlines(
            found.offset + teeth * found.unit,
            -x.size,
            2 * x.size + 1,
            color=style.SOFT,
            lw=0.8,
            zorder=1,
        )
        every = max(1, int(np.ceil(teeth.size / 18)))
        right = ax.secondary_yaxis("right")
        right.set_yticks(
            found.offset + teeth[::every] * found.unit, [str(n) for n in teeth[::every]]
        )
        right.tick_params(length=0, labelcolor=style.INK)
        right.spines["right"].set_visible(False)
        right.set_ylabel("whole number of units")
    if x.size > _RASTER:
        # As a vector picture, thousands of bars would take megabytes.
        ax.fill_between(place, x - error, x + error, color=style.SOFT, alpha=0.5, rasterized=True)
        ax.plot(place, x, ".", ms=2.5, color=style.DATA, rasterized=True, label="readings")
    else:
        ax.errorbar(
            place,
            x,
            yerr=error,
            fmt="o",
            ms=5 if x.size <= _LABELLED else 2.5,
            color=style.DATA,
            ecolor=style.DATA,
            elinewidth=0.9,
            capsize=2.5 if x.size <= _LABELLED else 0,
            zorder=3,
            label="readings",
        )
    labelled = x.size <= _LABELLED and facts.stands(found)
    if labelled and facts.readable(facts.levels(found)):
        for i, (value, n) in enumerate(zip(x.tolist(), k.tolist(), strict=True), start=1):
            if i == 1 or n != k[i - 2]:
                ax.annotate(
                    str(n),
                    (i, value),
                    xytext=(-4, 7),
                    textcoords="offset points",
                    ha="right",
                    va="bottom",
                    fontsize=8,
                    color=style.ACCENT,
                    fontweight="bold",
                )
    ax.set_xlim(1 - max(0.7, 0.04 * x.size), x.size + 0.7)
    ax.set_ylim(low, high)
    ax.set_xlabel("readings in ascending order")
    ax.set_ylabel("reading")
    unit = plus_minus(found.unit, found.unit_err)
    head = {"steps": "Steps of", "cannot tell": "Cannot tell; if there were steps:"}
    ax.set_title(f"{head.get(found.verdict, 'No steps; drawn for comparison:')} {unit}")


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
