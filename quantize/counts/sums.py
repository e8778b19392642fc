"""The periodogram of counts in bins, and of sums that were kept while readings streamed by.

Counts in bins of width h put each reading at the middle of its bin. That convolves the density
with the bin, so that the harmonic at frequency f is smaller by sinc(h·f) (Sheppard's correction
for a characteristic function). Dividing by it gives what the readings themselves would have given;
their scatter grows by the same factor.
"""

from __future__ import annotations

import abc
import dataclasses
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.comb.assignments import pull_on_unit
from quantize.comb.periodogram import Periodogram, own_grid, refined_peaks
from quantize.comb.sums import ComplexArray, SumsBetween, neighbours, sums_at_many_units
from quantize.comb.unit_range import UnitRange, trial_frequencies
from quantize.recording import with_shared_rounding

FINEST = 2.5
"""Bin widths that the smallest unit must have; the correction there is 1.32."""

_MOST_WIDTHS = 64
_MOST_ALTERNATIVES = 10


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class CountSums:
    """Harmonic sums of counted readings at any frequency of a grid.

    `parts` are sums about `origin`, each with the width of the bins they come from (zero for
    readings); `edges` and `counts` are the same readings in bins, for standard errors.
    """

    parts: tuple[tuple[SumsBetween, float], ...]
    origin: float
    edges: FloatArray
    counts: IntArray
    frequencies: FloatArray
    free: bool

    @property
    def total(self) -> int:
        """Number of readings."""
        return int(self.counts.sum())

    @property
    def span(self) -> float:
        """From the lower end of the first bin to the upper end of the last."""
        return float(self.edges[-1] - self.edges[0])

    def sums(self, f: FloatArray) -> ComplexArray:
        """Corrected for the width of the bins, about the origin."""
        total: ComplexArray = np.sum(
            [sums.at(f) / np.sinc(width * f) for sums, width in self.parts], axis=0
        )
        return total

    def plain(self, f: FloatArray) -> ComplexArray:
        """Not corrected: for tests, since the correction raises the noise as well."""
        return np.asarray(np.sum([sums.at(f) for sums, _ in self.parts], axis=0))

    def statistic(self, f: FloatArray) -> FloatArray:
        """Score about the origin (fixed offset) or power (free offset)."""
        n = self.total
        sums = self.sums(f)
        return np.abs(sums) ** 2 / n if self.free else np.sqrt(2 / n) * sums.real

    def direction(self, f: float) -> float:
        """Phase of the sum about the origin, in radians; zero for a fixed offset."""
        return float(np.angle(self.sums(np.array([f]))[0])) if self.free else 0.0

    def standard_error(self, f: float) -> float:
        """Sandwich estimate of the standard error of the unit 1/f, from the counts in bins.

        It includes the error that the readings of a level share where they lie in one bin.
        """
        x, n = 0.5 * (self.edges[1:] + self.edges[:-1]) - self.origin, self.counts
        angle = 2 * np.pi * x * f - self.direction(f)
        curvature = n * np.cos(angle)
        lever = x.copy()
        if self.free:
            total = float(np.sum(curvature))
            lever -= np.sum(curvature * x) / total if total > 0 else 0.0
        bread = 2 * np.pi * float(np.sum(curvature * lever**2))
        meat = float(np.sum(n * (np.sin(angle) * lever) ** 2))
        if bread <= 0:
            return float("nan")
        error, used = float(np.sqrt(meat) / bread / f**2), n > 0
        k = np.rint(angle / (2 * np.pi))[used]
        pull = pull_on_unit(k, np.ones(k.size), free=self.free, counts=n[used])
        step = max(width for _, width in self.parts) or None
        return with_shared_rounding(error, x[used], k, pull, step, n[used])


