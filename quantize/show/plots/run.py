"""Pictures of a run: row by row, speed against voltage, and what the checks look at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.show.plots import style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.charge import Run

_MOST_LABELS = 30
_MARKS = "osD^vP*X<>"


def plot_run(
    run: Run,
    ax: Axes | None = None,
    *,
    view: Literal["rows", "voltage", "residuals", "fall", "charge", "scatter"] = "rows",
) -> Axes:
    """Draw a run.

    Parameters
    ----------
    run : Run
        The run to draw.
    ax : Axes, optional
        The axes to draw on; without them a new figure is made.
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
    draw = {
        "rows": _row_by_row,
        "voltage": _speed_against_voltage,
        "residuals": _left_by_the_lines,
        "fall": _fall_in_time,
        "charge": _fall_against_charge,
        "scatter": _scatter_of_states,
    }
    validation.choice("view", view, draw)
    below = {"voltage": "residuals", "fall": "charge"}.get(view)
    if below == "charge" and _fall_charges(run) is None:
        below = None
    if ax is not None or below is None:
        with style.drawing(ax) as axes:
            draw[view](run, axes)
        return axes
    upper, lower = style.new_panels(2, width=6.4, height=6.2, ratios=[1.5, 1])
    with style.look():
        draw[view](run, upper)
        draw[below](run, lower)
        style.fit(upper, lower)
    return upper


def _row_by_row(run: Run, ax: Axes) -> None:
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
                _short(states[start]),
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
    ax.margins(y=0.08)
    ax.set(
        xlim=(0.5, len(table) + 0.5),
        xlabel="row of the run; shaded by state, its label above",
        ylabel="divisions, up is positive",
    )
    ax.set_title("The run, row by row", pad=14)
    style.legend_below(ax)


def _speed_against_voltage(run: Run, ax: Axes) -> None:
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
                tip = (end[1], fall + slope * end[1])
                style.note(ax, _short(label), tip, (3, 0), color=shade, annotation_clip=False)
    if falls.any():
        zero = speed[falls].to_numpy(float)
        ax.plot(np.zeros(zero.size), zero, "v", color=style.INK, ms=5, mfc="white", zorder=4)
    ax.axhline(0, color=style.RULE, lw=0.8, zorder=1)
    ax.set(
        xlabel="voltage on the plates in V; one line a state, through the fall at 0 V",
        ylabel="divisions per second",
        title="Is speed proportional to force?",
    )


def _left_by_the_lines(run: Run, ax: Axes) -> None:
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
        labels = [_short(label) for label, _ in groups]
        ax.set_xticks(range(1, len(groups) + 1), labels)
    ax.set(
        xlim=(0.5, len(groups) + 0.5),
        xlabel="charge state; within it in the order read",
        ylabel="speed minus line",
        title="What the lines leave over, divisions per second",
    )
    if drawn["at another voltage"]:
        style.legend_below(ax)


def _speeds(run: Run) -> tuple[pd.DataFrame, pd.Series[float], float | None]:
    """Used rows, divisions per second of each, and the mean of the falls."""
    from quantize.charge.run_table import lasted

    used = run.used
    if len(used) == 0 or used["voltage"].isna().all():
        raise InputError("`run` has no row with a voltage; speed against voltage needs some.")
    speed = used["divisions"] / lasted(run, used)
    falls = used["voltage"] == 0
    return used, speed, float(speed[falls].mean()) if falls.any() else None


def _slope(volts: FloatArray, speed: FloatArray, fall: float) -> float:
    """Of the least-squares line through the fall at zero voltage."""
    return float(np.sum(volts * (speed - fall)) / np.sum(volts * volts))


def _short(label: object) -> str:
    return style.plain(str(label))[:8]


def _fall_in_time(run: Run, ax: Axes) -> None:
    """The fall without field in time, with its mean and the error of that."""
    falls, y = _falls(run)
    place, order = run.time_of(falls)
    across = "row of the run"
    if order == "by the clock":
        place, across = (place - place.min()) / 60, "minutes from the first fall"
    _plot_falls(run, ax, falls, place, y)
    ax.set(
        xlabel=f"{across}; the small label is the state",
        title="Does the sphere stay the same? The fall in time",
    )


def _fall_against_charge(run: Run, ax: Axes) -> None:
    """The fall without field against the charge of its state, in charges that balance."""
    (falls, y), charge = _falls(run), _fall_charges(run)
    if charge is None:
        raise InputError(
            "`run` has no falls in charge states that were also read at a voltage; the charge at "
            "a fall is known only from such."
        )
    _plot_falls(run, ax, falls, charge, y)
    if np.ptp(charge) > 0 and y.size >= 3:
        slope, level = np.polyfit(charge, y, 1)
        ends = np.array([charge.min(), charge.max()])
        ax.plot(ends, level + slope * ends, color=style.ACCENT, lw=1.0, ls="--")
    ax.set(
        xlabel="charge of the state, the charge that balances being 1",
        title="The fall against charge: a slope is a voltage left on the plates",
    )


