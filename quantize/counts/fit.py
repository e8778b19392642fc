"""fit_counts(): the comb fitted to counts in bins, near the candidates that the spectrum shows."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike

from quantize._support.results import NormalUnit, Result
from quantize._support.validation import FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.comb.periodogram import refined_peaks
from quantize.comb.unit_range import UnitRange
from quantize.counts.counted import Counted, counted
from quantize.counts.histogram import Histogram, find_modes
from quantize.counts.levels import FEWEST_COUNTS, Levels, covariance, design, maximise
from quantize.counts.spectrum import Spectrum
from quantize.counts.sums import CountSums
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

_CANDIDATES = 5
_LEAST_SHARE = 0.03  # exp(−2π²·0.42²)
_MOST_LEVELS = 450
_BINS_A_UNIT = 16
_BINS_A_SIGMA = 2.5
_REACH = 0.2  # of a unit: the longest step of a position


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CountFit(NormalUnit, Result):
    """Result of `fit_counts`.

    Attributes
    ----------
    unit, unit_err : float
        Maximum of the likelihood and its standard error, from the information matrix; times
        sqrt(chi_square/degrees) where that is above one. With every level in one bin, that of a
        unit that puts the farthest anywhere within its bin.
    offset : float
        Fixed, or found, in [0, unit).
    sigma : float
        Standard deviation of level zero (fixed offset) or of the lowest level (free offset).
    sigma_growth : float
        The variance of a level is sigma² + sigma_growth²·d, d counted in levels from there.
    background : float
        Share of the readings in a flat part, off every level.
    levels : pandas.DataFrame
        Columns integer, position, sigma, share. Positions are offset + unit·integer.
    modes : numpy.ndarray
        Maxima of the counts that stand out from their valleys, found without the comb.
    log_likelihood : float
        Its maximum, Poisson's without the factorials.
    chi_square : float
        Pearson's, of the counts against those expected.
    degrees : int
        Of freedom of `chi_square`: groups of bins with five expected counts, less parameters.
    alternatives : pandas.DataFrame
        Rival units with their shares by the Bayesian information criterion, best first.
    converged : bool
        Whether a maximum was reached.
    total : int
        Number of readings in the bins.
    unit_name : str or None
        What the readings are measured in, where they said it.
    """

    _private: ClassVar[tuple[str, ...]] = ("histogram", "fitted", "sums")

    unit: float
    unit_err: float
    offset: float
    sigma: float
    sigma_growth: float
    background: float
    levels: pd.DataFrame
    modes: FloatArray
    log_likelihood: float
    chi_square: float
    degrees: int
    alternatives: pd.DataFrame
    converged: bool
    total: int
    unit_range: UnitRange
    settings: dict[str, Any]
    histogram: Histogram
    fitted: Levels
    sums: CountSums
    unit_name: str | None = None

    def _headline(self) -> str:
        return (
            f"unit {self.unit:.6g} ± {self.unit_err:.2g} from {self.total} readings, "
            f"chi-square {self.chi_square:.0f}/{self.degrees}"
        )


def fit_counts(
    counts: Histogram | Spectrum | Readings | ArrayLike,
    unit_range: tuple[float, float] | None = None,
    *,
    offset: Literal["zero", "free"] | float = "zero",
    window: tuple[float, float] | None = None,
) -> CountFit:
    r"""Fit levels at whole multiples of a unit to many readings, through their counts in bins.

    Parameters
    ----------
    counts : Histogram, Spectrum or array_like, shape (n,)
        At least a hundred readings. An array is counted first, over `window`. Bins must be equally
        wide.
    unit_range : (float, float), optional
        Smallest and largest unit that is looked for, in the unit of the readings. By default the
        spectrum's own, or the rule of `default_unit_range`.
    offset : {"zero", "free"} or float, default "zero"
        Where the comb starts: at zero, anywhere within one unit, or at the number given. A spectrum
        has its own.
    window : (float, float), optional
        For arrays: readings outside are left out. By default the range that holds all but one
        in a thousand, widened by a tenth at each end.

    Returns
    -------
    CountFit
        With `unit`, `unit_err`, the `levels`, and rival units in `alternatives`.

    Raises
    ------
    InputError
        For counts, ranges or bins that cannot be used.

    Notes
    -----
    The expected count of a bin is
    :math:`\sum_k A_k[\Phi((e'-\mu_k)/s_k)-\Phi((e-\mu_k)/s_k)]` plus a flat background, with
    :math:`\mu_k=b+uk` and :math:`s_k^2=s_0^2+s_1^2 d_k`, where :math:`d_k` is \|k\| for a fixed
    offset and counts from the lowest level for a free one. Amplitudes are free. The likelihood is
    Poisson's; it is maximised by Fisher scoring from the highest peaks of the spectrum.

    References
    ----------
    Bellamy et al., NIM A 339:468 (1994), for levels whose variance grows with the number of
    photoelectrons.

    Examples
    --------
    >>> import numpy as np
    >>> import quantize as qz
    >>> rng = np.random.default_rng(1)
    >>> light = 12 + 7.3 * rng.poisson(2.2, 50_000) + rng.normal(0, 0.9, 50_000)
    >>> found = qz.counts.fit_counts(light, (3, 20), offset="free")
    >>> bool(abs(found.unit - 7.3) < 4 * found.unit_err)
    True
    """
    return fit_counted(counted(counts, unit_range, offset=offset, window=window))


def fit_counted(data: Counted) -> CountFit:
    """`fit_counts` for data that are counted already."""
    candidates = _candidates(data)
    # Bins fine enough for every candidate; the empty ones beyond say how far its levels reach.
    wanted = min(min(c.unit / _BINS_A_UNIT, c.sigma / _BINS_A_SIGMA) for c in candidates)
    histogram = data.histogram._from_both_ends(wanted / float(data.histogram.widths[0]))
    histogram = histogram.occupied(beyond=max(c.unit for c in candidates))
    quick = [(_fit(histogram, start, data, quick=True), start) for start in candidates]
    quick.sort(key=lambda pair: pair[0].criterion)
    # Parts of a unit explain the same levels as well; which comes first hangs on the last bits.
    alike = quick[0][0].criterion + 0.1
    quick.sort(key=lambda pair: -pair[0].unit if pair[0].criterion < alike else math.inf)
    fits = [fit for fit, _ in quick]
    best = min(fits[0], _fit(histogram, quick[0][1], data), key=lambda fit: fit.criterion)
    best, modes = _without_common_divisor(best, histogram, data)
    others = [fit for fit in fits if abs(fit.unit / best.unit - 1) > 1e-3]
    return _result(data, best, others, modes)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class _Fit:
    levels: Levels
    integers: IntArray
    unit: float
    log_likelihood: float
    converged: bool
    criterion: float


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class _Candidate:
    unit: float
    offset: float
    sigma: float
    share: float


def _candidates(data: Counted) -> list[_Candidate]:
    """Highest local maxima inside the range, with the scatter that their height means.

    A harmonic below `_LEAST_SHARE` is that of levels that run into each other, and one that so many
    frequencies reach by chance (exp(−n·share²) at each of them, Rayleigh) may be of none; such a
    candidate is only taken when there is no other.
    """
    sums, free = data.sums, data.free
    f = sums.frequencies
    peaks = refined_peaks(sums.statistic, f, sums.statistic(f), 6 * _CANDIDATES)
    step = f[1] - f[0]
    inner = [p for p in peaks if f[0] + 1.5 * step < p[0] < f[-1] - 1.5 * step]
    found = []
    for g, _ in inner or peaks[:1]:
        share = min(float(abs(sums.sums(np.array([g]))[0])) / sums.total, 1.0)
        unit = 1 / g
        spread = math.sqrt(max(-math.log(max(share, 1e-3)), 1e-4) / (2 * math.pi**2))
        b = sums.origin + (sums.direction(g) / (2 * math.pi) * unit if free else 0.0)
        candidate = _Candidate(
            unit=unit, offset=float(b), sigma=unit * min(max(spread, 0.02), 0.45), share=share
        )
        if sums.span / unit <= _MOST_LEVELS:
            found.append(candidate)
    least = max(_LEAST_SHARE, math.sqrt(math.log(f.size) / sums.total))
    good = [c for c in found if c.share >= least][:_CANDIDATES]
    if good or not found:
        if good:
            return good
        # Nothing stands out: the largest unit of the range.
        unit, b = data.unit_range.high, data.fixed
        if data.free:
            b = float(data.histogram.centres[np.argmax(data.histogram.counts)])
        return [_Candidate(unit=unit, offset=b, sigma=0.45 * unit, share=0.0)]
    return [max(found, key=lambda c: c.unit)]


def _fit(histogram: Histogram, start: _Candidate, data: Counted, *, quick: bool = False) -> _Fit:
    """Levels at multiples of about the unit of a candidate, fitted from it."""
    base, k, typical = _occupied_levels(histogram, start, data)
    best = (base, -math.inf, False)
    for part in (0.7,) if quick else (1.0, 0.3):
        gamma = start.sigma**2 * np.array([part, (1 - part) / max(typical, 0.3)])
        begin = dataclasses.replace(base, gamma=gamma).amplitudes_by_em(20)
        trial = maximise(begin, reach=_REACH * start.unit, steps=20 if quick else 60)
        if not 0.5 < trial[0].beta[-1] / start.unit < 2:
            # Levels that stand nowhere were moved through each other.
            trial = (begin, begin.log_likelihood(), False)
        if trial[1] > best[1]:
            best = trial
    fitted, value, converged = best
    return _Fit(
        levels=fitted,
        integers=k,
        unit=float(fitted.beta[-1]),
        log_likelihood=value,
        converged=converged,
        criterion=-2 * value + fitted.parameters * math.log(float(fitted.counts.sum())),
    )


def _occupied_levels(
    histogram: Histogram, start: _Candidate, data: Counted
) -> tuple[Levels, IntArray, float]:
    """Levels that hold readings, before the fit; their whole numbers; the typical distance.

    Distances are counted from level zero, or from the lowest level where the offset is free.
    """
    total = float(histogram.counts.sum())
    k, levels = _all_levels(histogram, start, data)
    keep = levels.amplitude >= max(FEWEST_COUNTS, 1e-7 * total)
    if keep.sum() < 2:
        keep = np.argsort(-levels.amplitude) < 2
    k, amplitude = k[keep], levels.amplitude[keep]
    busy = amplitude >= 1e-3 * total
    lowest = int(k[busy].min()) if busy.any() else int(k[0])
    away = np.maximum(k - lowest, 0) if data.free else np.abs(k)
    occupied = dataclasses.replace(
        levels,
        places=design(k, data.free),
        shift=levels.shift[keep],
        spreads=np.column_stack([np.ones(k.size), away]),
        amplitude=amplitude,
    )
    return occupied, k, float(np.average(away, weights=amplitude))


def _all_levels(histogram: Histogram, start: _Candidate, data: Counted) -> tuple[IntArray, Levels]:
    """Whole numbers over the whole range of the counts, and levels there with first amplitudes."""
    edges, total = histogram.edges, float(histogram.counts.sum())
    low = math.ceil((edges[0] - start.offset) / start.unit - 0.3)
    high = max(math.floor((edges[-1] - start.offset) / start.unit + 0.3), low + 1)
    k = np.arange(low, high + 1)
    levels = Levels(
        edges=edges,
        counts=histogram.counts,
        places=design(k, data.free),
        shift=np.zeros(k.size) if data.free else np.full(k.size, data.fixed),
        spreads=np.ones((k.size, 1)),
        beta=np.array([start.offset, start.unit]) if data.free else np.array([start.unit]),
        gamma=np.array([start.sigma**2]),
        amplitude=np.full(k.size, total / k.size),
        background=0.01 * total,
        floor=(0.05 * float(histogram.widths[0])) ** 2,
    )
    return k, levels.amplitudes_by_em(40)


def _without_common_divisor(
    fit: _Fit, histogram: Histogram, data: Counted
) -> tuple[_Fit, FloatArray]:
    """The fit again at the largest unit of which all modes are whole multiples."""
    for _ in range(4):
        modes = find_modes(data.histogram, fit.unit)
        divisor = _divisor(fit, modes, data)
        if divisor < 2 or divisor * fit.unit > data.unit_range.high * (1 + 1e-6):
            break
        levels = fit.levels
        heavy = float(levels.position[np.argmax(levels.amplitude)])
        start = _Candidate(
            unit=divisor * fit.unit,
            offset=heavy if data.free else data.fixed,
            sigma=math.sqrt(float(np.median(levels.variance))),
            share=1.0,
        )
        fit = _fit(histogram, start, data)
    return fit, modes


def _divisor(fit: _Fit, modes: FloatArray, data: Counted) -> int:
    if modes.size < 2:
        return 1
    b = modes[0] if data.free else data.fixed
    cycles = (modes - b) / fit.unit
    k = np.rint(cycles).astype(np.int64)
    if np.abs(cycles - k).max() > 0.25:
        return 1
    return math.gcd(*(int(v) for v in k))


def _result(data: Counted, best: _Fit, others: list[_Fit], modes: FloatArray) -> CountFit:
    levels, unit = best.levels, best.unit
    chi_square, degrees = levels.chi_square()
    place = levels.beta.size - 1
    variance = float(covariance(levels.information())[place, place])
    error = math.sqrt(max(variance, 0.0)) * math.sqrt(max(chi_square / degrees, 1.0))
    if levels.narrow:
        # The likelihood is flat while the farthest levels stay within their bins.
        width, k = float(levels.edges[1] - levels.edges[0]), best.integers
        ends, farthest = (2, np.ptp(k)) if data.free else (1, np.abs(k).max())
        flat = width * math.sqrt(ends / 12) / max(float(farthest), 1.0)
        error = flat if levels.in_single_bins else min(error, flat)
    b = float(levels.beta[0]) if data.free else data.fixed
    cycles = math.floor(b / unit) if data.free else 0
    return CountFit(
        unit=unit,
        unit_err=error,
        offset=b - cycles * unit if data.free else b,
        sigma=float(math.sqrt(max(levels.gamma[0], levels.floor))),
        sigma_growth=float(math.sqrt(levels.gamma[1])),
        background=levels.background / float(levels.amplitude.sum() + levels.background),
        levels=levels.table(best.integers + cycles),
        modes=modes,
        log_likelihood=best.log_likelihood,
        chi_square=chi_square,
        degrees=degrees,
        alternatives=_ranked([best, *others]),
        converged=best.converged,
        total=data.histogram.total,
        unit_name=data.unit_name,
        unit_range=data.unit_range,
        settings=data.settings,
        histogram=data.histogram,
        fitted=levels,
        sums=data.sums,
    )


def _ranked(fits: list[_Fit]) -> pd.DataFrame:
    """Units, best first, with their shares by the Bayesian information criterion."""
    weight = np.array([-0.5 * (fit.criterion - fits[0].criterion) for fit in fits])
    weight = np.exp(np.minimum(weight - weight.max(), 0.0))
    rows = [
        {"unit": fit.unit, "share": float(w / weight.sum()), "log_likelihood": fit.log_likelihood}
        for fit, w in zip(fits, weight, strict=True)
    ]
    return rivals.table(rows, 0.02)
