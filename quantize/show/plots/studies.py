"""Pictures of studies: curves over sigma/unit or readings, the map of who wins, power curves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.show.plots import style
from quantize.studies.summary import SHARES

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.studies.comparison import Comparison
    from quantize.studies.planning import Plan

MEANS = ("over_bound", "bias", "rms")
_LABELS = {
    "right": "share of samples with the right unit",
    "coverage": "share of intervals that hold the unit",
    "power": "share of samples in which steps are found",
    "false_alarms": "share of samples with false steps",
    "over_bound": "error over the Cramér–Rao bound",
    "bias": "bias, relative to the unit",
    "rms": "error, relative to the unit",
    "sigma_over_unit": "sigma / unit",
    "n": "readings",
}
_COLOURS = (style.DATA, style.ACCENT, "#4f9f78", "#8757d9", style.INK, style.SOFT)
_DASHES: Any = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)), (0, (3, 1)), "-")
_MARKS = "osD^vPX"  # one more than colours, so that later lines differ in both
_MOST_PANELS = 6
_MOST_TICKS = 7


def plot_comparison(
    found: Comparison,
    ax: Axes | None = None,
    *,
    view: Literal["curves", "map"] = "curves",
    what: Literal[
        "right", "coverage", "power", "false_alarms", "over_bound", "bias", "rms"
    ] = "right",
    against: Literal["sigma_over_unit", "n"] | None = None,
) -> Axes:
    """Draw a comparison.

    Parameters
    ----------
    found : Comparison
        The study to draw.
    ax : Axes, optional
        Takes one panel; without it a new figure has a panel for each value of the other setting.
    view : {"curves", "map"}
        "curves" are lines of each estimator; "map" shows which estimator does best for each
        number of readings and sigma/unit.
    what : {"right", "coverage", "power", "false_alarms", "over_bound", "bias", "rms"}
        The column of the table to draw; the map takes one of the first four.
    against : {"sigma_over_unit", "n"}, optional
        The horizontal axis; the one with more values if left out.

    Returns
    -------
    Axes
        The first panel.

    Raises
    ------
    InputError
        For settings that the study did not vary, and more panels than fit.
    """
    validation.choice("view", view, ("curves", "map"))
    if view == "map":
        return _plot_map(found, ax, validation.choice("what", what, SHARES))
    validation.choice("what", what, (*SHARES, *MEANS))
    table = found.table
    counts = {name: table[name].nunique() for name in ("sigma_over_unit", "n")}
    longest = max(counts, key=counts.__getitem__)
    across = longest if against is None else against
    validation.choice("against", across, tuple(counts))
    columns = list(table.columns)
    settings = [
        name
        for name in columns[: columns.index("estimator")]
        if name not in (across, "sigma" if across == "sigma_over_unit" else "")
        and table[name].nunique(dropna=False) > 1
        and not (name == "sigma_over_unit" and "sigma" in columns and across == "n")
    ]
    groups = list(table.groupby(settings, sort=False, dropna=False)) if settings else [((), table)]
    if ax is not None:
        panels, groups = [ax], groups[:1]
    else:
        if len(groups) > _MOST_PANELS:
            raise InputError(
                f"`against` {across!r} leaves {len(groups)} panels, more than {_MOST_PANELS} that "
                "can be read; draw a part of the table, or give `ax` for the first alone."
            )
        panels = _side_by_side(len(groups))
    with style.look():
        for panel, (key, group) in zip(panels, groups, strict=True):
            _curves(group, panel, across, what)
            panel.set_title(_title(settings, key))
        panels[0].set_ylabel(_LABELS[what])
        if what == "coverage":
            for panel in panels:
                panel.axhline(found.prob, color=style.RULE, lw=0.8, zorder=1)
        style.fit(*panels)
        style.legend_below(panels[0], of_figure=ax is None and len(panels) > 1)
    return panels[0]


def _curves(table: pd.DataFrame, ax: Axes, across: str, what: str) -> None:
    parts = list(table.groupby("estimator", sort=False))
    places = np.unique(table[across].to_numpy(float))
    for number, (name, rows) in enumerate(parts):
        ordered = rows.sort_values(across)
        aside = _aside(places, number - (len(parts) - 1) / 2, across == "n")
        x, y = ordered[across].to_numpy(float), ordered[what].to_numpy(float)
        if what in SHARES:
            low = y - ordered[f"{what}_low"].to_numpy(float)
            high = ordered[f"{what}_high"].to_numpy(float) - y
        else:
            error = 1.96 * ordered.get(f"{what}_se", ordered[what] * 0).to_numpy(float)
            low = high = error
        if np.isnan(y).all():
            continue
        error = np.maximum(np.stack([low, high]), 0.0)
        ax.errorbar(aside(x), y, yerr=error, label=style.plain(str(name)), **_line(number))
    if across == "n":
        ax.set_xscale("log")
        ax.minorticks_off()
    if places.size <= _MOST_TICKS:
        ax.set_xticks(places, [f"{place:g}" for place in places])
    if what in SHARES:
        ax.set_ylim(-0.03, 1.05)
    elif what == "over_bound":
        ax.axhline(1.0, color=style.RULE, lw=0.8, zorder=1)
    elif what == "bias":
        ax.axhline(0.0, color=style.RULE, lw=0.8, zorder=1)
    ax.set_xlabel(_LABELS[across])


def _aside(places: FloatArray, steps: float, by_factor: bool) -> Callable[[FloatArray], FloatArray]:
    """Estimators side by side, so that none hides another: their places moved by a little."""
    near = np.log(places) if by_factor else places
    gap = float(np.diff(near).min()) if near.size > 1 else 0.0
    moved = 0.05 * gap * steps
    return (lambda x: x * np.exp(moved)) if by_factor else (lambda x: x + moved)


def _plot_map(found: Comparison, ax: Axes | None, what: str) -> Axes:
    """Readings across, sigma/unit upwards, the winner's colour and share in each cell."""
    best = found.best(what)
    if best.empty:
        raise InputError(f"`what` is {what!r}, which no estimator of this study has.")
    if best.duplicated(["n", "sigma_over_unit"]).any():
        raise InputError(
            "`view` 'map' has room for readings and sigma/unit alone; this study varies more."
        )
    names = list(dict.fromkeys(found.table["estimator"]))
    sizes = np.unique(best["n"].to_numpy(float))
    spreads = np.unique(best["sigma_over_unit"].to_numpy(float))
    with style.drawing(ax) as axes:
        for row in best.to_dict("records"):
            place = (list(sizes).index(row["n"]), list(spreads).index(row["sigma_over_unit"]))
            number = names.index(str(row["estimator"]))
            _cell(axes, place, number, row[what], bool(row["clear"]), sizes.size)
        for number, name in enumerate(names):
            if ((best["estimator"] == name) & best["clear"].astype(bool)).any():
                label = f"{_letter(number)}  {name}"
                axes.plot([], [], "s", color=_line(number)["color"], label=label)
        axes.plot([], [], "s", color=style.PALE, label="no clear winner")
        axes.set_xticks(np.arange(sizes.size) + 0.5, [f"{size:g}" for size in sizes])
        axes.set_yticks(np.arange(spreads.size) + 0.5, [f"{s:g}" for s in spreads])
        axes.tick_params(length=0)
        axes.set(
            xlim=(0, sizes.size),
            ylim=(0, spreads.size),
            xlabel=_LABELS["n"],
            ylabel=_LABELS["sigma_over_unit"],
            title=f"Who does best: {_LABELS[what]}",
        )
        style.legend_below(axes)
    return axes


