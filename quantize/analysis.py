"""analyze(): the estimators, the nulls and the guards brought to one verdict."""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal, TypeAlias, TypedDict, Unpack

import numpy as np
import numpy.typing as npt

from quantize._support import randomness, validation
from quantize._support.errors import InputError, explained
from quantize._support.parallel import Progress, Workers
from quantize._support.randomness import RngLike
from quantize._support.rendering import renderer
from quantize._support.results import Later, Result, taken
from quantize._support.validation import Columns, FloatArray, IntArray, Integers, Offset, SigmaRange
from quantize.comb.least_squares import CombFit, fit_comb
from quantize.comb.periodogram import Periodogram, periodogram
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.counts.histogram import Histogram
from quantize.counts.spectrum import Spectrum
from quantize.model.mixture import MixtureFit, model_of
from quantize.model.model import MixtureModel
from quantize.null import calibration, guards, influence
from quantize.null.assumptions import doubtful_assumptions
from quantize.null.compare import NullComparison, compare_later, compare_null
from quantize.null.counts import analyze_many
from quantize.null.evidence import LevelEvidence
from quantize.null.exclusion import Limit
from quantize.null.tails import need_resamples, resamples
from quantize.null.verdict import Assessment, assess, judge
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd

Verdict: TypeAlias = Literal["steps", "no steps", "cannot tell"]


class AnalysisOptions(TypedDict, total=False):
    """What may be said to `analyze` of many data sets alike."""

    unit_range: tuple[float, float] | UnitRange | None
    offset: Offset
    sigma_range: SigmaRange | None
    integers: Integers
    model: MixtureModel | None
    null: Literal["all", "smooth"]
    alpha: float
    n_resamples: int


_BLURS = 0.1  # units; a larger shared error blurs the phase of a comb that starts at a known place


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Analysis(Result):
    """Result of `analyze`.

    Attributes
    ----------
    verdict : {"steps", "no steps", "cannot tell"}
    reasons : tuple of str
        Why, in short sentences, the decisive one first.
    advice : tuple of str
        What would settle the question, where it is open.
    unit, unit_err : float
        Posterior mean and standard deviation of the unit in its best mode.
    sigma, offset : float
    p_value : float
        The largest of `p_values`.
    p_values : dict of str to float
        For each named kind of data without steps; not below 1e-4. That of the periodogram, by
        resampling, is `smooth.p_value`; it decides only with ``null="smooth"``, and is drawn, in
        this process, when first looked at.
    log_bayes_factor : float
        Natural log of the evidence of the comb over the largest evidence among the nulls.
    log_bayes_factors : dict of str to float
        The comb over each null.
    log_bayes_factor_mixture : float
        The comb over an equal mixture of the kinds of data without steps: odds, if steps and none
        were equally likely beforehand. `log_bayes_factor` is over the kind that explains these
        readings best, picked afterwards. That of `fit_mixture` is over values of any size alone.
    no_unit_above : float or None
        Every unit of the range from here on is excluded; None where the readings exclude none.
    alternatives : pandas.DataFrame
        Rival units with their posterior shares.
    integers : numpy.ndarray of int, shape (n,)
    integer_probabilities : pandas.DataFrame
        Rows (reading, integer, probability).
    findings : tuple of Finding
        What each guard found.
    estimates : dict of str to dict
        Unit and standard error by each of the three estimators.
    """

    _private: ClassVar[tuple[str, ...]] = (
        "readings",
        "mixture",
        "comb_fit",
        "score",
        "smooth",
        "evidence",
    )

    verdict: Verdict
    reasons: tuple[str, ...]
    advice: tuple[str, ...]
    unit: float
    unit_err: float
    sigma: float
    offset: float
    p_value: float
    p_values: dict[str, float]
    log_bayes_factor: float
    log_bayes_factors: dict[str, float]
    log_bayes_factor_mixture: float
    no_unit_above: float | None
    alternatives: pd.DataFrame
    integers: IntArray
    integer_probabilities: pd.DataFrame
    findings: tuple[guards.Finding, ...]
    estimates: dict[str, dict[str, float]]
    unit_range: UnitRange
    alpha: float
    settings: dict[str, Any]
    seed: dict[str, Any]
    readings: Readings
    mixture: MixtureFit
    comb_fit: CombFit
    score: Periodogram
    smooth: NullComparison
    evidence: LevelEvidence

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Highest-density set of the unit: rows (low, high)."""
        return self.mixture.interval(prob)

    def report(self, path: str | Path, **options: Any) -> Path:
        """Write one self-contained HTML page; returns its path.

        Options go to `quantize.show.report.write_report`: the run behind the readings, for one.
        """
        written: Path = renderer("report", self)(self, path, **options)
        return written

    def _headline(self) -> str:
        return (
            f"{self.verdict}, unit {self.unit:.6g} ± {self.unit_err:.2g}, p = {self.p_value:.3g}, "
            f"log Bayes factor over the best kind without steps {self.log_bayes_factor:.2f}"
        )

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary with stable keys."""
        return super().to_dict() | {"readings": self.readings.to_dict()}


