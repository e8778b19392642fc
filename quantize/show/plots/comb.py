"""Pictures of a comb: the score of every trial unit, the residuals of least squares."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from quantize._support import validation
from quantize.show import facts
from quantize.show.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.comb.least_squares import CombFit
    from quantize.comb.periodogram import Periodogram

_MOST_POINTS = 6000
_FEW = 120  # more points are small
_MANY = 1000  # more points are drawn as an image
_SMOOTH = 1500  # fewer trial units are joined by a smooth curve


def plot_periodogram(found: Periodogram, ax: Axes | None = None) -> Axes:
    """Score (or power, for a free offset) of every trial unit."""
    with style.drawing(ax) as axes:
        rivals = found.alternatives.to_dict("records")[:3]
        draw_score(found, axes, marks=[(row["unit"], f"{row['unit']:.4g}") for row in rivals])
        axes.set_title(f"Best trial unit {facts.size(found)}")
    return axes


def draw_score(
    found: Periodogram,
    ax: Axes,
    *,
    marks: Sequence[tuple[float, str]],
    threshold: float | None = None,
    alpha: float = 0.05,
) -> None:
    """The statistic over the trial units, with marks on some of them."""
    free = found.settings["offset"] == "free"
    u, y = _thinned(*_smooth(*_with_peaks(found, free)))
    ax.plot(u, y, color=style.DATA, lw=1.0, zorder=2)
    ax.axhline(0, color=style.RULE, lw=0.8, zorder=1)
    low, high = float(u.min()), float(u.max())
    top = float(max(y.max(), threshold or 0.0))
    bottom = float(min(y.min(), 0.0))
    height, clear, row = top - bottom, 0.06, style.row_of(ax, len(marks))
    ax.set_xscale("log")
    ax.set(
        xlim=(low, high),
        ylim=(bottom - 0.03 * height, top + height * (clear + row * len(marks))),
        xlabel=f"trial unit{facts.measured_in(found) or ' (in the unit of the readings)'}",
        ylabel="power" if free else "score",
    )
    if threshold is not None:
        said = f"{100 * alpha:g} % of samples without steps reach this somewhere"
        ax.axhline(threshold, color=style.INK, lw=1.1, ls=(0, (5, 3)), zorder=3, label=said)
        style.legend_below(ax)
    for rank, (unit, name) in enumerate(marks):
        if low <= unit <= high:
            level = top + height * (clear + row * (len(marks) - 1 - rank))
            peak = float(np.interp(-unit, -u, y))
            _mark(ax, name, unit, peak, level, first=rank == 0)
    style.plain_ticks(ax, low, high)


def _mark(ax: Axes, name: str, unit: float, peak: float, level: float, *, first: bool) -> None:
    """A trial unit named above its peak."""
    ax.vlines(unit, peak, level, color=style.ACCENT, lw=0.9, ls=":", zorder=2)
    ax.plot(
        [unit], [peak], "D" if first else "v", color=style.ACCENT, ms=5, zorder=4, clip_on=False
    )
    style.beside(
        ax,
        style.plain(name),
        (unit, level),
        rather_left=False,
        color=style.ACCENT,
        fontweight="bold" if first else "normal",
        bbox=style.CLEAR,
    )


RESIDUALS = ("both", "integer", "order")


def plot_comb_fit(
    found: CombFit,
    ax: Axes | None = None,
    *,
    view: Literal["both", "integer", "order"] | None = None,
) -> Axes:
    """Residuals of the least-squares comb.

    Parameters
    ----------
    found : CombFit
        The fit whose residuals are drawn.
    ax : Axes, optional
        The axes to draw on; without them a new figure is made.
    view : {"both", "integer", "order"}, optional
        Against the whole number, in the order in which the readings were taken, or the first
        above the second. By default "both" on a new figure and "integer" on given axes.

    Returns
    -------
    Axes
        The upper panel where there are two.
    """
    chosen = validation.choice("view", view or ("both" if ax is None else "integer"), RESIDUALS)
    order = np.arange(1, found.residuals.size + 1)
    across = {
        "integer": (found.integers, "whole number of units"),
        "order": (order, "reading, in the order taken"),
    }
    title = f"Least squares: unit {facts.size(found)}"
    if chosen == "both" and ax is None:
        with style.look():
            upper, lower = style.new_panels(2, width=6.4, height=5.6)
            _residuals(found, upper, *across["integer"], title)
            _residuals(found, lower, *across["order"], "")
            style.legend_below(lower)
            style.fit(upper, lower)
        return upper
    with style.drawing(ax) as axes:
        _residuals(found, axes, *across["order" if chosen == "order" else "integer"], title)
        style.legend_below(axes)
    return axes


def _residuals(found: CombFit, ax: Axes, place: Any, across: str, title: str) -> None:
    r = found.residuals
    sigma = found.sigma if np.isfinite(found.sigma) else 0.0
    ax.axhspan(-sigma, sigma, color=style.PALE, zorder=0, label="one standard deviation")
    ax.axhline(0, color=style.INK, lw=0.9)
    for sign in (-1, 1):
        ax.axhline(sign * found.unit / 2, color=style.RULE, lw=1.0, ls="--")
    sure = found.integer_confidence > 0.99
    many = r.size > _MANY
    size = 5 if r.size <= _FEW else 3
    for chosen, face, edge, name in (
        (sure, style.DATA, style.DATA, "whole number sure"),
        (~sure, "white", style.ACCENT, "in doubt"),
    ):
        if chosen.any():
            ax.plot(
                *(_apart(place, r)[chosen], r[chosen], "o"),
                mfc=face,
                color=edge,
                ms=size,
                label=name,
                rasterized=many,
            )
    reach = max(1.25 * float(np.abs(r).max()), 2.5 * sigma)
    half = min(reach, 0.6 * found.unit)
    style.whole_ticks(ax)
    apart = f"reading minus its multiple{facts.measured_in(found)}"
    ax.set(ylim=(-half, half), xlabel=across, ylabel=apart, title=title)


def _apart(place: Any, r: FloatArray) -> FloatArray:
    """Equal residuals at one place side by side: those of rounded readings hide each other."""
    moved = np.asarray(place, dtype=np.float64).copy()
    near = np.stack([moved, np.round(r, 12)])
    _, group, count = np.unique(near, axis=1, return_inverse=True, return_counts=True)
    for own in np.flatnonzero(count > 1):
        step = min(0.6 / count[own], 0.12)
        moved[group == own] += step * (np.arange(count[own]) - (count[own] - 1) / 2)
    return moved


def _with_peaks(found: Periodogram, free: bool) -> tuple[FloatArray, FloatArray]:
    """The curve with its refined peaks, which lie between points of the grid."""
    peaks = found.alternatives
    u = np.r_[found.trial_units, peaks["unit"].to_numpy(float)]
    y = np.r_[found.power if free else found.score, peaks["statistic"].to_numpy(float)]
    order = np.argsort(-u, kind="stable")
    return u[order], y[order]


def _smooth(u: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A spline in 1/u through few points; the curve has no faster wave than the grid resolves."""
    from scipy.interpolate import CubicSpline

    inverse, first = np.unique(1 / u, return_index=True)
    apart = np.diff(inverse)
    if inverse.size < 4 or inverse.size > _SMOOTH or apart.max() > 1.01 * np.median(apart):
        return u, y
    fine = np.unique(np.r_[inverse, np.linspace(inverse[0], inverse[-1], 6 * inverse.size)])
    return 1 / fine, np.asarray(CubicSpline(inverse, y[first])(fine), dtype=np.float64)


def _thinned(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """At most `_MOST_POINTS` points that keep every visible peak and trough."""
    if x.size <= _MOST_POINTS:
        return x, y
    size = -(-x.size // (_MOST_POINTS // 2))
    keep = set()
    for start in range(0, x.size, size):
        part = y[start : start + size]
        keep |= {start + int(part.argmin()), start + int(part.argmax())}
    chosen = np.array(sorted(keep))
    return x[chosen], y[chosen]
