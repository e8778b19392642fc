"""Pictures of the checks of a run: the fall in time and against charge, the scatter of states."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from quantize._support.errors import InputError
from quantize.show import style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.charge import Run

_MOST_LABELS = 30


def draw_fall(run: Run, ax: Axes) -> None:
    """The fall without field in time, with its mean and the error of that."""
    falls = _falls(run)
    y = _fallen(run, falls)
    place, words = run.time_of(falls)
    if words == "by the clock":
        place = (place - place.min()) / 60
    _draw(run, ax, falls, place, y)
    ax.set_xlabel(
        ("minutes from the first fall" if words == "by the clock" else "row of the run")
        + "; the small label is the state"
    )
    ax.set_title("Does the sphere stay the same? The fall in time")


def draw_charge(run: Run, ax: Axes) -> None:
    """The fall without field against the charge of its state, in charges that balance."""
    falls, charge = _falls(run), fall_charges(run)
    if charge is None:
        raise InputError(
            "`run` has no falls in charge states that were also read at a voltage; the charge at "
            "a fall is known only from such."
        )
    y = _fallen(run, falls)
    _draw(run, ax, falls, charge, y)
    if np.ptp(charge) > 0 and y.size >= 3:
        slope, level = np.polyfit(charge, y, 1)
        ends = np.array([charge.min(), charge.max()])
        ax.plot(ends, level + slope * ends, color=style.ACCENT, lw=1.0, ls="--")
    ax.set_xlabel("charge of the state, the charge that balances being 1")
    ax.set_title("The fall against charge: a slope is a voltage left on the plates")


def fall_charges(run: Run) -> FloatArray | None:
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


def _falls(run: Run) -> pd.DataFrame:
    falls: pd.DataFrame = run.falls
    if len(falls) == 0:
        raise InputError("`run` has no fall without field; read some rows at zero voltage.")
    return falls


def _fallen(run: Run, falls: pd.DataFrame) -> FloatArray:
    return -(falls["divisions"] / falls["seconds"]).to_numpy(float) * run.interval


def _draw(run: Run, ax: Axes, falls: pd.DataFrame, place: FloatArray, y: FloatArray) -> None:
    ax.plot(place, y, "v", color=style.DATA, ms=6, zorder=3)
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
    room = 0.1 * max(float(np.ptp(y)), 2 * run.resolution())
    ax.set_ylim(float(y.min()) - room, float(y.max()) + 2 * room)
    ax.set_ylabel(f"divisions fallen in {run.interval:g} s")


def draw_scatter(run: Run, ax: Axes) -> None:
    """Observed scatter of each state against the predicted one, with its 95 % interval.

    The interval is that of the chi-square law with one degree of freedom less than readings.
    """
    from scipy.stats import chi2

    from quantize.charge.rows import predicted_scatter

    rows = run.driven
    predicted = predicted_scatter(run).total / np.maximum(np.abs(run.stretch()), 1e-300)
    both = rows.assign(moved=run.moved(), square=predicted**2)
    points, names = [], []
    for (state, volts), own in both.groupby(["state", "voltage"], sort=False):
        degrees = len(own) - 1
        if degrees >= 1:
            sd = float(np.std(own["moved"], ddof=1))
            ends = sd * np.sqrt(degrees / chi2.ppf([0.975, 0.025], degrees))
            points.append((float(np.sqrt(own["square"].mean())), sd, *ends.tolist()))
            names.append(f"{style.plain(str(state))[:8]}\n{volts:g} V")
    if not points:
        raise InputError("`run` has no state that was read twice; only repeats tell its scatter.")
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
    if len(points) <= _MOST_LABELS:
        ax.set_xticks(place, names, fontsize=8)
    top = 1.15 * max(float(expected.max()), float(sd.max()), float(np.quantile(high, 0.75)))
    ax.set_ylim(-0.03 * top, top)
    ax.set_xlim(0.4, len(points) + 0.6)
    ax.set_xlabel("charge state, and the voltage on the plates")
    ax.set_ylabel("scatter in divisions")
    ax.set_title("Does each state scatter as air, watch and ruler explain?")
    style.legend_below(ax, lines=4)
