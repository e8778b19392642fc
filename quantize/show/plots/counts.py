"""Pictures of counts in bins: the counts, the levels under them, the distances."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from quantize.show import facts
from quantize.show.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize.counts.fit import CountFit
    from quantize.counts.histogram import Histogram
    from quantize.null.counts import CountAnalysis

_MOST_BINS = 1500


def plot_histogram(counts: Histogram, ax: Axes | None = None) -> Axes:
    """Counts in bins, as steps."""
    with style.drawing(ax) as axes:
        shown = counts.occupied()
        shown = shown.coarser(-(-len(shown) // _MOST_BINS)) if shown.even else shown
        axes.stairs(shown.counts, shown.edges, color=style.DATA, lw=0.9, label="counts")
        axes.set(xlabel="reading", ylabel="readings in a bin")
    return axes


def plot_count_fit(found: CountFit, ax: Axes | None = None) -> Axes:
    """Counts, the fitted levels, and the multiples of the unit."""
    levels = found.fitted
    with style.drawing(ax) as axes:
        axes.stairs(levels.counts, levels.edges, color=style.SOFT, fill=True, label="counts")
        middles = 0.5 * (levels.edges[1:] + levels.edges[:-1])
        expected = levels.expected()
        axes.plot(middles, expected, color=style.DATA, lw=1.1, label="levels fitted")
        for place in levels.position[levels.amplitude > 1e-3 * levels.amplitude.max()]:
            axes.axvline(place, color=style.RULE, lw=0.7, ls=":", zorder=0)
        if found.modes.size:
            height = np.interp(found.modes, middles, expected)
            axes.plot(
                found.modes,
                1.15 * height,
                "v",
                color=style.ACCENT,
                ms=5,
                label="levels that stand out",
            )
        top = float(levels.counts.max())
        axes.set_yscale("symlog", linthresh=max(1.0, 1e-3 * top))
        style.plain_powers(axes.yaxis)
        axes.set(
            ylim=(0, 2 * top),
            xlabel=f"reading{facts.measured_in(found)}",
            ylabel="readings in a bin",
            title=f"Unit {facts.size(found)}",
        )
        style.legend_below(axes)
    return axes


def plot_count_analysis(found: CountAnalysis, ax: Axes | None = None) -> Axes:
    """The fit, under the verdict."""
    axes = plot_count_fit(found.fit, ax)
    with style.look():
        axes.set_title(f"Verdict: {found.verdict}; unit {facts.size(found)}")
        style.fit(axes)
    return axes
