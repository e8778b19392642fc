"""analyze(): the estimators, the nulls and the guards brought to one verdict."""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

import numpy as np

from quantize._support import randomness, validation
from quantize._support.progress import Progress
from quantize._support.randomness import RngLike
from quantize._support.rendering import renderer
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.fit import CombFit, fit_comb
from quantize.comb.grid import Band, band_for
from quantize.comb.mixture import MixtureFit, fit_mixture
from quantize.comb.periodogram import Periodogram, periodogram
from quantize.null import guards, influence
from quantize.null.compare import NullComparison, compare_null
from quantize.null.counts import analyze_many
from quantize.null.tails import need_resamples
from quantize.null.verdict import LevelEvidence, weigh_evidence
from quantize.null.wording import Judgement, judge
from quantize.readings import Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd


class Shift(Protocol):
    """An error that all readings share, averaged over in the posterior and in the evidence."""

    def fit(
        self,
        readings: Readings,
        unit_range: Any = None,
        *,
        offset: str | float = "zero",
        sigma_range: Any = None,
        model: Any = None,
    ) -> MixtureFit:
        """`fit_mixture` of all readings."""

    def weigh(
        self,
        fit: Any,
        readings: Readings,
        unit_range: tuple[float, float],
        *,
        alpha: float,
        rng: RngLike,
        **options: Any,
    ) -> LevelEvidence:
        """`weigh_evidence` of the measured readings."""

    def at_best(self, fit: Any, readings: Readings) -> Readings:
        """The measured readings with the most probable error taken off."""

    def smooth_offset(self, unit: float, offset: str | float) -> str | float:
        """The offset for a test that knows nothing of the error."""


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
        For each null.
    log_bayes_factor : float
        Natural log of the evidence of the comb over the largest evidence among the nulls.
    log_bayes_factors : dict of str to float
        The comb over each null.
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

    verdict: str
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
    alternatives: pd.DataFrame
    integers: IntArray
    integer_probabilities: pd.DataFrame
    findings: tuple[guards.Finding, ...]
    estimates: dict[str, dict[str, float]]
    band: Band
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
            f"log Bayes factor {self.log_bayes_factor:.2f}"
        )

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary with stable keys."""
        return super().to_dict() | {"readings": self.readings.to_dict()}


def analyze(
    readings: Any,
    unit_range: Any = None,
    *,
    offset: str | float = "zero",
    sigma_range: Any = None,
    model: Any = None,
    null: str = "all",
    group: Any = None,
    shift: Shift | None = None,
    alpha: float = 0.05,
    n_resamples: int = 9999,
    rng: RngLike = None,
    workers: Any = None,
    progress: Progress = False,
) -> Analysis:
    """Say whether the readings come in whole-number steps, and of what unit.

    Parameters
    ----------
    readings : Readings, Histogram, Spectrum or array_like, shape (n,)
        Counts in bins, and more than 50,000 plain readings, go to `analyze_counts`.
    unit_range : (float, float), optional
        Smallest and largest unit tried, in the readings' own unit; see `default_band`.
    offset : {"zero", "free"} or float
        Where the comb starts.
    sigma_range : float or (float, float), optional
        Known sigma, or the support of its prior.
    model : MixtureModel, optional
        Everything else that may be assumed of a run; it then also says offset and sigma. Unit,
        integers and their probabilities come from it; the tests against data without steps know
        its offset, sigma and noise only.
    null : {"all", "smooth"}
        "all" weighs the comb against every kind of data without steps; "smooth" leaves out
        levels at unequal distances, and the reasons then say so.
    group : array_like, shape (n,), optional
        Which particle, day or observer each reading is of, where several were pooled: steps that
        show in none of them by itself are then not called steps.
    shift : Shift, optional
        An error that all readings share, over which posterior and evidence are averaged; see
        `quantize.charge.Run.analyze`, which brings that of the fall.
    alpha : float
        Share of false "steps" that is accepted.
    n_resamples : int
        Resamples for the smooth null; at least 1/alpha − 1.
    rng : int, SeedSequence or Generator, optional
    workers, progress
        As in `compare_null`.

    Returns
    -------
    Analysis
        Or `CountAnalysis`, for counts and for more than 50,000 plain readings.

    Raises
    ------
    InputError
        For input that cannot be used.

    Examples
    --------
    >>> import quantize as qz
    >>> page = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
    >>> found = qz.analyze(page, (1.2, 7), n_resamples=999, rng=1)
    >>> found.verdict, found.integers.tolist()
    ('steps', [1, 2, 3, 4, 5, 7, 2, 6, 8, 3])
    """
    many = analyze_many(
        readings, unit_range, offset=offset, sigma_range=sigma_range, model=model, alpha=alpha
    )
    if many is not None:
        return many  # type: ignore[return-value]
    everything = as_readings(readings, least=3, measured=False)
    # Readings off the scale and changing ones have a likelihood in the mixture alone.
    data = as_readings(everything, least=3)
    alpha = validation.fraction("alpha", alpha)
    null = validation.choice("null", null, ("all", "smooth"))
    need_resamples(validation.count("n_resamples", n_resamples), alpha)
    if group is not None:
        labels, codes = influence.group_codes(group, len(everything))
    generator = randomness.generator(rng)
    seed = randomness.record(generator)
    if unit_range is not None:
        # A range too wide for memory or too narrow to tell is refused before anything long begins.
        given = band_for(data, unit_range)
        guards.need_telling_band(data, given.limits)
        score = periodogram(data, given, offset=offset)
    fit = fit_mixture if shift is None else shift.fit
    mixture = fit(everything, unit_range, offset=offset, sigma_range=sigma_range, model=model)
    if model is not None:
        offset, sigma_range = model.plain_offset, model.plain_sigma
    band = mixture.band
    if unit_range is None or model is not None:
        score = periodogram(data, band, offset=offset)
    comb_fit = fit_comb(data, band, offset=offset)
    smooth = compare_null(
        data,
        band,
        null="smooth",
        offset=offset if shift is None else shift.smooth_offset(mixture.unit, offset),
        n_resamples=n_resamples,
        rng=generator,
        workers=workers,
        progress=progress,
    )
    weighing: dict[str, Any] = {
        "offset": offset,
        "sigma_range": None if sigma_range is None else _pair(sigma_range),
        "noise": "constant" if model is None else model.noise,
    }
    weigh = weigh_evidence if shift is None else functools.partial(shift.weigh, mixture)
    evidence = weigh(data, band.limits, alpha=alpha, rng=generator, **weighing)
    still = data if shift is None else shift.at_best(mixture, data)
    findings: tuple[guards.Finding, ...] = (
        guards.enough_levels(mixture),
        guards.not_the_resolution(mixture),
        guards.majority_on_comb(mixture),
        guards.wide_band(band, mixture.unit),
    )
    if group is not None:
        kept = [labels[code] for code in codes[everything.measured]]
        pool = influence.only_in_the_pool(still, kept, band.limits, alpha, rng=0, **weighing)
        findings = (*findings, pool)
    if evidence.steps:
        state = influence.single_state(still, band.limits, alpha, rng=0, **weighing)
        findings = findings if state is None else (*findings, state)
    p_values = {"smooth": smooth.p_value} | (evidence.p_values if null == "all" else {})
    factors = evidence.log_bayes_factors
    judgement: Judgement = judge(
        mixture, findings, p_values, evidence, alpha=alpha, smooth_only=null == "smooth"
    )
    return Analysis(
        verdict=judgement.verdict,
        reasons=judgement.reasons,
        advice=judgement.advice,
        unit=mixture.unit,
        unit_err=mixture.unit_err,
        sigma=mixture.sigma,
        offset=mixture.offset,
        p_value=max(p_values.values()),
        p_values=p_values,
        log_bayes_factor=evidence.log_bayes_factor,
        log_bayes_factors=factors,
        alternatives=mixture.alternatives,
        integers=mixture.integers,
        integer_probabilities=mixture.integer_probabilities,
        findings=findings,
        estimates={
            "mixture over integers": {"unit": mixture.unit, "unit_err": mixture.unit_err},
            "least squares": {"unit": comb_fit.unit, "unit_err": comb_fit.unit_err},
            "periodogram": {"unit": score.unit, "unit_err": score.unit_err},
        },
        band=band,
        alpha=alpha,
        settings={
            "offset": offset,
            "sigma_range": mixture.settings["sigma_range"],
            "model": None if model is None else model.to_dict(),
            "null": null,
            "n_resamples": smooth.n_resamples,
        },
        seed=seed,
        readings=everything,
        mixture=mixture,
        comb_fit=comb_fit,
        score=score,
        smooth=smooth,
        evidence=evidence,
    )


def _pair(sigma_range: Any) -> tuple[float, float]:
    return (sigma_range, sigma_range) if np.ndim(sigma_range) == 0 else tuple(sigma_range)
