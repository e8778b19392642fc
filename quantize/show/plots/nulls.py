"""The statistic on samples without steps, with the value of the readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from quantize.null.calibration import chance
from quantize.show.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize.null.compare import NullComparison
    from quantize.null.dependence import Sensitivity
    from quantize.null.running import RunningResult


def plot_null(found: NullComparison, ax: Axes | None = None) -> Axes:
    """Histogram of the statistic of the resamples, the observed value marked."""
    with style.drawing(ax) as axes:
        values, seen = found.null_distribution, found.statistic
        bins = min(max(int(np.sqrt(values.size)), 10), 60)
        counts, edges = np.histogram(values, bins=bins)
        beyond = edges[1:] > seen
        axes.stairs(counts, edges, fill=True, color=style.SOFT, zorder=1)
        axes.stairs(counts, edges, color=style.DATA, lw=1.0, zorder=2)
        if beyond.any():
            axes.stairs(
                counts[beyond],
                np.r_[max(seen, edges[:-1][beyond][0]), edges[1:][beyond]],
                fill=True,
                color=style.ACCENT,
                zorder=2,
            )
        top = float(counts.max())
        axes.axvline(seen, color=style.ACCENT, lw=1.6, zorder=4)
        left = seen > 0.5 * (edges[0] + max(edges[-1], seen))
        style.note(
            axes,
            f"these readings: {seen:.3g}\nas good without steps:\n"
            + chance(found.p_value, none=float(values.max()) < seen),
            (seen, 1.36 * top),
            (-6 if left else 6, 0),
            ha="right" if left else "left",
            va="top",
            color=style.ACCENT,
        )
        axes.set(
            xlim=(min(edges[0], seen), max(edges[-1], seen) + 0.04 * float(np.ptp(edges))),
            ylim=(0, 1.4 * top),
            xlabel=f"{found.statistic_name} (best trial unit of each sample)",
            ylabel="samples without steps",
            title=f"{values.size:,} samples without steps",
        )
    return axes


def plot_running(found: RunningResult, ax: Axes | None = None) -> Axes:
    """Evidence after each reading, with the height at which one may stop."""
    with style.drawing(ax) as axes:
        y = found.log_evidence / np.log(10)
        place = np.arange(1, y.size + 1)
        seen = np.isfinite(y)
        axes.plot(place[seen], y[seen], "-o", color=style.DATA, ms=3.5, lw=1.2)
        axes.axhline(0, color=style.RULE, lw=0.8)
        limit = -np.log10(found.alpha)
        axes.axhline(limit, color=style.INK, lw=1.1, ls=(0, (5, 3)))
        # The curve begins below the line.
        style.note(
            axes,
            f"{1 / found.alpha:g} to 1: may stop here",
            (0.01, limit),
            (0, 4),
            xycoords=("axes fraction", "data"),
            va="bottom",
        )
        style.whole_ticks(axes)
        if found.crossed_at is not None:
            axes.axvline(found.crossed_at, color=style.ACCENT, lw=1.0, ls=":")
        low, high = float(np.min(y[seen], initial=-1.0)), float(np.max(y[seen], initial=limit))
        axes.set(
            xlim=(0.5, y.size + 0.5),
            ylim=(max(low, -6.0) - 0.3, high + 0.5),
            xlabel="readings taken",
            ylabel="evidence for steps, powers of ten",
            title="Evidence after every reading",
        )
    return axes


def plot_sensitivity(found: Sensitivity, ax: Axes | None = None) -> Axes:
    """The p-value of every null, one mark a range, on a logarithmic axis."""
    with style.drawing(ax) as axes:
        table = found.table
        nulls = list(dict.fromkeys(table["null"]))
        unit_ranges = list(dict.fromkeys(table["unit_range"]))
        for place, unit_range in enumerate(unit_ranges):
            rows = table[table["unit_range"] == unit_range]
            aside = 0.7 * ((place + 0.5) / len(unit_ranges) - 0.5)
            height = [nulls.index(null) + aside for null in rows["null"]]
            axes.plot(
                rows["p_value"],
                height,
                "osD^vP*X"[place % 8],
                color=style.ACCENT if place == 0 else style.DATA,
                ms=5 if place == 0 else 4,
                label=unit_range,
            )
        axes.axvline(0.05, color=style.INK, lw=1.0, ls=(0, (5, 3)), label="1 sample in 20")
        axes.set_xscale("log")
        style.plain_powers(axes.xaxis)
        style.name_rows(axes, range(len(nulls)), nulls, lines_below=3)
        axes.set(
            ylim=(len(nulls) - 0.4, -0.6), xlabel="p-value", title="What the p-value depends on"
        )
        style.legend_below(axes)
    return axes
