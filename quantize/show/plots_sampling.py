"""Picture of a sampled posterior: the unit by ensemble, with its modes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from quantize.show import style
from quantize.show.plots_mixture import main_modes, mark_modes, set_span

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize.sampling.result import SampledMixture

_BINS = 120


def plot_sampled(found: SampledMixture, ax: Axes | None = None) -> Axes:
    """Posterior of the unit over all samples, each ensemble as a line, and the modes.

    Where the ensembles agree their lines lie on each other.
    """
    axes = style.new_axes() if ax is None else ax
    with style.look():
        set_span(found, axes)
        low, high = np.log(axes.get_xlim())
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
        rows = main_modes(found)
        at = np.searchsorted(edges, np.log([row["unit"] for row in rows])) - 1
        peaks = every[np.clip(at, 0, every.size - 1)]
        mark_modes(found, axes, 1.1 * float(every.max()), peaks.tolist())
        state = "the ensembles agree" if found.converged else "not converged"
        axes.set_title(f"The unit by sampling: {state}")
    return axes
