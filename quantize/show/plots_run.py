"""Pictures of a run: row by row, speed against voltage, the fall, the routes to coulombs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.show import style
from quantize.show.rounding import brackets

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from quantize.charge import Run

VIEWS = ("rows", "voltage", "fall")
_MOST_LABELS = 30
_MARKS = "osD^vP*X<>"


def plot_run(run: Run, ax: Axes | None = None, *, view: str = "rows") -> Axes:
    """Draw a run.

    Parameters
    ----------
    run : Run
    ax : Axes, optional
        Without it a new figure is made.
    view : {"rows", "voltage", "fall"}
        Divisions row by row with the states shaded and discarded rows crossed out; speed against
        voltage within each state; the fall without field in the order of the rows.
    """
    view = validation.choice("view", view, VIEWS)
    axes = style.new_axes() if ax is None else ax
    with style.look():
        {"rows": _rows, "voltage": _voltage, "fall": _fall}[view](run, axes)
    return axes


def _rows(run: Run, ax: Axes) -> None:
    table = run.table
    place = np.arange(1, len(table) + 1)
    states = table["state"].to_numpy(str)
    starts = np.flatnonzero(np.r_[True, states[1:] != states[:-1]])
    for shade, (start, stop) in enumerate(zip(starts, [*starts[1:], len(table)], strict=True)):
        if shade % 2 == 0:
            ax.axvspan(start + 0.5, stop + 0.5, color=style.PALE, lw=0, zorder=0)
        if starts.size <= _MOST_LABELS and states[start]:
            ax.text(
                0.5 * (start + stop) + 0.5,
                1.0,
                style.plain(states[start])[:8],
                transform=ax.get_xaxis_transform(),
                ha="center",
                va="bottom",
                fontsize=7,
            )
    used = (table["kept"] & (table["off_scale"] == 0)).to_numpy(bool)
    falls = (table["voltage"] == 0).to_numpy(bool)
    y = table["divisions"].to_numpy(float)
    for chosen, mark, colour, name in (
        (used & ~falls, "o", style.DATA, "with field"),
        (used & falls, "v", style.INK, "fall without field"),
        (~used, "x", style.ACCENT, "discarded or off the scale"),
    ):
        if chosen.any():
            face = "white" if mark == "v" else colour
            ax.plot(place[chosen], y[chosen], mark, ms=5, color=colour, mfc=face, label=name)
    ax.axhline(0, color=style.RULE, lw=0.8, zorder=1)
    ax.set_xlim(0.5, len(table) + 0.5)
    ax.set_xlabel("row of the run; shaded by state, its label above")
    ax.set_ylabel("divisions, up is positive")
    ax.set_title("The run, row by row", pad=14)
    _legend(ax)


def _voltage(run: Run, ax: Axes) -> None:
    used = run.used
    if len(used) == 0 or used["voltage"].isna().all():
        raise InputError("`run` has no row with a voltage; speed against voltage needs some.")
    speed = used["divisions"] / used["seconds"]
    falls = used["voltage"] == 0
    fall = float(speed[falls].mean()) if falls.any() else None
    groups = [(label, rows) for label, rows in used[~falls].groupby("state", sort=False)]
    top = 1.05 * float(used["voltage"].abs().max())
    for i, (label, rows) in enumerate(groups):
        shade = style.DATA if i % 2 == 0 else style.ACCENT
        v, own = rows["voltage"].to_numpy(float), speed[rows.index].to_numpy(float)
        ax.plot(v, own, _MARKS[i % len(_MARKS)], ms=4.5, color=shade, mfc="white", zorder=3)
        if fall is not None:
            slope = float(np.sum(v * (own - fall)) / np.sum(v * v))
            end = np.array([0.0, top * np.sign(v.mean())])
            ax.plot(end, fall + slope * end, color=shade, lw=0.8, zorder=2)
            if len(groups) <= 12:
                ax.annotate(
                    style.plain(str(label))[:8],
                    (end[1], fall + slope * end[1]),
                    xytext=(3, 0),
                    textcoords="offset points",
                    va="center",
                    fontsize=8,
                    color=shade,
                    annotation_clip=False,
                )
    if falls.any():
        zero = speed[falls].to_numpy(float)
        ax.plot(np.zeros(zero.size), zero, "v", color=style.INK, ms=5, mfc="white", zorder=4)
    ax.axhline(0, color=style.RULE, lw=0.8, zorder=1)
    ax.set_xlabel("voltage on the plates in V; one line a state, through the fall at 0 V")
    ax.set_ylabel("speed in divisions per second")
    ax.set_title("Is speed proportional to force?")


def _fall(run: Run, ax: Axes) -> None:
    falls: pd.DataFrame = run.falls
    if len(falls) == 0:
        raise InputError("`run` has no fall without field; read some rows at zero voltage.")
    y = -(falls["divisions"] / falls["seconds"]).to_numpy(float) * run.interval
    place = falls["row"].to_numpy(float)
    ax.plot(place, y, "v", color=style.DATA, ms=6)
    found = run.fall()
    if found is not None:
        low, high = (found.value + s * found.standard_uncertainty for s in (-1, 1))
        ax.axhspan(low, high, color=style.PALE, zorder=0)
        ax.axhline(found.value, color=style.INK, lw=0.9)
    if len(falls) <= _MOST_LABELS:
        for x, value, state in zip(place, y, falls["state"].astype(str), strict=True):
            ax.annotate(
                style.plain(state)[:8],
                (x, value),
                xytext=(5, 3),
                textcoords="offset points",
                fontsize=7,
            )
    ax.set_xlabel("row of the run; the small label is the state")
    ax.set_ylabel(f"divisions fallen in {run.interval:g} s")
    ax.set_title("Does the sphere stay the same?")


def plot_coulombs(found: Any, ax: Axes | None = None, *, view: str = "budget") -> Axes:
    """The budget as bars, or every route on one axis.

    Parameters
    ----------
    found : UnitInCoulombs
    view : {"budget", "routes"}
        "routes": thick bars are what differs between readings, thin ones everything.
    """
    view = validation.choice("view", view, ("budget", "routes"))
    axes = style.new_axes(6.4, 3.4) if ax is None else ax
    with style.look():
        if view == "budget":
            _budget(found, axes)
        else:
            _routes(found, axes)
    return axes


def _budget(found: Any, ax: Axes) -> None:
    from quantize.show.report_words import input_name

    table = found.budget.sort_values("share")
    share = 100 * np.abs(table["share"].to_numpy(float))
    random = (table["part"] == "random").to_numpy(bool)
    bars = ax.barh(np.arange(share.size), share, color=style.SOFT, edgecolor=style.DATA, height=0.6)
    for bar, own in zip(bars, random, strict=True):
        if own:
            bar.set(facecolor=style.DATA)
    for i, value in enumerate(share.tolist()):
        text = f"{value:.1f} %" if value >= 0.05 else "< 0.1 %"
        ax.annotate(text, (value, i), xytext=(4, 0), textcoords="offset points", va="center")
    names = [style.plain(input_name(name)) for name in table["input"]]
    ax.set_yticks(range(share.size), names)
    ax.set_xlim(0, 1.15 * max(float(share.max()), 1.0))
    ax.set_xlabel("% of the variance; dark: from the readings")
    ax.set_title("Where the uncertainty comes from")


def _routes(found: Any, ax: Axes) -> None:
    rows = found.routes.to_dict("records")
    power = int(np.floor(np.log10(abs(found.value))))
    scale = 10.0**-power
    for i, row in enumerate(reversed(rows)):
        first = row["route"] == found.route
        colour = style.ACCENT if first else style.DATA
        value = row["value"] * scale
        ax.errorbar(
            [value],
            [i],
            xerr=row["standard_uncertainty"] * scale,
            fmt="D" if first else "o",
            color=colour,
            elinewidth=1.0,
            capsize=3,
        )
        ax.errorbar(
            [value], [i], xerr=row["random"] * scale, fmt="none", ecolor=colour, elinewidth=4
        )
        ax.annotate(
            brackets(row["value"], row["standard_uncertainty"], "C"),
            (value, i),
            xytext=(0, 7),
            textcoords="offset points",
            ha="center",
            fontsize=8,
        )
    ax.set_yticks(range(len(rows)), [row["route"] for row in reversed(rows)])
    ax.set_ylim(-0.6, len(rows) - 0.2)
    ax.set_xlabel(f"unit in 1e{power} C; thick: error of the readings alone")
    ax.set_title("Every route to coulombs")


def _legend(ax: Axes) -> None:
    ax.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=3, fontsize=8, handletextpad=0.5
    )