@explained(Columns)
def analyze(
    readings: Readings | Histogram | Spectrum | npt.ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Offset = "zero",
    sigma_range: SigmaRange | None = None,
    integers: Integers = "any",
    model: MixtureModel | None = None,
    null: Literal["all", "smooth"] = "all",
    group: npt.ArrayLike | Sequence[Hashable] | None = None,
    alpha: float = 0.05,
    n_resamples: int = 9999,
    rng: RngLike = None,
    workers: Workers = None,
    progress: Progress = False,
    **columns: Unpack[Columns],
) -> Analysis:
    """Say whether the readings come in whole-number steps, and of what unit.

    Parameters
    ----------
    readings : Readings, Histogram, Spectrum or array_like, shape (n,)
        Counts in bins, and more than 5,000 plain readings, go to `analyze_counts`.
    unit_range : (float, float), optional
        Smallest and largest unit tried, in the readings' own unit; see `default_unit_range`. The
        `unit_range` of another result is taken as it is.
    offset : {"zero", "free"} or float
        Where the comb starts: at zero, anywhere, or at this value of a reading.
    sigma_range : float or (float, float), optional
        Standard deviation of a reading, where it is known; a pair is the support of its prior.
    integers : "any", "positive" or (int, int or None)
        Whole numbers that are possible, said before looking at the readings: all of them, those
        from 1 on, or those from the first to the last; ``(1, None)`` leaves the last one open (see
        `MixtureModel`). Only units that give every reading one of them are tried.
    model : MixtureModel, optional
        Everything that may be assumed of a run; it then also says offset, sigma and integers.
        Unit, integers and their probabilities come from it, and data without steps are given the
        same noise, offset and rounding.
    null : {"all", "smooth"}
        "all" sets the comb against every kind of data without steps; "smooth" leaves out
        levels at unequal distances, and the reasons then say so.
    group : array_like, shape (n,), optional
        Which particle, day or observer each reading is of, where several were pooled: steps that
        show in none of them by itself are then not called steps.
    alpha : float
        Share of false "steps" that is accepted; at least 1e-4.
    n_resamples : int
        Resamples for the smooth null; at least 1/alpha − 1.
    rng : int, SeedSequence or Generator, optional
        What the random numbers come from; the same seed gives the same answer.
    workers : int, map-like callable or concurrent.futures.Executor, optional
        Processes among which the resamples are shared; the answer does not depend on it. Without
        them those of ``null="all"`` are drawn when `smooth` is first looked at.
    progress : bool or callable
        True shows a bar while resampling; a callable gets (done, total).
    **columns
        `sigma`, `state`, `resolution` or `unit_name` of plain values, as in `Readings`.

    Returns
    -------
    Analysis
        Or `CountAnalysis`, for counts and for more than 5,000 plain readings.

    Raises
    ------
    InputError
        For readings, ranges, models or options that cannot be used.

    Examples
    --------
    >>> import quantize as qz
    >>> sample = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
    >>> found = qz.analyze(sample, (1.2, 7), n_resamples=999, rng=1)
    >>> found.verdict, found.integers.tolist()
    ('steps', [1, 2, 3, 4, 5, 7, 2, 6, 8, 3])
    """
    said: dict[str, Any] = {"offset": offset, "sigma_range": sigma_range}
    said |= {"integers": integers, "model": model}
    smooth_only = validation.choice("null", null, ("all", "smooth")) == "smooth"
    if columns:
        readings = as_readings(readings, least=3, measured=False, columns=columns)
    many = analyze_many(readings, unit_range, alpha=alpha, **said)
    if many is not None:
        _refuse_for_counts(group, smooth_only)
        return many  # type: ignore[return-value]
    everything = as_readings(readings, least=3, measured=False)
    # Readings off the scale and changing ones have a likelihood in the mixture alone.
    data = as_readings(everything, least=3)
    alpha = validation.fraction("alpha", alpha)
    calibration.need_alpha(alpha)
    need_resamples(resamples(n_resamples), alpha)
    if group is not None:
        influence.group_codes(group, len(everything))
    generator = randomness.generator(rng)
    seed = randomness.record(generator)
    assumed = model_of(**said)
    known = (assumed.sigma, assumed.sigma) if isinstance(assumed.sigma, float) else None
    unit_range = unit_range_for(everything, unit_range, sigma_range=known)
    guards.need_informative_range(data, (unit_range.low, unit_range.high))
    start = assumed.plain_offset
    assessed = assess(everything, unit_range, assumed, alpha=alpha)
    unit_range = assessed.mixture.unit_range
    score = periodogram(data, unit_range, offset=start)
    comb_fit = fit_comb(data, unit_range, offset=start)
    compared: dict[str, Any] = {"unit_range": unit_range, "null": "smooth", "rng": generator}
    compared |= {"offset": _smooth_offset(data, assessed.mixture.unit, start)}
    compared |= {"n_resamples": resamples(n_resamples)}
    # Where it decides nothing it is drawn when looked at, unless others draw it or wait for it.
    smooth: Any
    if smooth_only or progress or workers is not None:
        smooth = compare_null(data, workers=workers, progress=progress, **compared)
    else:
        smooth = compare_later(data, **compared)
    settings = {
        "offset": start,
        "sigma_range": assessed.mixture.settings["sigma_range"],
        "integers": assumed.integers,
        "model": None if model is None else model.to_dict(),
        "null": null,
        "n_resamples": compared["n_resamples"],
    }
    return _judged(
        assessed,
        _more_findings(assessed, group, alpha),
        {"smooth": smooth.p_value} if smooth_only else assessed.evidence.p_values,
        alpha=alpha,
        smooth_only=smooth_only,
        estimates=_estimates(assessed.mixture, comb_fit, score),
        settings=settings,
        seed=seed,
        comb_fit=comb_fit,
        score=score,
        smooth=smooth,
    )


