"""The look of every picture, and how pictures are written.

Colours keep their order of lightness in grey and stay distinct for readers with any common
colour blindness; what matters also differs in shape or dash.
"""

from __future__ import annotations

import contextlib
import functools
import io
import os
import re
import textwrap
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.writing import check_target, write_whole
from quantize.charge.stated import raised
from quantize.show.view import printable, together

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
_NARROW = 4.0  # inches
_ONE_AT_A_TIME = threading.RLock()
_STEPS: tuple[tuple[float, ...], ...] = (
    tuple(np.arange(10, 100) / 10),
    tuple(np.arange(10, 100, 2) / 10),
    (1, 2, 3, 5, 7),
    (1, 2, 5),
    (1, 3),
    (1,),
)
"""Ticks of a logarithmic axis, the finest first that leave their labels apart."""

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
    "axes.formatter.useoffset": False,
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
        title = broken(ax.get_title(loc="left"), wide - 0.3 - names_inches(ax), 10.5 * 0.66)
        if title != ax.get_title(loc="left"):
            ax.set_title(title)
        _break_below(ax)
        ax.set_ylabel(broken(ax.get_ylabel(), high - 0.6))
        for form in (axis.get_major_formatter() for axis in (ax.xaxis, ax.yaxis)):
            # A power of ten that is taken out of all ticks.
            form.get_offset = functools.partial(_taken_out, form.get_offset)  # type: ignore[method-assign]


def _taken_out(offset: Callable[[], str]) -> str:
    return raised(offset().replace("\N{MINUS SIGN}", "-")).removeprefix("1 ")


def panel_inches(ax: Axes) -> tuple[float, float]:
    """Width and height of what a panel takes of its figure, labels included."""
    figure, spec = figure_of(ax).get_figure(root=True), ax.get_subplotspec()
    if figure is None or spec is None:
        return 6.4, 3.9
    wide, high = (float(side) for side in figure.get_size_inches())
    rows, columns = spec.get_gridspec().get_geometry()
    return wide / columns * len(spec.colspan), high / rows * len(spec.rowspan)


def names_inches(ax: Axes) -> float:
    """About the width of what stands left of the axes on each line."""
    texts = ax.get_yticklabels()
    letters = [
        len(line) * float(t.get_fontsize()) for t in texts for line in t.get_text().split("\n")
    ]
    return max(0.3, 0.56 * max(letters, default=0.0) / 72)


def name_rows(
    ax: Axes, places: Sequence[float], names: Sequence[str], lines_below: int = 0
) -> None:
    """Names of rows left of the axes, in letters, lengths and lines for which there is room."""
    wide, high = panel_inches(ax)[0], points_of(ax)[1] - 12 * lines_below
    room = 0.85 * high / max(len(names), 1)
    size = float(np.clip(room, 5.0, 9.0))
    most = max(int(0.4 * 72 * wide / (0.56 * size)), 8)
    lines = [textwrap.wrap(plain(name), most) for name in names]
    shown = [
        "\n".join(two) if len(two) == 2 and room > 2.2 * size else shortened(name, most)
        for name, two in zip(names, lines, strict=True)
    ]
    ax.set_yticks(list(places), shown, fontsize=size)


def shortened(text: str, most: int) -> str:
    """A name on a picture, its middle left out where it is long: ends tell names apart."""
    shown = plain(text)
    if len(shown) <= most:
        return shown
    tail = (most - 1) // 2
    return f"{shown[: most - 1 - tail]}…{shown[-tail:]}"


def _break_below(ax: Axes) -> int:
    """Break the label below the axes, which do not stand in the middle of their panel.

    Returns how many lines more than one it has.
    """
    wide = panel_inches(ax)[0] - 0.2 - names_inches(ax)
    ax.set_xlabel(broken(ax.get_xlabel(), wide))
    return ax.get_xlabel().count("\n")


def points_of(ax: Axes) -> tuple[float, float]:
    """About the width and the height of the axes, without what stands round them."""
    wide, high = panel_inches(ax)
    return 72 * max(wide - 1.0, 1.0), 72 * max(high - 0.9, 1.0)


def row_of(ax: Axes, rows: int) -> float:
    """Room for one of some rows of small text above a curve, in parts of the curve's height."""
    high = points_of(ax)[1]
    letters = 12 * 1.1 / max(high - 12 * rows, 0.3 * high)
    return max(0.10, letters)


def beside(ax: Axes, text: str, at: tuple[float, float], *, rather_left: bool, **look: Any) -> None:
    """A small text beside a place, on the side where it has room, or over it."""
    low, high = ax.get_xlim()
    move = ax.xaxis.get_transform().transform
    start, end, here = (float(v) for v in move(np.array([low, high, at[0]])))
    part = (here - start) / (end - start)
    room = {"left": (1 - part), "right": part}
    needed = 8 * 0.58 * len(text) / points_of(ax)[0]
    sides = ["right", "left"] if rather_left else ["left", "right"]
    side = next((s for s in sides if room[s] >= needed), "center")
    if side == "center":
        # Within the axes, wherever the place is.
        part = min(max(part, 0.5 * needed), 1 - 0.5 * needed) if needed < 1 else 0.5
        back = ax.xaxis.get_transform().inverted().transform
        at = (float(back(start + part * (end - start))), at[1])
    away = {"left": 4, "right": -4, "center": 0}[side]
    note(ax, text, at, (away, 0), ha=side, **look)


