"""Pictures of the unit in coulombs: its budget, every route, and several particles."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal

import numpy as np

from quantize._support import validation
from quantize.show.numbers import brackets, unit_shown
from quantize.show.plots import style
from quantize.show.sentences import input_name

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from quantize.charge.coulombs import UnitInCoulombs
    from quantize.charge.particles import JointUnit
    from quantize.charge.pooled import PooledUnit
    from quantize.charge.propagation import Propagation


_WIDE = 4.5  # inches from which on every route has its value written over it


def plot_propagation(found: Propagation, ax: Axes | None = None) -> Axes:
    """The budget as bars, the largest share on top."""
    with style.drawing(ax, 6.4, 1.2 + 0.42 * len(found.budget)) as axes:
        _budget(found, axes)
    return axes


def plot_coulombs(
    found: UnitInCoulombs, ax: Axes | None = None, *, view: Literal["budget", "routes"] = "budget"
) -> Axes:
    """Draw the unit in coulombs.

    Parameters
    ----------
    found : UnitInCoulombs
        The result to draw.
    ax : Axes, optional
        The axes to draw on; without them a new figure is made.
    view : {"budget", "routes"}
        "budget": the share of each input in the variance. "routes": every route with the error
        that is its own; the part that all routes share, which cannot explain why they differ,
        stands once, below.

    Returns
    -------
    Axes
        The axes that were drawn on.
    """
    if validation.choice("view", view, ("budget", "routes")) == "budget":
        return plot_propagation(found, ax)
    with style.drawing(ax, 6.4, 1.5 + 0.5 * len(found.routes)) as axes:
        _routes(found, axes)
    return axes


def _budget(found: Propagation, ax: Axes) -> None:
    every = found.budget.sort_values("share")
    table = every.tail(max(int((style.points_of(ax)[1] - 70) / 9), 3))
    share = 100 * np.abs(table["share"].to_numpy(float))
    random = (table["part"] == "random").to_numpy(bool)
    bars = ax.barh(np.arange(share.size), share, color=style.SOFT, edgecolor=style.DATA, height=0.6)
    for bar, own in zip(bars, random, strict=True):
        if own:
            bar.set(facecolor=style.DATA)
    for i, value in enumerate(share.tolist()):
        text = f"{value:.1f} %" if value >= 0.05 else "< 0.1 %"
        style.note(ax, text, (value, i), (4, 0))
    names = [style.plain(input_name(name)) for name in table["input"]]
    style.name_rows(ax, range(share.size), names)
    least = f": the largest {share.size} of {len(every)}" if share.size < len(every) else ""
    # The figure behind the longest bar takes the same room at any size.
    room = 1 + 40 / max(style.points_of(ax)[0] - 72 * style.names_inches(ax), 80)
    ax.set(
        xlim=(0, room * max(float(share.max()), 1.0)),
        xlabel="% of the variance; dark: from the readings",
        title=f"Where the uncertainty comes from{least}",
    )


def _routes(found: UnitInCoulombs, ax: Axes) -> None:
    rows = found.routes.to_dict("records")
    parts = {name: _parts(budget, value) for name, budget, value in _budgets(found)}
    shared = _shared(list(parts.values())) if len(rows) > 1 else {}
    power = int(np.floor(np.log10(abs(found.value))))
    scale = 10.0**-power
    for i, row in enumerate(reversed(rows), start=1):
        first = row["route"] == found.route
        own = {k: v - shared.get(k, 0.0) for k, v in parts[row["route"]].items()}
        _bar(ax, row["value"] * scale, i, _root(own) * row["value"] * scale, first)
        stated = brackets(row["value"], row["standard_uncertainty"], "C")
        if style.panel_inches(ax)[0] > _WIDE:
            at = (row["value"] * scale, i)
            style.note(ax, stated, at, (0, 7), ha="center", va="baseline")
    names = [row["route"] for row in reversed(rows)]
    if shared:
        half = _root(shared) * found.value * scale
        ends = [found.value * scale - half, found.value * scale + half]
        ax.plot(ends, [0, 0], color=style.INK, lw=5, solid_capstyle="butt")
        ax.axhline(0.5, color=style.RULE, lw=0.8)
        names = ["what all routes share", *names]
    style.name_rows(ax, range(0 if shared else 1, len(rows) + 1), names)
    ax.set(
        ylim=(-0.5 if shared else 0.4, len(rows) + 0.6),
        xlabel=f"unit in {unit_shown(f'1e{power} C')}; one standard uncertainty either way",
        title="Every route to coulombs",
    )


def _bar(ax: Axes, x: float, y: float, half: float, first: bool) -> None:
    colour = style.ACCENT if first else style.DATA
    mark = "D" if first else "o"
    ax.errorbar([x], [y], xerr=half, fmt=mark, color=colour, elinewidth=1.2, capsize=3)


def _budgets(found: UnitInCoulombs) -> list[tuple[str, pd.DataFrame, float]]:
    others = [(name, other.budget, other.value) for name, other in found.others.items()]
    return [(found.route, found.budget, found.value), *others]


def _parts(budget: pd.DataFrame, value: float) -> dict[str, float]:
    """Relative error that one standard uncertainty of each input makes, with its sign."""
    signed = np.sign(budget["slope"]) * budget["contribution"] / value
    return dict(zip(budget["input"].tolist(), signed.tolist(), strict=True))


def _shared(routes: list[dict[str, float]]) -> dict[str, float]:
    """The part of each input's error by which all routes move together."""
    common = set.intersection(*(set(route) for route in routes))
    shared = {}
    for name in sorted(common):
        parts = [route[name] for route in routes]
        if min(parts) > 0 or max(parts) < 0:
            shared[name] = min(parts, key=abs)
    return shared


