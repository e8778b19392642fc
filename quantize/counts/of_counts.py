"""The periodogram of counts in bins, and of sums that were kept while readings streamed by.

Counts in bins of width h put each reading at the middle of its bin. That convolves the density
with the bin, so that the harmonic at frequency f is smaller by sinc(h·f) (Sheppard's correction
for a characteristic function). Dividing by it gives what the readings themselves would have given;
their scatter grows by the same factor.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.comb.band import Band, default_limits, trial_frequencies
from quantize.comb.sums import ComplexArray, SumsBetween, neighbours, sums_at_many_units
from quantize.counts.histogram import Histogram

if TYPE_CHECKING:
    from quantize.comb.periodogram import Periodogram
    from quantize.counts.spectrum import Spectrum

FINEST = 2.5
"""Bin widths that the smallest unit must have; the correction there is 1.32."""

_MOST_WIDTHS = 64
_MOST_ALTERNATIVES = 10


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class CountSums:
    """Harmonic sums of counted readings at any frequency of a grid.

    Attributes
    ----------
    parts : tuple of (SumsBetween, float)
        Sums about `origin`, and the width of the bins they come from (zero for readings).
    origin : float
    histogram : Histogram
        The same readings in bins, for standard errors.
    frequencies : numpy.ndarray, shape (m,)
    free : bool
    """

    parts: tuple[tuple[SumsBetween, float], ...]
    origin: float
    histogram: Histogram
    frequencies: FloatArray
    free: bool

    def sums(self, f: FloatArray) -> ComplexArray:
        """Corrected for the width of the bins, about the origin."""
        total: ComplexArray = np.sum(
            [sums.at(f) / np.sinc(width * f) for sums, width in self.parts], axis=0
        )
        return total

    def plain(self, f: FloatArray) -> ComplexArray:
        """Not corrected: for tests, since the correction raises the noise as well."""
        total: ComplexArray = np.sum([sums.at(f) for sums, _ in self.parts], axis=0)
        return total

    def statistic(self, f: FloatArray) -> FloatArray:
        """Score about the origin (fixed offset) or power (free offset)."""
        n = self.histogram.total
        sums = self.sums(f)
        out: FloatArray = np.abs(sums) ** 2 / n if self.free else np.sqrt(2 / n) * sums.real
        return out

    def peaks(self, values: FloatArray, most: int) -> list[tuple[float, float]]:
        """(frequency, statistic) of the highest local maxima, refined, best first."""
        from scipy.optimize import minimize_scalar

        f = self.frequencies
        inner = np.r_[True, values[1:] >= values[:-1]] & np.r_[values[:-1] > values[1:], True]
        where: IntArray = np.flatnonzero(inner)
        where = where[np.argsort(-values[where], kind="stable")[: 2 * most]]
        found = []
        for i in where:
            low, high = f[max(i - 1, 0)], f[min(i + 1, f.size - 1)]
            refined = minimize_scalar(
                lambda g: -float(self.statistic(np.array([g]))[0]),
                bounds=(low, high),
                method="bounded",
                options={"xatol": 1e-7 * (high - low)},
            )
            better = -refined.fun > values[i]
            found.append(
                (float(refined.x), float(-refined.fun))
                if better
                else (float(f[i]), float(values[i]))
            )
        return sorted(found, key=lambda peak: -peak[1])[:most]

    def direction(self, f: float) -> float:
        """Phase of the sum about the origin, in radians; zero for a fixed offset."""
        return float(np.angle(self.sums(np.array([f]))[0])) if self.free else 0.0

    def standard_error(self, f: float) -> float:
        """Sandwich estimate of the standard error of the unit 1/f, from the counts in bins."""
        x, n = self.histogram.centres - self.origin, self.histogram.counts
        angle = 2 * np.pi * x * f - self.direction(f)
        curvature = n * np.cos(angle)
        lever = x.copy()
        if self.free:
            total = float(np.sum(curvature))
            lever -= np.sum(curvature * x) / total if total > 0 else 0.0
        bread = 2 * np.pi * float(np.sum(curvature * lever**2))
        meat = float(np.sum(n * (np.sin(angle) * lever) ** 2))
        return float(np.sqrt(meat) / bread / f**2) if bread > 0 else float("nan")


def sums_of_histogram(
    histogram: Histogram, band: Band, *, free: bool, offset: float, oversampling: float
) -> CountSums:
    """Sums over the middles of the bins, those of each width apart.

    Raises InputError for a band that reaches below 2.5 bins, or too many different widths.
    """
    used = histogram.occupied()
    widths = used.widths
    if band.low < FINEST * float(widths.max()):
        raise InputError(
            f"`unit_range` starts at {band.low:.4g}, below {FINEST} times the widest bin "
            f"({widths.max():.4g}); raise the low end, or count in finer bins."
        )
    origin = 0.5 * float(used.edges[0] + used.edges[-1]) if free else offset
    x = used.centres - origin
    reach = used.span if free else max(used.edges[-1] - offset, 0) - min(used.edges[0] - offset, 0)
    f = trial_frequencies(band, float(reach), oversampling)
    step = float(f[-1] - f[0]) / (f.size - 1)
    spare = neighbours(oversampling)
    size = f.size + 2 * spare
    kinds, which = _kinds(widths)
    parts = []
    for kind, width in enumerate(kinds):
        mine = (which == kind) & (used.counts > 0)
        if not mine.any():
            continue
        first = float(f[0]) - spare * step
        sums = sums_at_many_units(x[mine], used.counts[mine].astype(float), first, step, size)
        centre = 0.5 * float(x[mine].min() + x[mine].max())
        parts.append(
            (
                SumsBetween(
                    first=first, step=step, sums=sums, centre=centre, oversampling=oversampling
                ),
                float(width),
            )
        )
    return CountSums(parts=tuple(parts), origin=origin, histogram=used, frequencies=f, free=free)


def sums_of_spectrum(spectrum: Spectrum, band: Band) -> CountSums:
    """The sums that the spectrum holds, at its own trial units inside the band."""
    grid = spectrum.grid
    f = 1 / spectrum.trial_units
    inside = (f >= 1 / band.high * (1 - 1e-12)) & (f <= 1 / band.low * (1 + 1e-12))
    if inside.sum() < 3:
        inside = np.ones(f.size, bool)
    return CountSums(
        parts=((spectrum.between(), 0.0),),
        origin=grid.origin,
        histogram=spectrum.histogram.occupied(),
        frequencies=f[inside],
        free=isinstance(grid.offset, str),
    )


def periodogram_of_histogram(
    histogram: Histogram,
    unit_range: Any,
    *,
    offset: str | float = "zero",
    harmonics: int = 1,
    oversampling: float = 5.0,
    trial_units: Any = None,
) -> Periodogram:
    """`periodogram` for counts in bins."""
    _first_harmonic_only(harmonics)
    mode, b = validation.offset_mode(offset)
    os = validation.number("oversampling", oversampling)
    if os < 2:
        raise InputError(f"`oversampling` is {os:g}; at least 2 is needed to see every peak.")
    band, own = _band_or_grid(unit_range, trial_units, lambda: band_of_histogram(histogram))
    sums = sums_of_histogram(histogram, band, free=mode == "free", offset=b, oversampling=os)
    settings = {"offset": offset, "harmonics": 1, "oversampling": os}
    return _result(sums, own, band, settings, histogram)


def periodogram_of_spectrum(
    spectrum: Spectrum,
    unit_range: Any,
    *,
    offset: str | float = "zero",
    harmonics: int = 1,
    oversampling: float = 5.0,
    trial_units: Any = None,
) -> Periodogram:
    """`periodogram` for sums that were kept."""
    _first_harmonic_only(harmonics)
    offset_of_spectrum(spectrum, offset)
    band, own = _band_or_grid(unit_range, trial_units, lambda: spectrum.band)
    check_inside(band, spectrum)
    settings = {
        "offset": spectrum.grid.offset,
        "harmonics": 1,
        "oversampling": spectrum.grid.oversampling,
    }
    return _result(sums_of_spectrum(spectrum, band), own, band, settings, spectrum)


def band_of_histogram(histogram: Histogram) -> Band:
    """The band of trial units for counts that come without one, by the rule of `default_band`."""
    step = float(histogram.occupied().widths.max())
    low, high = (
        float(end) for end in default_limits(histogram.span, histogram.total, step=step, sigma=0.0)
    )
    if low >= high:
        raise InputError(
            f"`unit_range` cannot be chosen: {FINEST} bins ({low:.4g}) are not below half the span "
            f"of the counts ({high:.4g}); count in finer bins."
        )
    return Band(
        low=low,
        high=high,
        chosen=True,
        reason="from 2.5 bins or a small part of the span to half the span of the counts",
    )


def check_inside(band: Band, spectrum: Spectrum) -> None:
    """Raise InputError unless the spectrum has sums for the whole band."""
    grid = spectrum.grid
    if band.low < grid.low * (1 - 1e-9) or band.high > grid.high * (1 + 1e-9):
        raise InputError(
            f"`unit_range` ({band.low:g}, {band.high:g}) reaches beyond the trial units of the "
            f"spectrum ({grid.low:g} to {grid.high:g}); stay inside, or make a new spectrum."
        )


def offset_of_spectrum(spectrum: Spectrum, offset: str | float) -> None:
    """Raise InputError for another offset than that with which the spectrum was made."""
    own = spectrum.grid.offset
    mode, b = validation.offset_mode(offset)
    if offset != "zero" and (own != "free" if mode == "free" else own != b):
        raise InputError(
            f"`offset` is {offset!r}, but the spectrum was made with {own!r}; leave it out, or "
            "make a new spectrum."
        )


def _band_or_grid(unit_range: Any, trial_units: Any, rule: Any) -> tuple[Band, FloatArray | None]:
    if trial_units is not None:
        own = validation.float_array("trial_units", trial_units)
        if own.size == 0 or own.min() <= 0:
            raise InputError("`trial_units` must hold at least one unit, each above zero.")
        own = np.sort(own)[::-1]
        low, high = float(own[-1]), float(own[0])
        return Band(low=low, high=high, chosen=False, reason="the grid given"), own
    if unit_range is None:
        return rule(), None
    if isinstance(unit_range, Band):
        return unit_range, None
    low, high = validation.unit_range(unit_range)
    return Band(low=low, high=high, chosen=False, reason="given by the caller"), None


def _result(
    sums: CountSums, own: FloatArray | None, band: Band, settings: dict[str, Any], source: Any
) -> Periodogram:
    from quantize.comb.periodogram import Periodogram

    n = sums.histogram.total
    if own is not None:
        sums = dataclasses.replace(sums, frequencies=1 / own)
    f = sums.frequencies
    whole = sums.sums(f)
    power: FloatArray = np.abs(whole) ** 2 / n
    # The score takes the fixed offset, or zero where it is free.
    turn = f * (sums.origin if sums.free else 0.0)
    score = np.sqrt(2 / n) * (whole * np.exp(2j * np.pi * (turn - np.rint(turn)))).real
    values = power if sums.free else score
    if own is None:
        ranked = sums.peaks(values, _MOST_ALTERNATIVES)
    else:
        order = np.argsort(-values, kind="stable")[:_MOST_ALTERNATIVES]
        ranked = [(float(f[i]), float(values[i])) for i in order]
    best = ranked[0][0]
    unit = 1 / best
    b = sums.origin
    if sums.free:
        b = (sums.origin + sums.direction(best) / (2 * np.pi * best)) % unit
    rows = [{"unit": 1 / g, "statistic": s} for g, s in ranked]
    return Periodogram(
        unit=unit,
        unit_err=sums.standard_error(best),
        offset=float(b),
        statistic=ranked[0][1],
        trial_units=1 / f,
        score=score,
        power=power,
        alternatives=rivals.table(rows, min(0.2 * unit / max(sums.histogram.span, 1e-300), 0.1)),
        band=band,
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


def _first_harmonic_only(harmonics: int) -> None:
    if validation.count("harmonics", harmonics) != 1:
        raise InputError(
            f"`harmonics` is {harmonics}; counts and sums are scored by the first harmonic only."
        )