def broken(text: str, inches: float, letter: float = 9 * 0.56) -> str:
    """Text in lines of so many inches, by the usual width of a letter in points."""
    most = max(int((inches - 0.3) * 72 / letter), 20)
    # A number and its unit of measurement stay together where they fit on a line.
    whole = re.sub(r"(?<=\d) (?=[VsC]\b)", "\u00a0", together(text))
    if max(map(len, re.split("[ \n]", whole))) <= most:
        text = whole
    lines = "\n".join(textwrap.fill(line, most) for line in text.split("\n"))
    return lines.replace("\u00a0", " ")


def legend_below(ax: Axes, *, lines: int = 3, of_figure: bool = False) -> None:
    """The legend under the axes and so many lines of labels, or under all axes of the figure."""
    _, names = ax.get_legend_handles_labels()
    lines += _break_below(ax)
    figure = figure_of(ax).get_figure(root=True)
    wide = panel_inches(ax)[0]
    if of_figure and figure is not None:
        wide = float(figure.get_size_inches()[0])
    # Some more letters for the mark of each.
    size, mark = (8, 7) if wide > _NARROW else (7, 5)
    fits = int((wide - 0.2) * 72 / (size * 0.56 * (mark + max(map(len, names), default=1))))
    look: Any = {"ncols": min(max(fits, 1), 4), "fontsize": size, "handletextpad": 0.5}
    if size < 8:
        look |= {"handlelength": 1.5, "columnspacing": 1.0}
    if of_figure:
        figure_of(ax).legend(*ax.get_legend_handles_labels(), loc="outside lower center", **look)
        return
    # The middle of the panel, of which names of rows and the label take the left.
    left = names_inches(ax) + 0.15
    middle = 0.5 - 0.5 * left / max(wide - left, 1.0)
    place = {
        "loc": "upper center",
        "bbox_to_anchor": (middle, 0.0),
        "borderaxespad": 12 * lines / size,
    }
    ax.legend(**place, **look)


def note(
    ax: Axes, text: str, at: tuple[float, float], away: tuple[float, float], **look: Any
) -> None:
    """A small text so many points away from a place."""
    usual: dict[str, Any] = {"va": "center", "fontsize": 8}
    ax.annotate(text, at, xytext=away, textcoords="offset points", **(usual | look))


def plain_ticks(ax: Axes, low: float, high: float) -> None:
    """Ticks of a logarithmic axis at round values, written plainly."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    values: list[float] = []
    for steps in _STEPS:
        powers = range(int(np.floor(np.log10(low))) - 1, int(np.ceil(np.log10(high))) + 1)
        values = [s * 10.0**p for p in powers for s in steps]
        values = [v for v in values if low <= v <= high]
        if _apart(ax, values, np.log(high / low)):
            break
    ax.xaxis.set_major_locator(FixedLocator(values))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_xticks(values, [raised(f"{v:g}") for v in values])


def _apart(ax: Axes, values: list[float], span: float) -> bool:
    """Whether the labels of a logarithmic axis stand apart, with room for no more than nine."""
    at = np.log(values) / span * points_of(ax)[0]
    half = 9 * 0.3 * np.array([len(raised(f"{v:g}")) for v in values])
    return len(values) < 10 and bool(np.all(np.diff(at) > half[1:] + half[:-1] + 5))


def plain_powers(axis: Axis) -> None:
    """Labels of a logarithmic axis as numbers, at more than its powers of ten where it is short."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    low, high = axis.get_view_interval()
    if low > 0:
        # Labels that stand above each other need less room than those side by side.
        fine = axis is axis.axes.yaxis and high / low < 10
        subs = (1, 2, 3, 5, 7) if fine else (1, 2, 5) if high / low < 100 else (1,)
        axis.set_major_locator(LogLocator(subs=subs))
    axis.set_major_formatter(FuncFormatter(lambda value, _: raised(f"{value:,.12g}")))
    axis.set_minor_formatter(NullFormatter())


def whole_ticks(ax: Axes) -> None:
    """Ticks of the horizontal axis at whole numbers."""
    few_ticks(ax, 24, integer=True)


def few_ticks(ax: Axes, room: float, **options: Any) -> None:
    """So many ticks of the horizontal axis that each has `room` points, ten at most."""
    from matplotlib.ticker import MaxNLocator

    most = int(np.clip(points_of(ax)[0] / room, 2, 10))
    ax.xaxis.set_major_locator(MaxNLocator(most, steps=[1, 2, 4, 5, 10], **options))


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
