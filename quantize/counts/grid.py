"""The grid of a spectrum: trial units, window and bins, chosen before the first reading."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.comb.sums import neighbours
from quantize.comb.unit_range import UnitRange, default_limits, enough_oversampling
from quantize.counts.histogram import MOST_BINS, odd
from quantize.model.model import window_of

MOST_UNITS = 2_000_000
"""Most trial units that are kept (16 bytes each)."""

_BINS_A_UNIT = 20


@dataclasses.dataclass(frozen=True, kw_only=True)
class SumsGrid:
    """What two spectra must share to be added: trial units, window, bins.

    `low` and `high` are the smallest and the largest trial unit; readings from the lower end of the
    `window` to below its upper end take part. There are `oversampling` trial units for each cycle
    of the fastest relative phase, `step` apart in 1/unit. The frequencies are step·(start …
    start + size − 1); some lie beyond the ends, for interpolation.
    """

    low: float
    high: float
    window: tuple[float, float]
    offset: str | float
    oversampling: float
    step: float
    start: int
    size: int
    bin_width: float
    bins: int
    resolution: float | None

    @property
    def origin(self) -> float:
        """The point from which phases are counted."""
        return 0.5 * sum(self.window) if isinstance(self.offset, str) else self.offset

    @property
    def edges(self) -> FloatArray:
        """Ends of the bins, shape (bins + 1,)."""
        return self.window[0] + self.bin_width * np.arange(self.bins + 1, dtype=float)

    @property
    def kept(self) -> slice:
        """Where the trial units between the ends lie among the sums."""
        spare = neighbours(self.oversampling)
        return slice(spare, self.size - spare)

    @property
    def frequencies(self) -> FloatArray:
        """1/unit of these trial units, increasing."""
        return self.step * (self.start + np.arange(self.size, dtype=float)[self.kept])

    def check(self, unit_range: UnitRange, offset: str | float) -> None:
        """Raise InputError for units or an offset for which there are no sums."""
        mode, b = validation.offset_mode(offset)
        if offset != "zero" and (self.offset != "free" if mode == "free" else self.offset != b):
            raise InputError(
                f"`offset` is {offset!r}, but the spectrum was made with {self.offset!r}; leave it "
                "out, or make a new spectrum."
            )
        if unit_range.low < self.low * (1 - 1e-9) or unit_range.high > self.high * (1 + 1e-9):
            raise InputError(
                f"`unit_range` ({unit_range.low:g}, {unit_range.high:g}) reaches beyond the trial "
                f"units of the spectrum ({self.low:g} to {self.high:g}); stay inside, or "
                "make a new spectrum."
            )


def sums_grid(
    window: tuple[float, float],
    unit_range: tuple[float, float] | None,
    offset: str | float,
    oversampling: float,
    bin_width: float | None,
    resolution: float | None,
) -> SumsGrid:
    """The grid for these arguments of `Spectrum`, checked."""
    start, end = window_of(window)
    mode, b = validation.offset_mode(offset)
    os = enough_oversampling(oversampling)
    r = None if resolution is None else validation.positive("resolution", resolution)
    low, high = _limits(unit_range, end - start, r)
    reach = end - start if mode == "free" else max(end - b, 0.0) - min(start - b, 0.0)
    step = 1 / (os * reach)
    first, last = math.floor(1 / high / step), math.ceil(1 / low / step)
    if last - first > MOST_UNITS:
        fits = 1 / (first * step + 0.5 * MOST_UNITS * step)
        raise InputError(
            f"`unit_range` ({low:g}, {high:g}) over this window needs {last - first:.3g} trial "
            f"units ({16 * (last - first) / 1e6:.0f} MB), more than the {MOST_UNITS:.3g} that are "
            f"kept; raise the low end to about {fits:.3g}."
        )
    spare = neighbours(os)
    h = low / _BINS_A_UNIT if bin_width is None else validation.positive("bin_width", bin_width)
    if r is not None:
        start, h, bins = _whole_steps(start, end, h, r)
    else:
        bins = _number_of_bins(end - start, h)
        # Bins of our own choice fill the window, whichever end they are counted from.
        h = (end - start) / bins if bin_width is None else h
    return SumsGrid(
        low=low,
        high=high,
        window=(start, start + bins * h),
        offset="free" if mode == "free" else b,
        oversampling=os,
        step=step,
        start=first - spare,
        size=last - first + 1 + 2 * spare,
        bin_width=h,
        bins=bins,
        resolution=r,
    )


def _limits(
    unit_range: tuple[float, float] | None, width: float, resolution: float | None
) -> tuple[float, float]:
    """Smallest and largest trial unit."""
    if unit_range is not None:
        return validation.unit_range(unit_range)
    low, high = (float(v) for v in default_limits(width, 10**6, step=resolution or 0.0, sigma=0.0))
    if low >= high:
        raise InputError(
            f"`resolution` is {resolution:g}, too coarse for a window of {width:g}; give "
            "`unit_range`."
        )
    return low, high


def _whole_steps(start: float, end: float, width: float, step: float) -> tuple[float, float, int]:
    """Lower end, width and number of bins of an odd number of steps, edges half-way between them.

    They reach beyond the window by equally many steps on either side.
    """
    each = odd(width / step + 1e-9)
    first, last = math.floor(start / step - 0.5), math.ceil(end / step - 0.5)
    short = -(last - first) % each
    short += each * (short % 2)
    first, last = first - short // 2, last + short // 2
    return (first + 0.5) * step, each * step, _number_of_bins((last - first) * step, each * step)


def _number_of_bins(width: float, bin_width: float) -> int:
    bins = math.ceil(width / bin_width * (1 - 1e-12))
    if bins > MOST_BINS:
        fits = width / MOST_BINS
        raise InputError(
            f"`bin_width` {bin_width:g} over this window needs {bins:.3g} bins "
            f"({8 * bins / 1e6:.0f} MB), more than the {MOST_BINS:.3g} that are kept; "
            f"{fits * 1.01:.2g} would fit."
        )
    return bins
