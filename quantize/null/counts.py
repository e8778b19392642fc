"""analyze_counts(): the verdict on many readings, from their counts in bins."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import NormalUnit, Result, taken
from quantize._support.validation import Offset, SigmaRange
from quantize.comb.unit_range import UnitRange
from quantize.counts.counted import Counted, counted
from quantize.counts.fit import CountFit, fit_counted
from quantize.counts.histogram import Histogram
from quantize.counts.spectrum import Spectrum
from quantize.counts.sums import FINEST
from quantize.null import guards
from quantize.null.assumptions import begins_elsewhere, line_through, steps_from_elsewhere
from quantize.null.bounds import Spacing, chance_of
from quantize.null.choices import LEVELS_FREE
from quantize.null.count_rivals import Rivals, set_against
from quantize.null.exclusion import excluded_part
from quantize.null.influence import MISFIT
from quantize.null.verdict import STEPS, judge_counts
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

MANY = 5_000
"""`analyze` takes more readings than this through their counts."""
_FEW_COUNTS = 1000
"""`analyze` takes a histogram of fewer counts apart into readings."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CountAnalysis(NormalUnit, Result):
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
        Analytic bounds over the whole range, not resampled: "continuous" for phases of any size
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
        Part of the range, in log unit, in which no unit fits what stands out.
    findings : tuple of Finding
    total, outside : int
        Readings in the bins, and outside the window.
    unit_name : str or None
        What the readings are measured in, where they said it.
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
    unit_range: UnitRange
    alpha: float
    settings: dict[str, Any]
    fit: CountFit
    unit_name: str | None = None

    def report(self, path: Any, **options: Any) -> Any:
        """Raises InputError: the report page lists readings one by one."""
        raise InputError(
            "`report` lists readings one by one, and these were counted in bins; use `plot` and "
            "`to_dict`."
        )

    def _headline(self) -> str:
        return (
            f"{self.verdict}, unit {self.unit:.6g} ± {self.unit_err:.2g}, p ≤ {self.p_value:.3g}, "
            f"{self.total} readings"
        )


def analyze_counts(
    counts: Histogram | Spectrum | Readings | ArrayLike,
    unit_range: tuple[float, float] | None = None,
    *,
    offset: Offset = "zero",
    window: tuple[float, float] | None = None,
    sigma_range: SigmaRange | None = None,
    alpha: float = 0.05,
) -> CountAnalysis:
    """Say whether very many readings come in whole-number steps, and of what unit.

    Parameters
    ----------
    counts : Histogram, Spectrum, Readings or array_like, shape (n,)
        Counts in equally wide bins; readings are counted first, over `window`.
    unit_range : (float, float), optional
        Smallest and largest unit tried, in the unit of the bins' edges; chosen from the counts if
        left out.
    offset : {"zero", "free"} or float
        Where the comb starts: at zero, anywhere, or at a known place in the unit of the edges; a
        detector's pedestal wants "free".
    window : (float, float), optional
        For arrays, the ends of the bins: readings outside are counted and left out.
    sigma_range : float or (float, float), optional
        Scatter of a reading, known from elsewhere, or its range: the largest decides how small a
        unit the counts can exclude. Left out, it is that of the narrowest level that stands out.
    alpha : float
        Share of false "steps" that is accepted, between 0 and 1.

    Returns
    -------
    CountAnalysis
        The verdict with its reasons, the unit and its error, and the levels.

    Raises
    ------
    InputError
        For counts, ranges or bins that cannot be used.

    Notes
    -----
    "steps" wants levels that are *seen*: maxima of the counts, found without the comb, at least
    three different non-zero sizes (five with a free offset), so near to equal distances that
    levels anywhere come as near, at any unit of the range, with a chance of at most `alpha`. The
    number of readings does not enter that chance: it makes the levels sharper, and no more.

    "no steps" wants a range of which four fifths, in log unit, are excluded: units of more than
    four times the scatter whose multiples what stands out does not fit, the best unit among them.

    Examples
    --------
    >>> import numpy as np
    >>> import quantize as qz
    >>> rng = np.random.default_rng(1)
    >>> light = 12 + 7.3 * rng.poisson(2.2, 50_000) + rng.normal(0, 0.9, 50_000)
    >>> qz.null.analyze_counts(light, (3, 20), offset="free").verdict
    'steps'
    """
    alpha = validation.fraction("alpha", alpha)
    known = validation.sigma_range(sigma_range)
    data = counted(counts, unit_range, offset=offset, window=window)
    fit = fit_counted(data)
    rivals = set_against(fit, data)
    p_values = {"continuous": _continuous(fit, data), "lumpy": rivals.spacing.p_value}
    p = max(p_values.values())
    findings = guards.findings_on_counts(fit, data, rivals)
    open_ended = p > alpha or any(finding.blocks for finding in findings)
    origin = None if data.free else _another_origin(fit, data, rivals, alpha, steps=not open_ended)
    findings += () if origin is None else (origin,)
    excluded = 0.0
    if open_ended:
        sigma = rivals.narrowest if known is None else known[1]
        excluded = excluded_part(fit, data, sigma, rivals.narrowest)
    judgement = judge_counts(fit, findings, p, rivals, alpha=alpha, excluded=excluded)
    return CountAnalysis(
        **taken(judgement, "verdict", "reasons", "advice"),
        **taken(fit, "unit", "unit_err", "unit_range", "unit_name", "offset", "sigma", "settings"),
        **taken(fit, "sigma_growth", "background", "levels", "alternatives", "total"),
        **taken(rivals, "log_bayes_factors", "spacing"),
        p_value=p,
        p_values=p_values,
        log_bayes_factor=min(rivals.log_bayes_factors.values()),
        excluded=excluded,
        findings=findings,
        outside=data.outside,
        alpha=alpha,
        fit=fit,
    )