def _root(parts: dict[str, float]) -> float:
    return float(np.sqrt(sum(part**2 for part in parts.values())))


def plot_joint(found: JointUnit, ax: Axes | None = None) -> Axes:
    """Forest plot: the particles one below the other, their joint value last.

    Bars are 95 % intervals; thick is what no other particle shares.
    """
    with _forest(found.particles, "joint", found, ax) as axes:
        axes.set(title=_title(found, "particles"))
    return axes


def plot_pooled(found: PooledUnit, ax: Axes | None = None) -> Axes:
    """Forest plot: the runs one below the other, the pooled value last, with 95 % intervals."""
    with _forest(found.runs, "pooled", found, ax) as axes:
        axes.set(title=_title(found, "runs"))
    return axes


def _title(found: JointUnit | PooledUnit, what: str) -> str:
    return f"{brackets(found.value, found.standard_uncertainty, 'C')} from several {what}"


@contextlib.contextmanager
def _forest(
    table: pd.DataFrame, last: str, found: JointUnit | PooledUnit, ax: Axes | None
) -> Iterator[Axes]:
    """Rows of a table below each other, thick for what each has for itself, and all of them."""
    power = int(np.floor(np.log10(abs(found.value))))
    scale = 10.0**-power
    y = np.arange(len(table), 0, -1)
    value = table["value"].to_numpy(float) * scale
    every, own = (1.96 * scale * table[k].to_numpy(float) for k in ("standard_uncertainty", "own"))
    pieces = (found.interval(0.95) * scale).tolist()
    with style.drawing(ax, 6.4, 1.5 + 0.32 * len(table)) as axes:
        for low, high in pieces:
            axes.axvspan(low, high, color=style.PALE, zorder=0)
            axes.plot([low, high], [0, 0], color=style.ACCENT, lw=1.6)
        axes.axvline(found.value * scale, color=style.RULE, lw=0.9, zorder=1)
        axes.errorbar(
            value, y, xerr=every, fmt="o", ms=5, color=style.DATA, elinewidth=1.0, capsize=2.5
        )
        axes.errorbar(value, y, xerr=own, fmt="none", ecolor=style.DATA, elinewidth=3.5)
        axes.plot([found.value * scale], [0], "D", color=style.ACCENT, ms=7)
        style.name_rows(axes, [*y, 0], [*map(str, table.iloc[:, 0]), last])
        axes.set(
            ylim=(-0.7, len(table) + 0.7),
            xlabel=f"unit in {unit_shown(f'1e{power} C')}, 95 % intervals; thick: its own part",
        )
        yield axes