def sums_of_bins(
    edges: FloatArray,
    counts: IntArray,
    unit_range: UnitRange,
    *,
    free: bool,
    offset: float,
    oversampling: float = 5.0,
) -> CountSums:
    """Sums over the middles of bins, those of each width apart; no bin at the ends is empty.

    Raises InputError for a range that reaches below 2.5 bins, or too many different widths.
    """
    widths = np.diff(edges)
    if unit_range.low < FINEST * float(widths.max()):
        raise InputError(
            f"`unit_range` starts at {unit_range.low:.4g}, below {FINEST} times the widest bin "
            f"({widths.max():.4g}); raise the low end, or count in finer bins."
        )
    origin = 0.5 * float(edges[0] + edges[-1]) if free else offset
    x = 0.5 * (edges[1:] + edges[:-1]) - origin
    fixed_reach = float(max(edges[-1] - offset, 0) - min(edges[0] - offset, 0))
    f = trial_frequencies(
        unit_range, float(edges[-1] - edges[0]) if free else fixed_reach, oversampling
    )
    step = float(f[-1] - f[0]) / (f.size - 1)
    spare = neighbours(oversampling)
    kinds, which = _kinds(widths)
    parts = []
    for kind, width in enumerate(kinds):
        mine = (which == kind) & (counts > 0)
        if not mine.any():
            continue
        first, size = float(f[0]) - spare * step, f.size + 2 * spare
        between = SumsBetween(
            first=first,
            step=step,
            sums=sums_at_many_units(x[mine], counts[mine].astype(float), first, step, size),
            centre=0.5 * float(x[mine].min() + x[mine].max()),
            oversampling=oversampling,
        )
        parts.append((between, float(width)))
    return CountSums(
        parts=tuple(parts), origin=origin, edges=edges, counts=counts, frequencies=f, free=free
    )


class HasSums(abc.ABC):
    """Counts, or sums of readings, that know their own periodogram."""

    @abc.abstractmethod
    def _sums_over(
        self, given: UnitRange | None, offset: str | float, oversampling: float = 5.0
    ) -> tuple[CountSums, UnitRange, dict[str, Any]]:
        """Sums over the units given, or its own; these units; and what was said of the sums."""

    def _periodogram(
        self,
        unit_range: Any,
        *,
        offset: str | float,
        harmonics: int,
        oversampling: float,
        trial_units: Any,
    ) -> Periodogram:
        """`periodogram` for counted readings, at an own grid of units where there is one."""
        if validation.count("harmonics", harmonics) != 1:
            raise InputError(
                f"`harmonics` is {harmonics}; counts and sums are scored by the first harmonic "
                "only."
            )
        own = None if trial_units is None else own_grid(trial_units)
        if own is not None:
            ends = (float(own[-1]), float(own[0]))
            unit_range = UnitRange(low=ends[0], high=ends[1], chosen=False, reason="the grid given")
        elif unit_range is not None:
            unit_range = UnitRange.given(unit_range)
        sums, unit_range, settings = self._sums_over(unit_range, offset, oversampling)
        if own is not None:
            sums = dataclasses.replace(sums, frequencies=1 / own)
        n, f = sums.total, sums.frequencies
        whole = sums.sums(f)
        power: FloatArray = np.abs(whole) ** 2 / n
        # The score takes the fixed offset, or zero where it is free.
        cycles = f * (sums.origin if sums.free else 0.0)
        score = np.sqrt(2 / n) * (whole * np.exp(2j * np.pi * (cycles - np.rint(cycles)))).real
        values = power if sums.free else score
        if own is None:
            ranked = refined_peaks(sums.statistic, f, values, _MOST_ALTERNATIVES)
        else:
            order = np.argsort(-values, kind="stable")[:_MOST_ALTERNATIVES]
            ranked = [(float(f[i]), float(values[i])) for i in order]
        best, statistic = ranked[0]
        unit = 1 / best
        place = sums.origin
        if sums.free:
            place = (sums.origin + sums.direction(best) / (2 * np.pi * best)) % unit
        rows = [{"unit": 1 / g, "statistic": s} for g, s in ranked]
        source: Any = self
        return Periodogram(
            unit=unit,
            unit_err=sums.standard_error(best),
            offset=float(place),
            statistic=statistic,
            trial_units=1 / f,
            score=score,
            power=power,
            alternatives=rivals.table(rows, min(0.2 * unit / max(sums.span, 1e-300), 0.1)),
            unit_range=unit_range,
            settings=settings,
            readings=source,
        )


def _kinds(widths: FloatArray) -> tuple[FloatArray, IntArray]:
    """Distinct widths of bins, to one part in a million, and which of them each bin has."""
    scale = np.rint(widths / widths.min() * 1e6)
    kinds, which = np.unique(scale, return_inverse=True)
    close = np.r_[True, np.diff(kinds) > 2]
    label = np.cumsum(close) - 1
    if label[-1] >= _MOST_WIDTHS:
        raise InputError(
            f"`edges` make bins of {label[-1] + 1} different widths, more than {_MOST_WIDTHS}; "
            "count in bins of equal width."
        )
    which = label[which.ravel()]
    return np.array([widths[which == k].mean() for k in range(label[-1] + 1)]), which
