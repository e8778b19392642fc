"""The look of every picture, and how pictures are written.

Colours keep their order of lightness in grey and stay distinct for readers with any common
colour blindness; what matters also differs in shape or dash.
"""

from __future__ import annotations

import contextlib
import functools
import io
import os
import textwrap
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.writing import check_target, write_whole
from quantize.show.view import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure, SubFigure

INK = "#1d2a38"
DATA = "#1b4f8a"
ACCENT = "#b04a10"
SOFT = "#9fb4c9"
PALE = "#e6ecf2"
RULE = "#b9c2cb"
CLEAR: Any = {"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.85}
KINDS = ("svg", "pdf", "png")
_ONE_AT_A_TIME = threading.RLock()

LOOK: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.direction": "out",
    "legend.frameon": False,
    "lines.linewidth": 1.3,
    "svg.fonttype": "path",
    "svg.hashsalt": "quantize",
    "pdf.fonttype": 42,
}


def new_axes(width: float = 6.4, height: float = 3.9) -> Axes:
    """Axes on a new figure that no window system knows."""
    [axes] = new_panels(1, width=width, height=height)
    return axes


def new_panels(n: int, *, width: float, height: float, ratios: Any = None) -> list[Axes]:
    """`n` axes one above the other on a new figure."""
    from matplotlib.figure import Figure

    with look():
        figure = Figure(figsize=(width, height), layout="constrained")
        axes = figure.subplots(n, 1, squeeze=False, gridspec_kw={"height_ratios": ratios})
    return shown(list(axes[:, 0]))


def shown(panels: list[Axes]) -> list[Axes]:
    """Panels of a new figure, which a notebook shows as a picture: no window system knows them."""
    for ax in panels:
        # The display protocol of IPython: PNG, with the size at which it is shown.
        ax._repr_png_ = functools.partial(_for_notebook, ax)  # type: ignore[attr-defined]
    return panels


def _for_notebook(ax: Axes) -> tuple[bytes, dict[str, float]]:
    wide, _ = figure_of(ax).get_figure(root=True).get_size_inches()
    return picture(ax, "png", dpi=192), {"width": round(96 * wide)}


@contextlib.contextmanager
def look() -> Iterator[None]:
    """Context in which pictures are drawn, by one thread at a time: the settings are global."""
    from matplotlib import rc_context

    with _ONE_AT_A_TIME, rc_context(LOOK):
        yield


@contextlib.contextmanager
def drawing(ax: Axes | None, width: float = 6.4, height: float = 3.9) -> Iterator[Axes]:
    """The axes to draw on in the look of the house: those given, or new ones of this size."""
    axes = new_axes(width, height) if ax is None else ax
    with look():
        yield axes
        fit(axes)


def figure_of(axes: Axes) -> Figure | SubFigure:
    """The figure that holds the axes."""
    figure = axes.figure
    if figure is None:
        raise InputError("`ax` belongs to no figure any more; give axes that are on one.")
    return figure


def fit(*panels: Axes) -> None:
    """Break titles and labels that are wider than the picture, by the usual width of a letter."""
    for ax in panels:
        wide, high = panel_inches(ax)
        title = _broken(ax.get_title(loc="left"), wide - 0.6, 10.5 * 0.66)
        if title != ax.get_title(loc="left"):
            ax.set_title(title)
        ax.set_xlabel(_broken(ax.get_xlabel(), wide, 9 * 0.56))
        ax.set_ylabel(_broken(ax.get_ylabel(), high - 0.6, 9 * 0.56))


def panel_inches(ax: Axes) -> tuple[float, float]:
    """Width and height of what a panel takes of its figure, labels included."""
    figure, spec = figure_of(ax).get_figure(root=True), ax.get_subplotspec()
    if figure is None or spec is None:
        return 6.4, 3.9
    wide, high = (float(side) for side in figure.get_size_inches())
    rows, columns = spec.get_gridspec().get_geometry()
    return wide / columns * len(spec.colspan), high / rows * len(spec.rowspan)


