"""analyze_counts(): the verdict on many readings, from their counts in bins."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.comb.grid import Band
from quantize.comb.large.count_fit import CountFit, fit_counted
from quantize.comb.large.counted import Counted, counted
from quantize.comb.large.modes import find_modes
from quantize.null import guards
from quantize.null.count_rivals import Rivals, set_against
from quantize.null.spacing import Spacing, rayleigh_bound, residual_over, score_bound

if TYPE_CHECKING:
    import pandas as pd

STEPS, NO_STEPS, CANNOT_TELL = "steps", "no steps", "cannot tell"
_MOST_OF_THE_BAND = 0.8
_CELLS = 40
_NEAR = 0.06
"""Levels that miss the multiples of a unit by more than this share of it (r.m.s.) exclude it."""
_FEWEST_FOR_NO = 4000
_SEEN_COUNTS = 200
_BENT = 5.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CountAnalysis(Result):
    """Result of `analyze_counts`, and of `analyze` for counts and for very many readings.

    Attributes
    ----------
    verdict : {"steps", "no steps", "cannot tell"}
    reasons, advice : tuple of str
    unit, unit_err : float
        Maximum likelihood on the bins, and its standard error; see `fit_counts`.
    offset, sigma, sigma_growth, background : float
        As in `CountFit`.
    p_value : float
        The larger of `p_values`.
    p_values : dict of str to float
        Analytic bounds over the whole band, not resampled: "continuous" for phases of any size
        (Rayleigh or Rice), "lumpy" for levels anywhere that stand as near to equal distances.
    log_bayes_factors : dict of str to float
        Comb over a smooth envelope, and over levels of the same widths anywhere, on the same
        bins, by the Bayesian information criterion.
    log_bayes_factor : float
        The smaller of them.
    levels, alternatives : pandas.DataFrame
        As in `CountFit`.
    spacing : Spacing
        How near the levels that stand out are to equal distances.
    excluded : float
        Part of the band, in log unit, in which no unit fits what stands out.
    findings : tuple of Finding
    total, outside : int
        Readings in the bins, and outside the window.
    """

    _private: ClassVar[tuple[str, ...]] = ("fit",)

    verdict: str
    reasons: tuple[str, ...]
    advice: tuple[str, ...]
    unit: float
    unit_err: float
    offset: float
    sigma: float
    sigma_growth: float
    background: float
    p_value: float
    p_values: dict[str, float]
    log_bayes_factor: float
    log_bayes_factors: dict[str, float]
    levels: pd.DataFrame
    alternatives: pd.DataFrame
    spacing: Spacing
    excluded: float
    findings: tuple[guards.Finding, ...]
    total: int
    outside: int
    band: Band
    alpha: float
    settings: dict[str, Any]
    fit: CountFit

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Normal interval for the unit, one row (low, high)."""
        return self.fit.interval(prob)

    def _headline(self) -> str:
        return (
            f"{self.verdict}, unit {self.unit:.6g} ± {self.unit_err:.2g}, p ≤ {self.p_value:.3g}, "
            f"{self.total} readings"
        )


