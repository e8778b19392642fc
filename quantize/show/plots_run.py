"""Pictures of a run: row by row, and speed against voltage; the checks stand beside."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.show import style
from quantize.show.plots_run_checks import draw_charge, draw_fall, draw_scatter, fall_charges

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.charge import Run

VIEWS = ("rows", "voltage", "residuals", "fall", "charge", "scatter")
_MOST_LABELS = 30
_MARKS = "osD^vP*X<>"


def plot_run(run: Run, ax: Axes | None = None, *, view: str = "rows") -> Axes:
    """Draw a run.

    Parameters
    ----------
    run : Run
    ax : Axes, optional
        Without it a new figure is made.
    view : {"rows", "voltage", "residuals", "fall", "charge", "scatter"}
        "rows": divisions row by row, the states shaded and discarded rows crossed out.
        "voltage": speed against voltage, a line for each state; a new figure has the "residuals"
        from these lines below. "fall": the fall without field in time; a new figure has the fall
        against the "charge" below, where the charge of its state is known. "scatter": the scatter
        of each state against the one that air molecules, watch and ruler explain.

    Returns
    -------
    Axes
        The upper panel where there are two.

    Raises
    ------
    InputError
        When the run lacks what the picture shows.
    """
    view = validation.choice("view", view, VIEWS)
    draw = {
        "rows": _rows,
        "voltage": _voltage,
        "residuals": _residuals,
        "fall": draw_fall,
        "charge": draw_charge,
        "scatter": draw_scatter,
    }
    below = {"voltage": "residuals", "fall": "charge"}.get(view)
    if below == "charge" and fall_charges(run) is None:
        below = None
    if ax is not None or below is None:
        axes = style.new_axes() if ax is None else ax
        with style.look():
            draw[view](run, axes)
        return axes
    upper, lower = style.new_panels(2, width=6.4, height=6.2, ratios=[1.5, 1])
    with style.look():
        draw[view](run, upper)
        draw[below](run, lower)
    return upper


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
    style.legend_below(ax)


def _voltage(run: Run, ax: Axes) -> None:
    used, speed, fall = _speeds(run)
    falls = used["voltage"] == 0
    groups = list(used[~falls].groupby("state", sort=False))
    top = 1.05 * float(used["voltage"].abs().max())
    for i, (label, rows) in enumerate(groups):
        shade = style.DATA if i % 2 == 0 else style.ACCENT
        v, own = rows["voltage"].to_numpy(float), np.asarray(speed[rows.index], dtype=np.float64)
        ax.plot(v, own, _MARKS[i % len(_MARKS)], ms=4.5, color=shade, mfc="white", zorder=3)
        if fall is not None:
            slope = _slope(v, own, fall)
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
    ax.set_ylabel("divisions per second")
    ax.set_title("Is speed proportional to force?")


def _residuals(run: Run, ax: Axes) -> None:
    """What the lines of the states leave over, state by state."""
    used, speed, fall = _speeds(run)
    if fall is None:
        raise InputError("`run` has no fall without field; the lines of the states start from it.")
    reference = run.reference_voltage or 0.0
    groups = list(used[used["voltage"] != 0].groupby("state", sort=False))
    drawn = {"at the balance voltage": 0, "at another voltage": 0}
    for i, (_, rows) in enumerate(groups):
        v, own = rows["voltage"].to_numpy(float), np.asarray(speed[rows.index], dtype=np.float64)
        left = own - fall - _slope(v, own, fall) * v
        place = i + 1 + (np.arange(v.size) - (v.size - 1) / 2) * min(0.6 / v.size, 0.1)
        usual = np.isclose(np.abs(v), reference, rtol=0.01)
        for chosen, mark, colour, name in zip(
            (usual, ~usual), "oD", (style.DATA, style.ACCENT), drawn, strict=True
        ):
            if chosen.any():
                label = name if drawn[name] == 0 else None
                ax.plot(place[chosen], left[chosen], mark, ms=4, color=colour, label=label)
                drawn[name] += 1
    ax.axhline(0, color=style.INK, lw=0.9, zorder=1)
    for i in range(1, len(groups)):
        ax.axvline(i + 0.5, color=style.PALE, lw=0.8, zorder=0)
    if len(groups) <= _MOST_LABELS:
        labels = [style.plain(str(label))[:8] for label, _ in groups]
        ax.set_xticks(range(1, len(groups) + 1), labels)
    ax.set_xlim(0.5, len(groups) + 0.5)
    ax.set_xlabel("charge state; within it in the order read")
    ax.set_ylabel("speed minus line")
    ax.set_title("What the lines leave over, divisions per second")
    if drawn["at another voltage"]:
        style.legend_below(ax)


def _speeds(run: Run) -> tuple[pd.DataFrame, pd.Series[float], float | None]:
    """Used rows, divisions per second of each, and the mean of the falls."""
    used = run.used
    if len(used) == 0 or used["voltage"].isna().all():
        raise InputError("`run` has no row with a voltage; speed against voltage needs some.")
    speed = used["divisions"] / used["seconds"]
    falls = used["voltage"] == 0
    return used, speed, float(speed[falls].mean()) if falls.any() else None


def _slope(volts: FloatArray, speed: FloatArray, fall: float) -> float:
    """Of the least-squares line through the fall at zero voltage."""
    return float(np.sum(volts * (speed - fall)) / np.sum(volts * volts))
