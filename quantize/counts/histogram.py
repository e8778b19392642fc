"""Counts in bins: what a digitiser delivers, and what many readings are reduced to."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import results, validation
from quantize._support.errors import InputError
from quantize._support.rendering import renderer
from quantize._support.validation import FloatArray, IntArray, count, float_array, read_only
from quantize.comb.unit_range import UnitRange, default_limits, enough_oversampling
from quantize.counts import sums
from quantize.readings import Readings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_BINS = 5_000_000
"""Most bins that are kept (8 bytes each)."""

MOST_READINGS = 20_000
"""Larger counts are not taken apart into single readings."""

SMOOTHING = 0.1
"""Standard deviation of the kernel of `find_modes`, in trial units."""
SURE = 5.0
"""Height of a mode above the higher valley, in standard deviations of the smoothed counts."""
CLEAR = 0.05
"""The same as a share of the height of the mode."""

_EVEN = 1e-6


@dataclasses.dataclass(frozen=True, init=False, eq=False, repr=False)
class Histogram(sums.HasSums):
    """Counts of readings in bins.

    `periodogram`, `fit_counts`, `analyze` and `analyze_counts` take it at any size. Where an
    estimator needs single readings (`fit_comb`, `fit_mixture`, `compare_null`), a histogram of at
    most 20,000 counts stands for that many readings at the middles of their bins, each with the
    width of its bin as resolution.

    Parameters
    ----------
    edges : array_like, shape (n + 1,)
        Ends of the bins, increasing, in the readings' own unit. A bin holds its lower end. The
        bins need not be equally wide, but for `fit_counts` and `analyze_counts`.
    counts : array_like of whole numbers, shape (n,)
        How many readings fell into each bin; at least one of them above zero.

    Raises
    ------
    InputError
        For edges that do not increase, or counts that are not whole numbers of zero or more.

    Notes
    -----
    If readings were rounded or come from a digitiser, let every bin hold equally many of its
    steps and put the edges half-way between them: other bins make a comb of their own.

    Let the bins go on to one unit beyond the readings where nothing is known to lie there: empty
    bins say how far the outer levels reach, and `fit_counts` takes the readings as cut off at the
    last edge.

    Examples
    --------
    >>> import quantize as qz
    >>> counted = qz.counts.Histogram([0, 1, 2, 3], [4, 0, 7])
    >>> counted
    <Histogram: 11 readings in 3 bins from 0 to 3>
    >>> counted.centres.tolist()
    [0.5, 1.5, 2.5]
    """

    edges: FloatArray
    counts: IntArray

    def __init__(self, edges: ArrayLike, counts: ArrayLike) -> None:
        ends, numbers = float_array("edges", edges), float_array("counts", counts)
        _check(ends, numbers)
        object.__setattr__(self, "edges", read_only(ends))
        object.__setattr__(self, "counts", read_only(numbers.astype(np.int64)))

    def __len__(self) -> int:
        """Number of bins."""
        return int(self.counts.size)

    def __repr__(self) -> str:
        return (
            f"<Histogram: {self.total} readings in {len(self)} bins from {self.edges[0]:g} to "
            f"{self.edges[-1]:g}>"
        )

    @property
    def total(self) -> int:
        """Number of readings in all bins."""
        return int(self.counts.sum())

    @property
    def centres(self) -> FloatArray:
        """Middles of the bins."""
        return 0.5 * (self.edges[1:] + self.edges[:-1])

    @property
    def widths(self) -> FloatArray:
        """Widths of the bins."""
        return np.diff(self.edges)

    @property
    def even(self) -> bool:
        """Whether all bins are equally wide, to one part in a million."""
        widths = self.widths
        return bool(np.ptp(widths) <= _EVEN * widths.mean())

    @property
    def span(self) -> float:
        """From the lower end of the first bin in use to the upper end of the last."""
        used = np.flatnonzero(self.counts)
        return float(self.edges[used[-1] + 1] - self.edges[used[0]])

    def occupied(self, beyond: float = 0.0) -> Histogram:
        """Without the empty bins at both ends that are farther than `beyond` from those in use."""
        used = np.flatnonzero(self.counts)
        bound = self.edges[used[0]] - beyond
        first = max(np.searchsorted(self.edges[: used[0] + 1], bound, side="right") - 1, 0)
        last = np.searchsorted(self.edges[used[-1] + 1 :], self.edges[used[-1] + 1] + beyond)
        inside = slice(int(first), int(used[-1] + 1 + last))
        return Histogram(
            self.edges[inside.start : inside.stop + 1].copy(), self.counts[inside].copy()
        )

    def coarser(self, factor: int) -> Histogram:
        """With `factor` neighbouring bins added to one; empty bins are appended to fill the last.

        Raises InputError for a factor below one.
        """
        factor = count("factor", factor)
        if factor == 1:
            return self
        short = -len(self) % factor
        filled = np.r_[self.counts, np.zeros(short, np.int64)]
        beyond = self.edges[-1] + self.widths[-1] * np.arange(1, short + 1)
        return Histogram(np.r_[self.edges, beyond][::factor], filled.reshape(-1, factor).sum(1))

    def _from_both_ends(self, most: float) -> Histogram:
        """With an odd number of bins, at most `most`, added to one; filled alike at both ends."""
        factor = odd(most)
        short = -len(self) % factor
        short += factor * (short % 2)
        more = self.widths[0] * np.arange(1, short // 2 + 1)
        edges = np.r_[self.edges[0] - more[::-1], self.edges, self.edges[-1] + more]
        return Histogram(edges, np.pad(self.counts, short // 2)).coarser(factor)

    def __add__(self, other: object) -> Histogram:
        if not isinstance(other, Histogram):
            return NotImplemented
        if self.edges.shape != other.edges.shape or not np.array_equal(self.edges, other.edges):
            raise InputError("`edges` of the two histograms differ; count both in the same bins.")
        return Histogram(self.edges.copy(), self.counts + other.counts)

    def plot(self, ax: Axes | None = None, **options: Any) -> Axes:
        """Draw the counts on `ax`, or on a new figure; returns the axes."""
        drawn: Axes = renderer("plot", self)(self, ax=ax, **options)
        return drawn

    def _as_readings(self) -> Readings:
        """Single readings at the middles, each with the width of its bin as resolution."""
        if self.total > MOST_READINGS:
            raise InputError(
                f"`readings` is a histogram of {self.total} counts, more than the {MOST_READINGS} "
                "that are taken one by one; use `quantize.counts.fit_counts` or `analyze`, which "
                "work on the bins."
            )
        return Readings(
            np.repeat(self.centres, self.counts), resolution=np.repeat(self.widths, self.counts)
        )

    def _sums_over(
        self, given: UnitRange | None, offset: str | float, oversampling: float = 5.0
    ) -> tuple[sums.CountSums, UnitRange, dict[str, Any]]:
        mode, b = validation.offset_mode(offset)
        os = enough_oversampling(oversampling)
        unit_range, used = given or default_unit_range_of(self), self.occupied()
        found = sums.sums_of_bins(
            used.edges, used.counts, unit_range, free=mode == "free", offset=b, oversampling=os
        )
        return found, unit_range, {"offset": offset, "harmonics": 1, "oversampling": os}

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary; `from_dict` reads it."""
        return {
            "schema": "quantize.Histogram/1",
            "edges": self.edges.tolist(),
            "counts": self.counts.tolist(),
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> Histogram:
        """The histogram that `to_dict` wrote."""
        kept = results.up_to_date("Histogram", 1, state)
        with results.reading_back("Histogram"):
            return cls(kept["edges"], kept["counts"])


def default_unit_range_of(histogram: Histogram) -> UnitRange:
    """The trial units for counts that come without a range, by the rule of `default_unit_range`."""
    step = float(histogram.occupied().widths.max())
    low, high = (
        float(end) for end in default_limits(histogram.span, histogram.total, step=step, sigma=0.0)
    )
    if low >= high:
        raise InputError(
            f"`unit_range` cannot be chosen: {sums.FINEST} bins ({low:.4g}) are not below half the "
            f"span of the counts ({high:.4g}); count in finer bins."
        )
    return UnitRange(
        low=low,
        high=high,
        chosen=True,
        reason="from 2.5 bins or a small part of the span to half the span of the counts",
    )


def odd(most: float) -> int:
    """The largest odd number that is not above `most`, or one: so many have one in their middle."""
    return max(2 * int((most + 1) / 2) - 1, 1)


def find_modes(histogram: Histogram, unit: float) -> FloatArray:
    """Positions of the maxima that stand out from their valleys, increasing; bins of equal width.

    The counts are smoothed for steps of this unit; it plays no other part, so that the distances
    of the modes can be held against equal spacing.
    """
    from scipy.signal import find_peaks

    fine = histogram._from_both_ends(unit / 40 / histogram.widths[0])
    width = float(fine.widths.mean())
    density, noise = _smoothed(fine.counts.astype(float), SMOOTHING * unit / width)
    padded = np.r_[0.0, density, 0.0]
    places, found = find_peaks(padded, prominence=0.0)
    height = padded[places]
    rise = found["prominences"]
    valley = height - rise
    clear = (rise >= SURE * np.sqrt((height + valley) * noise)) & (rise >= CLEAR * height)
    clear &= height >= SURE**2 * noise
    at = places[clear]
    left, middle, right = padded[at - 1], padded[at], padded[np.minimum(at + 1, padded.size - 1)]
    bend = left - 2 * middle + right
    nudge = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    return np.asarray(fine.edges[0] + width * (at - 0.5 + np.clip(nudge, -0.5, 0.5)))


def _smoothed(counts: FloatArray, spread: float) -> tuple[FloatArray, float]:
    """Counts under a normal kernel, and the sum of its squared weights."""
    from scipy.signal import fftconvolve

    if spread < 0.3:
        return counts, 1.0
    half = int(np.ceil(4 * spread))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / spread) ** 2)
    kernel /= kernel.sum()
    smooth: FloatArray = np.maximum(fftconvolve(counts, kernel, mode="same"), 0.0)
    return smooth, float(np.sum(kernel**2))


def _check(edges: FloatArray, counts: FloatArray) -> None:
    """Raise InputError for edges and counts that make no histogram."""
    if edges.size != counts.size + 1:
        raise InputError(
            f"`edges` has {edges.size} entries and `counts` has {counts.size}; give one edge "
            "more than there are counts."
        )
    if counts.size > MOST_BINS:
        raise InputError(
            f"`counts` has {counts.size} bins, more than the {MOST_BINS} that are kept; add "
            f"{-(-counts.size // MOST_BINS)} neighbours to one."
        )
    falls = np.flatnonzero(np.diff(edges) <= 0)
    if falls.size:
        i = int(falls[0]) + 1
        raise InputError(
            f"`edges` does not increase at entry {i} ({edges[i - 1]:g}, then {edges[i]:g}); "
            "sort the bins."
        )
    bad = np.flatnonzero((counts < 0) | (counts != np.rint(counts)) | (counts > 2**53))
    if bad.size:
        i = int(bad[0])
        raise InputError(
            f"`counts` is {counts[i]:g} at entry {i}; give whole numbers of zero or more, not "
            "rates or densities."
        )
    if not counts.any():
        raise InputError("`counts` are all zero; give a histogram that holds readings.")