def analyze_many(
    readings: Any,
    unit_range: Any,
    *,
    offset: Any,
    sigma_range: Any,
    integers: Any,
    model: Any,
    alpha: float,
) -> CountAnalysis | None:
    """The answer of `analyze` for counts and for very many plain readings; None for the rest."""
    said = not (isinstance(integers, str) and integers == "any")
    if isinstance(readings, Histogram) and readings.total < _FEW_COUNTS:
        return None
    if isinstance(readings, Histogram | Spectrum):
        if model is not None:
            raise InputError(
                "`model` describes single readings, and counts in bins hold none; leave it out."
            )
        if said:
            raise InputError(
                "`integers` is said of single readings, and counts in bins hold none; leave it "
                "out, and give `unit_range` the units that are possible."
            )
    else:
        size = len(readings) if hasattr(readings, "__len__") else 0
        if model is not None or size <= MANY:
            return None
        readings = as_readings(readings)
        if len(readings) <= MANY or not readings.plain:
            return None
        if said:
            raise InputError(
                f"`integers` is given with {len(readings):,} readings, and more than {MANY:,} are "
                "counted in bins, which know no single whole number; leave it out, and give "
                "`unit_range` the units that are possible."
            )
    return analyze_counts(readings, unit_range, offset=offset, sigma_range=sigma_range, alpha=alpha)


def _another_origin(
    fit: CountFit, data: Counted, rivals: Rivals, alpha: float, *, steps: bool
) -> guards.Finding | None:
    """That the levels that stand out are multiples counted from elsewhere; None if they are not."""
    x = rivals.positions - data.fixed
    if steps:
        line = line_through(x, rivals.factor, np.rint(x / fit.unit))
        return begins_elsewhere(line, data.fixed)
    low, high = fit.unit_range
    low = max(low, FINEST * float(data.histogram.widths.max()))
    if x.size < LEVELS_FREE or low >= high:
        return None
    found = analyze_counts(data.histogram, (low, high), offset="free", alpha=alpha)
    k = np.rint((x + data.fixed - found.offset) / found.unit)
    line = line_through(x, rivals.factor, k)
    if found.verdict != STEPS or line is None or line.p_value > MISFIT:
        return None
    return steps_from_elsewhere(line, data.fixed, found.p_value)


def _continuous(fit: CountFit, data: Counted) -> float:
    found = data.sums.plain(np.array([1 / fit.unit]))[0]
    power, score = abs(found) ** 2 / fit.total, math.sqrt(2 / fit.total) * found.real
    return chance_of(
        float(power if data.free else score),
        data.histogram.centres - data.sums.origin,
        data.histogram.counts.astype(float),
        fit.unit_range,
        free=data.free,
    )