def analyze_counts(
    counts: Any,
    unit_range: Any = None,
    *,
    offset: str | float = "zero",
    window: Any = None,
    alpha: float = 0.05,
) -> CountAnalysis:
    """Say whether very many readings come in whole-number steps, and of what unit.

    Parameters
    ----------
    counts : Histogram, Spectrum or array_like
        An array is counted first, over `window`. Bins must be equally wide.
    unit_range : (float, float), optional
        Smallest and largest unit.
    offset : {"zero", "free"} or float
        Where the comb starts; a detector's pedestal wants "free".
    window : (float, float), optional
        For arrays: readings outside are counted and left out.
    alpha : float
        Share of false "steps" that is accepted.

    Returns
    -------
    CountAnalysis

    Raises
    ------
    InputError
        For counts, ranges or bins that cannot be used.

    Notes
    -----
    "steps" wants levels that are *seen*: maxima of the counts, found without the comb, at least
    three different non-zero sizes (five with a free offset), so near to equal distances that
    levels anywhere come as near, at any unit of the band, with a chance of at most `alpha`. The
    number of readings does not enter that chance: it makes the levels sharper, and no more.

    Examples
    --------
    >>> import numpy as np
    >>> import quantize as qz
    >>> rng = np.random.default_rng(1)
    >>> light = 12 + 7.3 * rng.poisson(2.2, 50_000) + rng.normal(0, 0.9, 50_000)
    >>> qz.analyze_counts(light, (3, 20), offset="free").verdict
    'steps'
    """
    alpha = validation.fraction("alpha", alpha)
    data = counted(counts, unit_range, offset=offset, window=window)
    fit = fit_counted(data)
    rivals = set_against(fit, data)
    p_values = {"continuous": _continuous(fit, data), "lumpy": rivals.spacing.p_value}
    p = max(p_values.values())
    findings = _findings(fit, data, rivals)
    blocked = [f.sentence for f in findings if f.blocks]
    remarks = [f.sentence for f in findings if not f.blocks]
    excluded = 0.0
    if p <= alpha and not blocked:
        verdict, advice = STEPS, ()
        reasons = (*_steps_reasons(p, rivals), *remarks)
    else:
        excluded = excluded_part(data)
        verdict, reasons, advice = _otherwise(p, alpha, blocked, excluded, fit, data, rivals)
    return CountAnalysis(
        verdict=verdict,
        reasons=reasons,
        advice=advice,
        unit=fit.unit,
        unit_err=fit.unit_err,
        offset=fit.offset,
        sigma=fit.sigma,
        sigma_growth=fit.sigma_growth,
        background=fit.background,
        p_value=p,
        p_values=p_values,
        log_bayes_factor=min(rivals.log_bayes_factors.values()),
        log_bayes_factors=rivals.log_bayes_factors,
        levels=fit.levels,
        alternatives=fit.alternatives,
        spacing=rivals.spacing,
        excluded=excluded,
        findings=findings,
        total=fit.total,
        outside=data.outside,
        band=fit.band,
        alpha=alpha,
        settings=fit.settings,
        fit=fit,
    )


def frequencies(band: Band) -> tuple[float, float]:
    """Lowest and highest 1/unit of the band."""
    return 1 / band.high, 1 / band.low


def excluded_part(data: Counted) -> float:
    """Part of the band, in log unit, whose units fit nothing that stands out of the counts.

    A unit is excluded when smoothing for its steps leaves fewer modes than a comb needs, or when
    the modes miss its multiples.
    """
    least = guards.LEVELS_NEEDED["free" if data.free else "fixed"]
    offset = None if data.free else data.fixed
    span = data.histogram.span
    edges = np.geomspace(data.band.low, data.band.high, _CELLS + 1)
    out = 0
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        modes = find_modes(data.histogram, math.sqrt(low * high))
        if modes.size >= least:
            turns = span * (1 / low - 1 / high)
            units = 1 / np.linspace(1 / high, 1 / low, max(int(20 * turns), 20))
            residual = residual_over(modes, units, offset=offset)
            if residual.min() < _NEAR:
                continue
        out += 1
    return out / _CELLS


def _continuous(fit: CountFit, data: Counted) -> float:
    sums, n = data.sums, fit.total
    f = np.array([1 / fit.unit])
    found = sums.plain(f)[0]
    away = data.histogram.centres - sums.origin
    weight = data.histogram.counts
    if data.free:
        spread = math.sqrt(
            float(np.average((away - np.average(away, weights=weight)) ** 2, weights=weight))
        )
        return rayleigh_bound(float(abs(found)) ** 2 / n, spread, frequencies(fit.band))
    reach = math.sqrt(float(np.average(away**2, weights=weight)))
    return score_bound(math.sqrt(2 / n) * float(found.real), reach, frequencies(fit.band))