def _broken(text: str, inches: float, letter: float) -> str:
    most = max(int((inches - 0.3) * 72 / letter), 20)
    return "\n".join(textwrap.fill(line, most) for line in text.split("\n"))


def legend_below(ax: Axes, *, lines: int = 3) -> None:
    """The legend under the axes and so many lines of labels, where it hides nothing."""
    _, names = ax.get_legend_handles_labels()
    # Seven more letters for the mark of each.
    fits = int(
        (panel_inches(ax)[0] - 0.2) * 72 / (8 * 0.56 * (7 + max(map(len, names), default=1)))
    )
    ax.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, 0.0),
        borderaxespad=1.5 * lines,
        ncols=min(max(fits, 1), 4),
        fontsize=8,
        handletextpad=0.5,
    )


def note(
    ax: Axes, text: str, at: tuple[float, float], away: tuple[float, float], **look: Any
) -> None:
    """A small text so many points away from a place."""
    usual: dict[str, Any] = {"va": "center", "fontsize": 8}
    ax.annotate(text, at, xytext=away, textcoords="offset points", **(usual | look))


def plain_ticks(ax: Axes, low: float, high: float) -> None:
    """Ticks of a logarithmic axis at round values, written plainly."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    steps: tuple[float, ...] = (1, 2, 3, 5, 7) if high / low < 12 else (1, 2, 5)
    if high / low > 300:
        steps = (1,)
    if high / low < 2.5:
        steps = tuple(np.arange(10, 100, 2 if high / low > 1.4 else 1) / 10)
    powers = range(int(np.floor(np.log10(low))) - 1, int(np.ceil(np.log10(high))) + 1)
    values = [s * 10.0**p for p in powers for s in steps]
    values = [v for v in values if low <= v <= high]
    ax.xaxis.set_major_locator(FixedLocator(values))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_xticks(values, [f"{v:g}" for v in values])


def plain_powers(axis: Axis) -> None:
    """Labels of a logarithmic axis as numbers, at 1, 2 and 5 where it is short."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    low, high = axis.get_view_interval()
    subs = (1.0, 2.0, 5.0) if low > 0 and high / low < 100 else (1.0,)
    if low > 0:
        axis.set_major_locator(LogLocator(subs=subs))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.12g}"))
    axis.set_minor_formatter(NullFormatter())


def whole_ticks(ax: Axes) -> None:
    """Ticks of the horizontal axis at whole numbers."""
    from matplotlib.ticker import MaxNLocator

    ax.xaxis.set_major_locator(MaxNLocator(integer=True))


def plain(text: str) -> str:
    """Text for a picture: control characters out, long text cut."""
    return printable(text, 60)


def check_plot_target(path: str | os.PathLike[str]) -> Path:
    """The path, refused with one sentence when no picture can be written there."""
    target = check_target(path, name="plot")
    if target.suffix.lower().lstrip(".") not in KINDS:
        raise InputError(
            f"`plot` is {str(path)!r}; a picture ends in .{', .'.join(KINDS[:-1])} or .{KINDS[-1]}."
        )
    return target


def picture(axes: Axes, kind: str = "svg", *, dpi: int = 150, transparent: bool = False) -> bytes:
    """The whole figure of `axes`, the same bytes every time."""
    with look():
        out = io.BytesIO()
        metadata = {"svg": {"Date": None, "Creator": None}, "pdf": {"CreationDate": None}}
        figure = figure_of(axes).get_figure(root=True)
        if figure is None:
            raise InputError("`ax` belongs to no figure any more; give axes that are on one.")
        figure.savefig(
            out, format=kind, dpi=dpi, metadata=metadata.get(kind), transparent=transparent
        )
    return out.getvalue()


def save_plot(axes: Axes, path: str | os.PathLike[str]) -> Path:
    """Write the figure of `axes` as svg, pdf or png, whole or not at all."""
    target = check_plot_target(path)
    return write_whole(target, picture(axes, target.suffix.lower().lstrip(".")), name="plot")