def _fall_charges(run: Run) -> FloatArray | None:
    """Charge at each fall in units of the balancing charge, without assuming steps, or None."""
    falls, driven = run.falls, run.driven
    fall = run.fall_on_record()
    if len(falls) == 0 or len(driven) == 0 or fall is None or (falls["state"] == "").any():
        return None
    charge = (run.moved() / fall.value + 1) * run.stretch()
    keys = driven["particle"] + "|" + driven["state"]
    by_state = driven.assign(charge=charge).groupby(keys.to_numpy())["charge"].mean()
    found = by_state.reindex((falls["particle"] + "|" + falls["state"]).to_numpy()).to_numpy(float)
    return None if np.isnan(found).any() else found


def _falls(run: Run) -> tuple[pd.DataFrame, FloatArray]:
    """The falls without field, and divisions fallen per interval in each."""
    from quantize.charge.run_table import per_interval

    if len(run.falls) == 0:
        raise InputError("`run` has no fall without field; read some rows at zero voltage.")
    return run.falls, -per_interval(run, run.falls)


def _plot_falls(run: Run, ax: Axes, falls: pd.DataFrame, place: FloatArray, y: FloatArray) -> None:
    ax.plot(place, y, "v", color=style.DATA, ms=6, zorder=3)
    found = run.fall()
    if found is not None:
        low, high = (found.value + s * found.standard_uncertainty for s in (-1, 1))
        ax.axhspan(low, high, color=style.PALE, zorder=0)
        ax.axhline(found.value, color=style.INK, lw=0.9)
    if len(falls) <= _MOST_LABELS:
        for x, value, state in zip(place, y, falls["state"].astype(str), strict=True):
            style.note(ax, _short(state), (x, value), (5, 3), va="baseline", fontsize=7)
    room = 0.1 * max(float(np.ptp(y)), 2 * run.resolution())
    side = 0.05 * max(float(np.ptp(place)), 1e-9) if place.size > 1 else 1.0
    ax.set(
        xlim=(float(place.min()) - side, float(place.max()) + 2 * side),
        ylim=(float(y.min()) - room, float(y.max()) + 2 * room),
        ylabel=f"divisions fallen in {run.interval:g} s",
    )


def _scatter_of_states(run: Run, ax: Axes) -> None:
    """Observed scatter of each state against the predicted one, with its 95 % interval.

    The interval is that of the chi-square law with one degree of freedom less than readings.
    """
    from scipy.stats import chi2

    from quantize.charge.rows import predicted_as_read

    rows = run.driven
    predicted = predicted_as_read(run, rows).total
    both = rows.assign(moved=run.moved(), square=predicted**2)
    points, names = [], []
    for (state, volts), own in both.groupby(["state", "voltage"], sort=False):
        degrees = len(own) - 1
        if degrees >= 1:
            sd = float(np.std(own["moved"], ddof=1))
            ends = sd * np.sqrt(degrees / chi2.ppf([0.975, 0.025], degrees))
            points.append((float(np.sqrt(own["square"].mean())), sd, *ends.tolist()))
            names.append(f"{_short(state)}\n{volts:g} V")
    if not points:
        raise InputError("`run` has no state that was read twice; only repeats show its scatter.")
    expected, sd, low, high = np.array(points).T
    place = np.arange(1, len(points) + 1)
    ax.hlines(
        expected, place - 0.3, place + 0.3, color=style.ACCENT, lw=2.2, zorder=2, label="predicted"
    )
    ax.errorbar(
        place,
        sd,
        yerr=[sd - low, high - sd],
        fmt="o",
        ms=5,
        color=style.DATA,
        elinewidth=0.9,
        capsize=2.5,
        zorder=3,
        label="observed, with 95 % interval",
    )
    upright = len(points) * 0.65 > style.panel_inches(ax)[0]
    if len(points) <= _MOST_LABELS:
        ax.set_xticks(place, names, fontsize=8, rotation=90 if upright else 0)
    top = 1.15 * max(float(expected.max()), float(sd.max()), float(np.quantile(high, 0.75)))
    ax.set(
        xlim=(0.4, len(points) + 0.6),
        ylim=(-0.03 * top, top),
        xlabel="charge state and its voltage",
        ylabel="scatter in divisions",
        title="Does each state scatter as predicted?",
    )
    style.legend_below(ax, lines=6 if upright else 4)