def _refuse_for_counts(group: Any, smooth_only: bool) -> None:
    if group is not None:
        raise InputError("`group` says whose each reading is, which bins lose; leave it out.")
    if smooth_only:
        raise InputError("`null` is 'smooth', and counts are set against levels too; leave it out.")


def _more_findings(assessed: Assessment, group: Any, alpha: float) -> tuple[guards.Finding, ...]:
    """The findings of all guards, those included that leave readings out and begin again."""
    settled = assessed.mixture.posterior.settled
    findings = assessed.findings
    if group is not None:
        findings = (*findings, influence.only_in_the_pool(settled, group, alpha))
    state = influence.single_state(settled, alpha) if assessed.evidence.steps else None
    findings += () if state is None else (state,)
    return (*findings, *doubtful_assumptions(assessed.mixture, assessed.evidence, alpha))


def _estimates(mixture: MixtureFit, comb_fit: CombFit, score: Periodogram) -> dict[str, Any]:
    """The unit and its standard error by each estimator."""
    named: dict[str, MixtureFit | CombFit | Periodogram]
    named = {"mixture over integers": mixture, "least squares": comb_fit, "periodogram": score}
    return {name: {"unit": one.unit, "unit_err": one.unit_err} for name, one in named.items()}


def with_limit(found: Analysis, limit: Limit | None) -> Analysis:
    """The same analysis with another limit of the units that are excluded, and its verdict."""
    judgement = judge(
        found.mixture,
        found.findings,
        found.p_values,
        found.evidence,
        alpha=found.alpha,
        smooth_only=found.settings["null"] == "smooth",
        excluded=lambda _: limit,
    )
    return found._with(**vars(judgement))


def _judged(
    assessed: Assessment,
    findings: tuple[guards.Finding, ...],
    p_values: dict[str, float],
    *,
    alpha: float,
    smooth_only: bool,
    **kept: Any,
) -> Analysis:
    """The verdict on what was found, with the numbers it rests on; the rest is `kept` as it is."""
    mixture, evidence = assessed.mixture, assessed.evidence
    judgement = judge(mixture, findings, p_values, evidence, alpha=alpha, smooth_only=smooth_only)
    later: Any = Later(getattr, mixture, "integer_probabilities")
    factors = ("log_bayes_factor", "log_bayes_factors", "log_bayes_factor_mixture")
    return Analysis(
        **vars(judgement),
        **taken(mixture, "unit", "unit_err", "unit_range", "sigma", "offset", "readings"),
        **taken(mixture, "alternatives", "integers"),
        **taken(evidence, *factors),
        p_value=max(p_values.values()),
        p_values=p_values,
        integer_probabilities=later,
        findings=findings,
        alpha=alpha,
        mixture=mixture,
        evidence=evidence,
        **kept,
    )


def _smooth_offset(data: Readings, unit: float, offset: Any) -> Any:
    """The offset for a test that knows nothing of a shared shift: free where that blurs it."""
    shift, most = data.shift, 0.0
    while shift is not None:
        most = max(most, float(np.abs(shift.lever).max()) * shift.error)
        shift = shift.also
    return "free" if most > _BLURS * unit else offset
