"""The unit of each of many groups, marked by verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from quantize.show import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize.groups.analyze import GroupAnalyses

_WIDTH = 70
"""Letters that fit side by side below the axes."""
_NAMED = 24
"""More groups than this are numbered, not named."""
_MARKS: dict[str, dict[str, Any]] = {
    "steps": {"marker": "o", "color": style.DATA, "markerfacecolor": style.DATA},
    "cannot tell": {"marker": "o", "color": style.SOFT, "markerfacecolor": "white"},
    "no steps": {"marker": "x", "color": style.ACCENT, "markerfacecolor": style.ACCENT},
}


def plot_groups(found: GroupAnalyses, ax: Axes | None = None) -> Axes:
    """Unit and its standard deviation for each group, in the order of the table."""
    table = found.table
    axes = style.new_axes() if ax is None else ax
    many = len(table) > _NAMED
    place = np.arange(1, len(table) + 1)
    with style.look():
        for verdict, mark in _MARKS.items():
            mine = (table["verdict"] == verdict).to_numpy()
            if not mine.any():
                continue
            axes.errorbar(
                place[mine],
                table["unit"][mine],
                yerr=table["unit_err"][mine],
                linestyle="none",
                markersize=3 if many else 5,
                elinewidth=0.7 if many else 1.2,
                label=f"{verdict} ({mine.sum():,})",
                zorder=3 if verdict == "steps" else 2,
                **mark,
            )
        axes.set_xlim(0, len(table) + 1)
        if table["unit"].notna().any():
            axes.set_ylim(bottom=0)
        lines = 3
        if many:
            axes.set_xlabel(f"{style.plain(found.by)}, in order of first appearance")
        else:
            names = [_short(style.plain(str(label))) for label in table["group"]]
            if max(map(len, names)) * len(names) > _WIDTH:
                axes.set_xticks(place, names, rotation=90, fontsize=8)
                lines = 7
            else:
                axes.set_xticks(place, names, fontsize=8)
            axes.set_xlabel(style.plain(found.by))
        if table["unit"].notna().any():
            style.legend_below(axes, lines=lines)
        axes.set_ylabel(f"unit of {style.plain(found.value)}")
        lost = len(found.failed)
        left_out = f", {lost:,} not analysed" if lost else ""
        axes.set_title(f"Units of {len(table):,} groups{left_out}")
    return axes


def _short(label: str) -> str:
    return label if len(label) <= 12 else label[:11] + "…"
