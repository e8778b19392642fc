"""Pictures of the mixture over integers: its unit, whole numbers, phases, and what it predicts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize.show import numbers, style
from quantize.show.numbers import brackets
from quantize.show.plots_comb import plain_ticks, plot_integers, plot_phases

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.model.mixture import MixtureFit
    from quantize.sampling.result import SampledMixture

VIEWS = ("unit", "integers", "phases", "prediction")
_PAGES = 400
_MOST_MODES = 6


def plot_mixture(found: MixtureFit, ax: Axes | None = None, *, view: str = "unit") -> Axes:
    """Draw a mixture.

    Parameters
    ----------
    found : MixtureFit
    ax : Axes, optional
        Without it a new figure is made.
    view : {"unit", "integers", "phases", "prediction"}
        The posterior of the unit with its modes; the whole number of each reading with its
        probabilities; the readings between two multiples; or the differences from the multiples
        against those of pages that the model would give again.
    """
    view = validation.choice("view", view, VIEWS)
    if view == "integers":
        return plot_integers(found, ax)
    if view == "phases":
        return plot_phases(found, ax)
    return plot_prediction(found, ax) if view == "prediction" else plot_unit(found, ax)


def plot_unit(found: MixtureFit, ax: Axes | None = None) -> Axes:
    """Posterior of the unit, each mode drawn where it is, with its share."""
    axes = style.new_axes() if ax is None else ax
    with style.look():
        m = found.marginal
        unit, density = np.exp(m.log_unit), m.mass / m.step
        edges = np.flatnonzero(np.diff(m.index) > 1)
        for part in np.split(np.arange(unit.size), edges + 1):
            pad = unit[part[[0, -1]]] * np.exp([-m.step, m.step])
            u = np.r_[pad[0], unit[part], pad[1]]
            axes.fill_between(u, np.r_[0.0, density[part], 0.0], color=style.SOFT, lw=0)
            axes.plot(u, np.r_[0.0, density[part], 0.0], color=style.DATA, lw=1.1)
        set_span(found, axes)
        rows = main_modes(found)
        peaks = [float(np.interp(row["unit"], unit, density)) for row in rows]
        mark_modes(found, axes, float(density.max()), peaks)
        axes.set_title("Which unit, given that there are steps")
    return axes


def main_modes(found: MixtureFit | SampledMixture) -> list[dict[Any, Any]]:
    """The modes that are named: those of one per cent or more, or the first."""
    every = found.alternatives.to_dict("records")
    return [row for row in every if row["share"] >= 0.01][:_MOST_MODES] or every[:1]


def set_span(found: MixtureFit | SampledMixture, ax: Axes) -> None:
    """Units from the smallest mode to the largest; five standard deviations where it is one."""
    units = [row["unit"] for row in main_modes(found)]
    if len(units) == 1:
        width = 5 * found.unit_err
        ax.set_xlim(found.unit - width, found.unit + width)
        return
    ax.set_xscale("log")
    ax.set_xlim(max(0.8 * min(units), found.band.low), min(1.25 * max(units), found.band.high))
    plain_ticks(ax, *ax.get_xlim())


def mark_modes(
    found: MixtureFit | SampledMixture, ax: Axes, top: float, peaks: Sequence[float]
) -> None:
    """Name each mode above its peak, lay the 95 % set along the axis, and label the axes."""
    rows = main_modes(found)
    low, high = ax.get_xlim()
    ax.set_ylim(0, top * (1.12 + 0.11 * len(rows)))
    for rank, (row, peak) in enumerate(zip(rows, peaks, strict=True)):
        level = top * (1.08 + 0.11 * (len(rows) - 1 - rank))
        ax.vlines(row["unit"], peak, level, color=style.ACCENT, lw=0.9, ls=":", zorder=2)
        right = len(rows) > 1 and np.log(row["unit"] / low) > 0.6 * np.log(high / low)
        ax.annotate(
            f"{brackets(row['unit'], row['unit_err'])}, {numbers.share(row['share'])}",
            (row["unit"], level),
            xytext=(-4 if right else 4, 0),
            textcoords="offset points",
            ha="right" if right else "left",
            va="center",
            fontsize=8,
            color=style.ACCENT,
            bbox=style.CLEAR,
        )
    for left, end in found.interval(0.95):
        ax.plot([left, end], [0, 0], color=style.INK, lw=4, solid_capstyle="butt", zorder=5)
    ax.set_xlabel("unit; the thick bar on the axis is the 95 % set")
    ax.set_ylabel("posterior density of log unit")


def plot_prediction(found: MixtureFit, ax: Axes | None = None) -> Axes:
    """Differences from the nearest multiple, in order of size, against those of predicted pages.

    The band holds nine tenths of the predicted pages at each place. Points outside it say that the
    model is wrong: outliers on the right, a scatter that is not the one assumed anywhere.
    """
    axes = style.new_axes() if ax is None else ax
    unit, offset = found.unit, found.offset
    # A fixed seed: the same fit gives the same picture.
    pages = found.predictions(_PAGES, rng=0)
    measured = found.readings.measured
    seen = _differences(found.readings.values[measured], unit, offset)
    predicted = _differences(pages[:, measured], unit, offset)
    low, middle, high = np.quantile(predicted, [0.05, 0.5, 0.95], axis=0)
    place = (np.arange(seen.size) + 0.5) / seen.size
    with style.look():
        axes.fill_between(place, low, high, color=style.SOFT, alpha=0.6, lw=0, label="nine in ten")
        axes.plot(place, middle, color=style.DATA, lw=1.1, ls="--", label="middle")
        axes.plot(place, seen, "o", color=style.ACCENT, ms=4, label="these readings")
        axes.set_xlim(0, 1)
        axes.set_ylim(0, max(0.02, 1.06 * max(float(seen.max()), float(high.max()))))
        axes.set_xlabel("share of the readings with a smaller difference")
        axes.set_ylabel("difference from the multiple, in units")
        axes.set_title("Do the readings look like what the model predicts")
        axes.legend(loc="upper left", fontsize=8, title="predicted pages", title_fontsize=8)
    return axes


def _differences(values: FloatArray, unit: float, offset: float) -> FloatArray:
    turns = (values - offset) / unit
    return np.sort(np.abs(turns - np.rint(turns)), axis=-1)
