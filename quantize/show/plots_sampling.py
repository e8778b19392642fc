"""Picture of a sampled posterior: the unit by ensemble, with its modes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from quantize.show import style
from quantize.show.plots_comb import plain_ticks
from quantize.show.rounding import brackets

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize.comb.sampling.result import SampledMixture

_BINS = 120
_MOST_MODES = 5


def plot_sampled(found: SampledMixture, ax: Axes | None = None) -> Axes:
    """Posterior of the unit over all samples, each ensemble as a line, and the modes.

    Where the ensembles agree their lines lie on each other.
    """
    axes = style.new_axes() if ax is None else ax
    with style.look():
        rows = [row for row in found.alternatives.to_dict("records") if row["share"] >= 0.01]
        rows = rows[:_MOST_MODES] or found.alternatives.to_dict("records")[:1]
        units = [row["unit"] for row in rows]
        single = len(rows) == 1
        margin = np.log(1.15) if not single else 5 * found.unit_err / found.unit
        low = max(np.log(min(units)) - margin, np.log(found.band.low))
        high = min(np.log(max(units)) + margin, np.log(found.band.high))
        edges = np.linspace(low, high, _BINS + 1)
        width = edges[1] - edges[0]
        log_unit = np.log(found.draws["unit"].to_numpy())
        chain = found.draws["chain"].to_numpy()
        every = np.histogram(log_unit, edges)[0] / (log_unit.size * width)
        axes.stairs(every, np.exp(edges), fill=True, color=style.SOFT)
        for number in np.unique(chain):
            mine = log_unit[chain == number]
            height = np.histogram(mine, edges)[0] / (mine.size * width)
            label = "one ensemble" if number == 0 else None
            axes.stairs(height, np.exp(edges), color=style.DATA, lw=0.6, alpha=0.7, label=label)
        top = float(every.max())
        axes.set_ylim(0, top * (1.25 + 0.11 * len(rows)))
        axes.set_xlim(np.exp(low), np.exp(high))
        for rank, row in enumerate(rows):
            level = top * (1.18 + 0.11 * (len(rows) - 1 - rank))
            axes.vlines(row["unit"], 0, level, color=style.ACCENT, lw=0.9, ls=":")
            right = np.log(row["unit"]) > low + 0.6 * (high - low) and not single
            axes.annotate(
                f"{brackets(row['unit'], row['unit_err'])}, {100 * row['share']:.3g} %",
                (row["unit"], level),
                xytext=(-4 if right else 4, 0),
                textcoords="offset points",
                ha="right" if right else "left",
                va="center",
                fontsize=8,
                color=style.ACCENT,
            )
        if not single:
            axes.set_xscale("log")
            plain_ticks(axes, *axes.get_xlim())
        for left, end in found.interval(0.95):
            axes.plot([left, end], [0, 0], color=style.INK, lw=4, solid_capstyle="butt", zorder=5)
        axes.set_xlabel("unit; the thick bar on the axis is the 95 % set")
        axes.set_ylabel("posterior density of log unit")
        state = "the ensembles agree" if found.converged else "not converged"
        axes.set_title(f"The unit by sampling: {state}")
    return axes
