"""Pictures of a posterior, exact or sampled: unit, whole numbers, phases, what it predicts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from quantize._support import validation
from quantize.null.calibration import share
from quantize.show import facts
from quantize.show.numbers import brackets
from quantize.show.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from quantize._support.validation import FloatArray
    from quantize.analysis import Analysis
    from quantize.model.mixture import MixtureFit
    from quantize.sampling.result import SampledMixture

_SAMPLES = 400
_MOST_MODES = 6
_MOST_ROWS = 40
_BINS = 120
_FEW = 60  # more points on the circle are small
_ROOMY = 190  # points that the names of the quarters need


def plot_mixture(
    found: MixtureFit,
    ax: Axes | None = None,
    *,
    view: Literal["unit", "integers", "phases", "prediction"] = "unit",
) -> Axes:
    """Draw a mixture.

    Parameters
    ----------
    found : MixtureFit
        The fit to draw.
    ax : Axes, optional
        The axes to draw on; without them a new figure is made.
    view : {"unit", "integers", "phases", "prediction"}
        The posterior of the unit with its modes; the whole number of each reading with its
        probabilities; the readings between two multiples; or the differences from the multiples
        against those of samples that the model would give again.

    Returns
    -------
    Axes
        The axes that were drawn on.
    """
    draw = {
        "unit": plot_unit,
        "integers": plot_integers,
        "phases": plot_phases,
        "prediction": plot_prediction,
    }
    return draw[validation.choice("view", view, draw)](found, ax)


def plot_unit(found: MixtureFit, ax: Axes | None = None) -> Axes:
    """Posterior of the unit, each mode drawn where it is, with its share."""
    with style.drawing(ax) as axes:
        m = found.marginal
        unit, density = np.exp(m.log_unit), m.mass / m.step
        edges = np.flatnonzero(np.diff(m.index) > 1)
        for part in np.split(np.arange(unit.size), edges + 1):
            pad = unit[part[[0, -1]]] * np.exp([-m.step, m.step])
            u = np.r_[pad[0], unit[part], pad[1]]
            axes.fill_between(u, np.r_[0.0, density[part], 0.0], color=style.SOFT, lw=0)
            axes.plot(u, np.r_[0.0, density[part], 0.0], color=style.DATA, lw=1.1)
        _set_span(found, axes)
        rows = _main_modes(found)
        peaks = [float(np.interp(row["unit"], unit, density)) for row in rows]
        _mark_modes(found, axes, float(density.max()), peaks)
        axes.set_title("Which unit, given that there are steps")
    return axes


def _main_modes(found: MixtureFit | SampledMixture) -> list[dict[Any, Any]]:
    """The modes that are named: those of one per cent or more, or the first."""
    every = found.alternatives.to_dict("records")
    return [row for row in every if row["share"] >= 0.01][:_MOST_MODES] or every[:1]


def _set_span(found: MixtureFit | SampledMixture, ax: Axes) -> None:
    """Units from the smallest mode to the largest; five standard deviations where it is one."""
    units = [row["unit"] for row in _main_modes(found)]
    if len(units) == 1:
        width = 5 * found.unit_err
        ax.set_xlim(found.unit - width, found.unit + width)
        style.few_ticks(ax, 62)
        return
    ax.set_xscale("log")
    ax.set_xlim(
        max(0.8 * min(units), found.unit_range.low), min(1.25 * max(units), found.unit_range.high)
    )
    style.plain_ticks(ax, *ax.get_xlim())


def _mark_modes(
    found: MixtureFit | SampledMixture, ax: Axes, top: float, peaks: Sequence[float]
) -> None:
    """Name each mode above its peak, lay the 95 % set along the axis, and label the axes."""
    rows = _main_modes(found)
    low, high = ax.get_xlim()
    row_height = style.row_of(ax, len(rows))
    ax.set_ylim(0, top * (1.12 + row_height * len(rows)))
    for rank, (row, peak) in enumerate(zip(rows, peaks, strict=True)):
        level = top * (1.08 + row_height * (len(rows) - 1 - rank))
        ax.vlines(row["unit"], peak, level, color=style.ACCENT, lw=0.9, ls=":", zorder=2)
        style.beside(
            ax,
            f"{brackets(row['unit'], row['unit_err'])}, {share(row['share'])}",
            (row["unit"], level),
            rather_left=len(rows) > 1 and np.log(row["unit"] / low) > 0.6 * np.log(high / low),
            color=style.ACCENT,
            bbox=style.CLEAR,
        )
    for left, end in found.interval(0.95):
        ax.plot([left, end], [0, 0], color=style.INK, lw=4, solid_capstyle="butt", zorder=5)
    ax.set(
        xlabel=f"unit{facts.measured_in(found)}; the thick bar on the axis is the 95 % set",
        ylabel="posterior density of log unit",
    )


def plot_prediction(found: MixtureFit, ax: Axes | None = None) -> Axes:
    """Differences from the nearest multiple, in order of size, against predicted ones.

    The band holds nine tenths of the predicted samples at each place. Points outside it say that
    the model is wrong: outliers on the right, a scatter that is not the one assumed anywhere.
    """
    unit, offset = found.unit, found.offset
    # A fixed seed: the same fit gives the same picture.
    samples = found.predictions(_SAMPLES, rng=0)
    measured = found.readings.measured
    seen = _differences(found.readings.values[measured], unit, offset)
    predicted = _differences(samples[:, measured], unit, offset)
    low, middle, high = np.quantile(predicted, [0.05, 0.5, 0.95], axis=0)
    place = (np.arange(seen.size) + 0.5) / seen.size
    with style.drawing(ax) as axes:
        axes.fill_between(
            place, low, high, color=style.SOFT, alpha=0.6, lw=0, label="nine in ten predicted"
        )
        axes.plot(place, middle, color=style.DATA, lw=1.1, ls="--", label="their middle")
        axes.plot(place, seen, "o", color=style.ACCENT, ms=4, label="these readings")
        axes.set(
            xlim=(0, 1),
            ylim=(0, max(0.02, 1.06 * max(float(seen.max()), float(high.max())))),
            xlabel="share of the readings with a smaller difference",
            ylabel="difference from the multiple, in units",
            title="Do the readings look like what the model predicts",
        )
        style.legend_below(axes)
    return axes


def _differences(values: FloatArray, unit: float, offset: float) -> FloatArray:
    cycles = (values - offset) / unit
    return np.sort(np.abs(cycles - np.rint(cycles)), axis=-1)


def plot_phases(found: Analysis | MixtureFit, ax: Axes | None = None) -> Axes:
    """Where each reading lies between two multiples, laid round a circle at the best unit."""
    with style.drawing(ax, 4.6, 4.6) as axes:
        phase = ((found.readings.values - found.offset) / found.unit) % 1.0
        angle = np.pi / 2 - 2 * np.pi * phase
        radius = 1.0 + 0.045 * _stack(phase)
        circle = np.linspace(0, 2 * np.pi, 361)
        axes.plot(np.cos(circle), np.sin(circle), color=style.RULE, lw=1.0, zorder=1)
        for quarter in range(4):
            a = np.pi / 2 * (1 - quarter)
            axes.plot([0.94 * np.cos(a), np.cos(a)], [0.94 * np.sin(a), np.sin(a)], color=style.INK)
        size = 5 if phase.size <= _FEW and min(style.points_of(axes)) > _ROOMY else 3
        axes.plot(radius * np.cos(angle), radius * np.sin(angle), "o", color=style.DATA, ms=size)
        mean = np.exp(1j * angle).mean()
        axes.annotate(
            "",
            (mean.real, mean.imag),
            xytext=(0, 0),
            arrowprops={"arrowstyle": "-|>", "color": style.ACCENT, "lw": 1.8},
        )
        if min(style.points_of(axes)) > _ROOMY:
            _name_quarters(axes, mean)
        reach = max(1.12, float(radius.max()) + 0.06)
        axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
        axes.set_axis_off()
        said = style.broken(
            f"multiples at the top; arrow: mean of all, {abs(mean):.2f} of the radius",
            style.panel_inches(axes)[0],
        )
        wide, high = style.panel_inches(axes)
        # The circle stands in the middle, and the title begins at its left.
        title = f"Between multiples of {facts.size(found)}"
        title = style.broken(title, 0.5 * (wide + min(wide, high - 0.7)), 10.5 * 0.66)
        axes.set_title(title + "\n" * (1 + said.count("\n")))
        axes.text(
            0.0, 1.0, said, transform=axes.transAxes, va="bottom", fontsize=8, color=style.ACCENT
        )
    return axes


def _name_quarters(axes: Axes, mean: complex) -> None:
    """What the marks on the circle mean."""
    away = -0.1 if mean.real > 0 else 0.1
    side = "right" if mean.real > 0 else "left"
    for x, y, name, ha in (
        (away, 0.76, "on a multiple", side),
        (0.90, 0.0, "a quarter above", "right"),
        (-0.90, 0.0, "a quarter below", "left"),
        (0.0, -0.88, "half way between two", "center"),
    ):
        axes.text(x, y, name, ha=ha, va="center", fontsize=8, bbox=style.CLEAR)


def _stack(phase: FloatArray) -> FloatArray:
    """How many earlier points stand at about the same place."""
    bins = np.floor(phase * 72).astype(int)
    height = np.zeros(phase.size)
    seen: dict[int, int] = {}
    for i in np.argsort(phase, kind="stable"):
        height[i] = seen.get(bins[i], 0)
        seen[int(bins[i])] = int(height[i]) + 1
    return np.minimum(height, 12)


def plot_integers(found: Analysis | MixtureFit, ax: Axes | None = None) -> Axes:
    """Probability of every whole number that each reading (or state) may have."""
    rows = facts.levels(found)
    high = _MOST_ROWS if ax is None else int(style.points_of(ax)[1] / 11)
    # Where there are too many, those of which least is known.
    doubtful = np.argsort([row.probability for row in rows], kind="stable")[: max(high, 3)]
    order = doubtful[np.argsort([rows[j].value for j in doubtful], kind="stable")]
    data = found.readings
    table = found.integer_probabilities
    index = data.levels().index
    with style.drawing(ax, 6.4, 1.6 + 0.19 * order.size) as axes:
        for height, j in enumerate(order.tolist()):
            reading = int(np.flatnonzero(index == j)[0])
            own = table[table["reading"] == reading]
            own = own[own["probability"] >= 0.005]
            k, p = own["integer"].to_numpy(), own["probability"].to_numpy()
            axes.scatter(
                k,
                np.full(k.size, height),
                s=130 * p,
                color=style.DATA,
                lw=0,
                zorder=3,
                clip_on=False,
            )
            for n, chance in zip(k.tolist(), p.tolist(), strict=True):
                if 0.05 <= chance < 0.98 and k.size <= 4:
                    style.note(axes, f"{100 * chance:.0f}", (n, height), (7, 0), fontsize=7)
        labels = [style.plain(rows[j].label)[:14] for j in order.tolist()]
        axes.set_yticks(range(order.size), labels, fontsize=8)
        style.whole_ticks(axes)
        axes.grid(axis="x", color=style.PALE)
        axes.set(
            ylim=(-0.7, order.size - 0.3),
            xlabel="whole number; the area of a mark is its probability"
            + ", figures in %" * bool(axes.texts),
            ylabel="state" if data.state is not None else "reading, in ascending order",
            title=facts.levels_title(found)
            + (f": the {order.size} least sure of {len(rows)}" if order.size < len(rows) else ""),
        )
    return axes


def plot_sampled(found: SampledMixture, ax: Axes | None = None) -> Axes:
    """Posterior of the unit over all samples, each ensemble as a line, and the modes.

    Where the ensembles agree their lines lie on each other.
    """
    with style.drawing(ax) as axes:
        _set_span(found, axes)
        low, high = np.log(axes.get_xlim())
        edges = np.linspace(low, high, _BINS + 1)
        width = edges[1] - edges[0]
        log_unit = np.log(found.draws["unit"].to_numpy())
        chain = found.draws["chain"].to_numpy()
        every = np.histogram(log_unit, edges)[0] / (log_unit.size * width)
        axes.stairs(every, np.exp(edges), fill=True, color=style.SOFT)
        top = float(every.max())
        for number in np.unique(chain):
            mine = log_unit[chain == number]
            height = np.histogram(mine, edges)[0] / (mine.size * width)
            top = max(top, float(height.max()))
            label = "one ensemble" if number == 0 else None
            axes.stairs(height, np.exp(edges), color=style.DATA, lw=0.6, alpha=0.7, label=label)
        rows = _main_modes(found)
        at = np.searchsorted(edges, np.log([row["unit"] for row in rows])) - 1
        peaks = every[np.clip(at, 0, every.size - 1)]
        _mark_modes(found, axes, 1.1 * top, peaks.tolist())
        state = "the ensembles agree" if found.converged else "not converged"
        axes.set_title(f"The unit by sampling: {state}")
    return axes