def _findings(fit: CountFit, data: Counted, rivals: Rivals) -> tuple[guards.Finding, ...]:
    least = guards.LEVELS_NEEDED["free" if data.free else "fixed"]
    seen = rivals.spacing.levels
    what = "different levels" if data.free else "different non-zero sizes"
    few = seen < least
    levels = guards.Finding(
        name="levels",
        blocks=few,
        warns=few,
        sentence=f"{seen} {what} stand out of the counts"
        + (f"; {least} are needed to tell equal distances from chance." if few else "."),
    )
    on_comb = 1 - fit.background
    most = guards.Finding(
        name="majority",
        blocks=on_comb <= 0.5,
        warns=on_comb <= 0.5,
        sentence=f"{100 * on_comb:.3g} % of the readings belong to the levels, the rest to a flat "
        "background.",
    )
    adapter: Any = SimpleNamespace(
        readings=SimpleNamespace(rounding_step=data.step), unit=fit.unit, unit_err=fit.unit_err
    )
    bent = rivals.bend > _BENT
    equal = guards.Finding(
        name="distances",
        blocks=False,
        warns=bent,
        sentence=f"The levels stand within {100 * rivals.spacing.residual:.2g} % of a unit of "
        "equal distances"
        + (
            ", which is more than counting alone explains: look for a scale that bends, or levels "
            "that are not normal."
            if bent
            else "."
        ),
    )
    shape = fit.chi_square / fit.degrees
    form = guards.Finding(
        name="shape",
        blocks=False,
        warns=shape > 1.5,
        sentence=f"Chi-square of the bins is {shape:.3g} per degree of freedom"
        + (
            "; the levels are not quite normal, and the error of the unit is widened for it."
            if shape > 1.5
            else "."
        ),
    )
    return (
        levels,
        most,
        guards.not_the_resolution(adapter),
        guards.wide_band(fit.band, fit.unit),
        *((equal,) if seen >= 3 else ()),
        form,
    )


def _steps_reasons(p: float, rivals: Rivals) -> tuple[str, ...]:
    return (
        f"Levels placed anywhere stand as near to equal distances with a chance of at most "
        f"{p:.1g}, by an analytic bound that counts every unit of the band.",
    )


def _otherwise(
    p: float,
    alpha: float,
    blocked: list[str],
    excluded: float,
    fit: CountFit,
    data: Counted,
    rivals: Rivals,
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    seen = rivals.spacing.levels
    reasons = list(blocked)
    if p > alpha and seen >= 3:
        reasons.insert(
            0,
            f"Levels placed anywhere stand as near to equal distances with a chance of up to "
            f"{min(p, 1):.2g}; the limit set beforehand is {alpha:g}.",
        )
    if excluded >= _MOST_OF_THE_BAND and fit.total >= _FEWEST_FOR_NO and p > alpha:
        share = max(100 * _SEEN_COUNTS / fit.total, 0.1)
        return (
            NO_STEPS,
            (
                f"No unit in {100 * excluded:.0f} % of the range tried fits what stands out of "
                f"the counts; levels that hold {share:.2g} % of the readings or more, with a "
                "scatter below a quarter of the unit, would have stood out.",
                "A unit that is small beside the scatter of a level could still hide.",
                *reasons,
            ),
            (),
        )
    advice = []
    if seen < 3:
        advice.append(
            "Levels show when their scatter is below a third of the unit: reduce the noise, or "
            "take readings over a wider range of sizes."
        )
    else:
        advice.append(
            "More levels settle it, not more readings of the same ones: widen the range of sizes."
        )
    if fit.total < _FEWEST_FOR_NO:
        advice.append("Take more readings; with a few thousand, weak levels stand out.")
    return CANNOT_TELL, tuple(reasons), tuple(advice)