def _cell(
    ax: Axes, place: tuple[int, int], number: int, share: float, clear: bool, cells: int
) -> None:
    """A cell of the map in the colour of the winner, pale where there is none."""
    from matplotlib.colors import to_rgb

    i, j = place
    face = _line(number)["color"] if clear else style.PALE
    ax.fill([i, i + 1, i + 1, i], [j, j, j + 1, j + 1], facecolor=face, edgecolor="white", lw=1.5)
    # The letter says in grey what the colour says.
    text = f"{share:.2f} {_letter(number)}" if clear else f"{share:.2f}"
    ax.annotate(
        text,
        (i + 0.5, j + 0.5),
        ha="center",
        va="center",
        fontsize=min(9.0, 0.85 * style.points_of(ax)[0] / cells / (0.6 * 6)),
        color=style.INK if np.dot(to_rgb(face), (0.21, 0.72, 0.07)) > 0.5 else "white",
    )


def _line(number: int) -> dict[str, Any]:
    """Colour, dash and mark of one of several lines."""
    return {
        "color": _COLOURS[number % len(_COLOURS)],
        "ls": _DASHES[number % len(_DASHES)],
        "marker": _MARKS[number % len(_MARKS)],
        "ms": 3.5,
        "elinewidth": 0.8,
    }


def _letter(number: int) -> str:
    return chr(ord("A") + number % 26)


def plot_plan(found: Plan, ax: Axes | None = None) -> Axes:
    """Readings against sigma/unit, or the smallest unit, for each number of repeats."""
    across, up = {
        "readings": ("sigma_over_unit", "readings"),
        "unit": ("repeats", "unit"),
        "bench": ("sigma_over_unit", "readings"),
    }[found.question]
    with style.drawing(ax) as axes:
        known = found.table[found.table[up].notna()]
        by, said = "repeats", "of each state"
        if across == by:
            by, said = "readings", "readings"
        parts = known.groupby(by, sort=True)
        for number, (m, rows) in enumerate(parts):
            ordered = rows.sort_values(across)
            y = ordered[up].to_numpy(float)
            low, high = (ordered[end].to_numpy(float) for end in ("low", "high"))
            axes.errorbar(
                ordered[across].to_numpy(float),
                y,
                yerr=np.maximum(np.stack([y - low, high - y]), 0.0),
                label=f"{m!s} {said}",
                **_line(number),
            )
        if up == "readings":
            axes.set_yscale("log")
            style.plain_powers(axes.yaxis)
        places = np.unique(known[across].to_numpy(float))
        if places.size <= _MOST_TICKS:
            axes.set_xticks(places, [f"{place:g}" for place in places])
        axes.set(
            xlabel=_LABELS.get(across, "readings of each state"),
            ylabel="readings needed" if up == "readings" else "smallest unit",
            title=f"Power {found.power:g} at alpha {found.alpha:g}",
        )
        if across != "repeats" or parts.ngroups > 1:
            style.legend_below(axes)
    return axes


def _side_by_side(n: int) -> list[Axes]:
    from matplotlib.figure import Figure

    columns = min(n, 3)
    rows = -(-n // columns)
    with style.look():
        figure = Figure(figsize=(1.6 + 2.9 * columns, 0.5 + 3.1 * rows), layout="constrained")
        axes = figure.subplots(rows, columns, squeeze=False, sharey=True).ravel().tolist()
    for spare in axes[n:]:
        spare.remove()
    return style.shown(axes[:n])


def _title(settings: list[str], key: Any) -> str:
    values = key if isinstance(key, tuple) else (key,)
    said = [
        f"{value:g} readings"
        if name == "n"
        else f"{_LABELS.get(name, name.replace('_', ' '))} {value:g}"
        if isinstance(value, int | float)
        else f"{name} {value}"
        for name, value in zip(settings, values, strict=True)
    ]
    return style.plain(", ".join(said))
