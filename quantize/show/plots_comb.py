"""Pictures of the three estimators: score, residuals, posterior, phases, whole numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize.show import facts, style
from quantize.show.numbers import plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.analysis import Analysis
    from quantize.comb.least_squares import CombFit
    from quantize.comb.periodogram import Periodogram
    from quantize.model.mixture import MixtureFit

_MOST_POINTS = 6000
_MOST_ROWS = 40
_MANY = 1000  # more points are drawn as an image
_SMOOTH = 1500  # fewer trial units are joined by a smooth curve


def plot_periodogram(found: Periodogram, ax: Axes | None = None) -> Axes:
    """Score (or power, for a free offset) of every trial unit."""
    axes = style.new_axes() if ax is None else ax
    with style.look():
        rivals = found.alternatives.to_dict("records")[:3]
        draw_score(found, axes, marks=[(row["unit"], f"{row['unit']:.4g}") for row in rivals])
        axes.set_title(f"Best trial unit {plus_minus(found.unit, found.unit_err)}")
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
    top = float(max(y.max(), threshold or 0.0))
    bottom = float(min(y.min(), 0.0))
    ax.set_xscale("log")
    ax.set_xlim(float(u.min()), float(u.max()))
    # The line of the threshold is labelled above it; marks stand clear of that.
    clear = 0.06
    if threshold is not None:
        clear = max(clear, 0.2 - (top - threshold) / (top - bottom))
    room = (top - bottom) * (clear + 0.10 * len(marks))
    ax.set_ylim(bottom - 0.03 * (top - bottom), top + room)
    if threshold is not None:
        ax.axhline(threshold, color=style.INK, lw=1.1, ls=(0, (5, 3)), zorder=3)
        whole = np.log(u.max() / u.min())
        turns = [np.log(unit / u.min()) / whole for unit, _ in marks]
        # On the side where fewer marks would cross it.
        left = sum(turn < 0.35 for turn in turns) < sum(turn > 0.65 for turn in turns)
        ax.annotate(
            f"{100 * alpha:g} % of smeared-out samples\nreach this somewhere",
            (0.005 if left else 0.995, threshold),
            xycoords=("axes fraction", "data"),
            xytext=(0, 4),
            textcoords="offset points",
            ha="left" if left else "right",
            fontsize=8,
            bbox=style.CLEAR,
        )
    ends = u.min(), u.max()
    for rank, (unit, name) in enumerate(marks):
        if not ends[0] <= unit <= ends[1]:
            continue
        height = float(np.interp(-unit, -u, y))
        level = top + (top - bottom) * (clear + 0.10 * (len(marks) - 1 - rank))
        ax.vlines(unit, height, level, color=style.ACCENT, lw=0.9, ls=":", zorder=2)
        ax.plot([unit], [height], "v" if rank else "D", color=style.ACCENT, ms=5, zorder=4)
        near_right = np.log(unit / ends[0]) > 0.75 * np.log(ends[1] / ends[0])
        ax.annotate(
            style.plain(name),
            (unit, level),
            xytext=(-4 if near_right else 4, 0),
            textcoords="offset points",
            ha="right" if near_right else "left",
            va="center",
            fontsize=8,
            color=style.ACCENT,
            fontweight="bold" if rank == 0 else "normal",
            bbox=style.CLEAR,
        )
    plain_ticks(ax, float(ends[0]), float(ends[1]))
    ax.set_xlabel("trial unit (in the unit of the readings)")
    ax.set_ylabel("power" if free else "score")


RESIDUALS = ("both", "integer", "order")


def plot_comb_fit(found: CombFit, ax: Axes | None = None, *, view: str | None = None) -> Axes:
    """Residuals of the least-squares comb.

    Parameters
    ----------
    found : CombFit
    ax : Axes, optional
        Without it a new figure is made.
    view : {"both", "integer", "order"}, optional
        Against the whole number, in the order in which the readings were taken, or the first
        above the second. By default "both" on a new figure and "integer" on given axes.

    Returns
    -------
    Axes
        The upper panel where there are two.
    """
    view = validation.choice("view", view or ("both" if ax is None else "integer"), RESIDUALS)
    order = np.arange(1, found.residuals.size + 1)
    with style.look():
        title = f"Least squares: unit {plus_minus(found.unit, found.unit_err)}"
        if view == "both" and ax is None:
            upper, lower = style.new_panels(2, width=6.4, height=5.6)
            _residuals(found, upper, found.integers, "whole number of units", title)
            _residuals(found, lower, order, "reading, in the order taken", "")
            style.legend_below(lower)
            return upper
        axes = style.new_axes() if ax is None else ax
        if view == "order":
            _residuals(found, axes, order, "reading, in the order taken", title)
        else:
            _residuals(found, axes, found.integers, "whole number of units", title)
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
    size = 3 if many else 5
    for chosen, face, edge, name in (
        (sure, style.DATA, style.DATA, "whole number sure"),
        (~sure, "white", style.ACCENT, "in doubt"),
    ):
        if chosen.any():
            ax.plot(
                *(place[chosen], r[chosen], "o"),
                mfc=face,
                color=edge,
                ms=size,
                label=name,
                rasterized=many,
            )
    reach = max(1.25 * float(np.abs(r).max()), 2.5 * sigma)
    ax.set_ylim(-min(reach, 0.6 * found.unit), min(reach, 0.6 * found.unit))
    whole_ticks(ax)
    ax.set_xlabel(across)
    ax.set_ylabel("reading minus its multiple")
    ax.set_title(title)


def plot_phases(found: Analysis | MixtureFit, ax: Axes | None = None) -> Axes:
    """Where each reading lies between two multiples, laid round a circle at the best unit."""
    axes = style.new_axes(4.6, 4.6) if ax is None else ax
    with style.look():
        turns = ((found.readings.values - found.offset) / found.unit) % 1.0
        angle = np.pi / 2 - 2 * np.pi * turns
        radius = 1.0 + 0.045 * _stack(turns)
        circle = np.linspace(0, 2 * np.pi, 361)
        axes.plot(np.cos(circle), np.sin(circle), color=style.RULE, lw=1.0, zorder=1)
        for turn in (0, 0.25, 0.5, 0.75):
            a = np.pi / 2 - 2 * np.pi * turn
            axes.plot([0.94 * np.cos(a), np.cos(a)], [0.94 * np.sin(a), np.sin(a)], color=style.INK)
        axes.plot(radius * np.cos(angle), radius * np.sin(angle), "o", color=style.DATA, ms=5)
        mean = np.exp(1j * angle).mean()
        axes.annotate(
            "",
            (mean.real, mean.imag),
            xytext=(0, 0),
            arrowprops={"arrowstyle": "-|>", "color": style.ACCENT, "lw": 1.8},
        )
        away = -0.1 if mean.real > 0 else 0.1
        side = "right" if mean.real > 0 else "left"
        for x, y, name, ha in (
            (away, 0.76, "on a multiple", side),
            (0.90, 0.0, "a quarter above", "right"),
            (-0.90, 0.0, "a quarter below", "left"),
            (0.0, -0.88, "half way between two", "center"),
        ):
            axes.text(x, y, name, ha=ha, va="center", fontsize=8)
        below = -0.2 if mean.imag >= 0 else 0.2
        mean_text = f"arrow: mean of all, {abs(mean):.2f} of the radius"
        axes.text(0, below, mean_text, ha="center", va="center", fontsize=8, color=style.ACCENT)
        reach = max(1.12, float(radius.max()) + 0.06)
        axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
        axes.set_axis_off()
        axes.set_title(f"Between multiples of {plus_minus(found.unit, found.unit_err)}")
    return axes


def _stack(turns: FloatArray) -> FloatArray:
    """How many earlier points stand at about the same place."""
    bins = np.floor(turns * 72).astype(int)
    height = np.zeros(turns.size)
    seen: dict[int, int] = {}
    for i in np.argsort(turns, kind="stable"):
        height[i] = seen.get(bins[i], 0)
        seen[int(bins[i])] = int(height[i]) + 1
    return np.minimum(height, 12)


def plot_integers(found: Analysis | MixtureFit, ax: Axes | None = None) -> Axes:
    """Probability of every whole number that each reading (or state) may have."""
    rows = facts.levels(found)
    order = np.argsort([row.value for row in rows], kind="stable")[:_MOST_ROWS]
    data = found.readings
    axes = style.new_axes(6.4, 1.6 + 0.19 * order.size) if ax is None else ax
    table = found.integer_probabilities
    index = data.levels().index
    with style.look():
        for height, j in enumerate(order.tolist()):
            reading = int(np.flatnonzero(index == j)[0])
            own = table[table["reading"] == reading]
            own = own[own["probability"] >= 0.005]
            k, p = own["integer"].to_numpy(), own["probability"].to_numpy()
            axes.scatter(
                k,
                np.full(k.size, height),
                s=130 * p,
                color=style.DATA,
                lw=0,
                zorder=3,
                clip_on=False,
            )
            for n, chance in zip(k.tolist(), p.tolist(), strict=True):
                if 0.05 <= chance < 0.98 and k.size <= 4:
                    axes.annotate(
                        f"{100 * chance:.0f}",
                        (n, height),
                        xytext=(7, 0),
                        textcoords="offset points",
                        va="center",
                        fontsize=7,
                    )
        labels = [style.plain(rows[j].label)[:14] for j in order.tolist()]
        axes.set_yticks(range(order.size), labels, fontsize=8)
        axes.set_ylim(-0.7, order.size - 0.3)
        whole_ticks(axes)
        axes.grid(axis="x", color=style.PALE)
        axes.set_xlabel("whole number; the area of a mark is its probability, figures in %")
        axes.set_ylabel("state" if data.state is not None else "reading, in ascending order")
        axes.set_title(
            "The whole number behind each " + ("state" if data.state is not None else "reading")
        )
    return axes


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

    turns, first = np.unique(1 / u, return_index=True)
    apart = np.diff(turns)
    if turns.size < 4 or turns.size > _SMOOTH or apart.max() > 1.01 * np.median(apart):
        return u, y
    fine = np.unique(np.r_[turns, np.linspace(turns[0], turns[-1], 6 * turns.size)])
    return 1 / fine, np.asarray(CubicSpline(turns, y[first])(fine), dtype=np.float64)


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


def plain_ticks(ax: Axes, low: float, high: float) -> None:
    """Ticks of a logarithmic axis at round values, written plainly."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    steps: tuple[float, ...] = (1, 2, 3, 5, 7) if high / low < 12 else (1, 2, 5)
    if high / low > 300:
        steps = (1,)
    if high / low < 2.5:
        steps = tuple(np.arange(10, 100, 2 if high / low > 1.4 else 1) / 10)
    powers = range(int(np.floor(np.log10(low))) - 1, int(np.ceil(np.log10(high))) + 1)
    values = [s * 10.0**p for p in powers for s in steps]
    values = [v for v in values if low <= v <= high]
    ax.xaxis.set_major_locator(FixedLocator(values))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_xticks(values, [f"{v:g}" for v in values])


def whole_ticks(ax: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
