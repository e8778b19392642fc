"""The fixed-size evidence that a verdict rests on: comb against continuous, lumpy and heaped."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any, ClassVar

import numpy as np
from scipy.special import ndtri

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import BoolArray, FloatArray
from quantize.comb.unit_range import UnitRange
from quantize.model.averaged import AveragedPosterior
from quantize.model.mixture import posterior_of
from quantize.model.posterior import Posterior
from quantize.null import calibration
from quantize.null.choices import BEYOND, LEVELS_AT_ZERO, LEVELS_FREE, MISREAD, RARE
from quantize.null.hypotheses import NULLS, Comparison, compare
from quantize.null.partitions import widened_span
from quantize.null.sample import Sample, levers_of, sample_of
from quantize.readings import Readings

SURE = 1 - RARE
"""Probability of enough occupied teeth below which nothing counts as steps."""
_SHARE_PRIOR = 1 / MISREAD - 1
"""The prior of the share of outliers is Beta(1, 19)."""
_LEAST_WEIGHT = 1e-4
"""Values of a shared error with a smaller posterior weight are left out."""


class NothingCanShow(InputError):
    """No unit of the range is small enough to show in these readings."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LevelEvidence(Result):
    """How strongly the places of the levels favour a comb.

    Attributes
    ----------
    log_evidences : dict
        Log evidence of the comb, in log density of the readings, and for each null that which gives
        its factor in `log_bayes_factors` beside it; NaN where no comb can show and nothing is
        compared.
    log_bayes_factors : dict
        Comb over each null.
    log_bayes_factor : float
        Comb over the null that explains the readings best.
    score : float
        Log odds of the comb against the best null of every kind together, each kind with its
        weight; what the p-values are of.
    p_values : dict
        Under each named null (see `quantize.null.calibration`).
    p_value : float
        The largest of them.
    occupied_teeth : float
        Probability, given a comb, that enough teeth are occupied for a comb to show.
    least_teeth : int
        How many that is.
    unit : float
        Most probable unit.
    unit_range : UnitRange
        Units that took part, after the guard of half the span.
    levels : int
        Number of levels that were compared.
    two_units : (float, float), optional
        The two units whose sums explain the readings best.
    alpha : float
        Level of the verdict.
    steps : bool
        Whether p is at most `alpha` and enough teeth are occupied.
    """

    schema_version: ClassVar[int] = 3

    log_evidences: dict[str, float]
    log_bayes_factors: dict[str, float]
    log_bayes_factor: float
    score: float
    p_values: dict[str, float]
    p_value: float
    occupied_teeth: float
    least_teeth: int
    unit: float
    unit_range: UnitRange
    levels: int
    two_units: tuple[float, float] | None
    alpha: float
    steps: bool

    @property
    def log_bayes_factor_mixture(self) -> float:
        """Comb over an equal mixture of the kinds of null, of equal parts within each kind."""
        kinds: dict[str, list[float]] = {}
        for name, ratio in self.log_bayes_factors.items():
            kinds.setdefault(name.partition(":")[0], []).append(-ratio)
        over = [np.logaddexp.reduce(rows) - np.log(len(rows)) for rows in kinds.values()]
        return float(np.log(len(over)) - np.logaddexp.reduce(over))

    @property
    def sure_of_levels(self) -> bool:
        """Whether enough teeth are occupied with the probability that is asked for."""
        return self.occupied_teeth >= SURE

    def _headline(self) -> str:
        return (
            f"p = {self.p_value:.3g}, log Bayes factor {self.log_bayes_factor:.2f} over the "
            f"strongest null, unit {self.unit:.4g}"
        )


def level_evidence(found: Posterior, *, alpha: float = 0.05) -> LevelEvidence:
    """Compare where the levels stand under a comb and under every kind of data without steps.

    Comb and nulls have the noise, the offset and the outliers of the posterior's model. Charge
    states count as one level each; their scatter informs the noise.

    The posterior is that of at least three readings on the scale, `alpha` the level of the verdict.
    `NothingCanShow` where no unit of the range is below half the span of the readings.
    """
    if isinstance(found, AveragedPosterior):
        averaged = found.averaged
        kept = averaged.weight > _LEAST_WEIGHT
        rows = [level_evidence(averaged.found[i], alpha=alpha) for i in np.flatnonzero(kept)]
        return averaged_evidence(rows, averaged.prior[kept], found, alpha)
    data = found.readings
    if not data.measured.all():
        data = data.select(data.measured)
    plain, sample, top = _phases(found, data)
    whole = compare(plain, sample, top)
    parts = [(whole, 0.0)]
    n = int(sample.count.sum())
    outlying = _outlying(plain, sample, whole)
    m = int(outlying.sum())
    if m:
        off = log_share(n, m) - m * float(np.log(widened_span(sample.levels)))
        without = compare(*_phases(found, data.select(~outlying[data.levels().index])))
        parts = [(whole, log_share(n, 0)), (without, off)]
    comb = np.array([part.log_comb + weight for part, weight in parts])
    everything = np.array([part.log_everything + weight for part, weight in parts])
    ratios = _pooled(comb, [part.log_ratios for part, _ in parts])
    best, total = parts[int(np.argmax(everything))][0], float(np.logaddexp.reduce(everything))
    log_comb = float(np.logaddexp.reduce(comb))
    occupied = float(np.exp(log_comb - total)) if np.isfinite(total) else 0.0
    return LevelEvidence(
        log_evidences={"comb": log_comb} | {name: log_comb - r for name, r in ratios.items()},
        unit=best.unit,
        unit_range=dataclasses.replace(found.unit_range, high=top),
        levels=n,
        two_units=best.two_units,
        **_rated(ratios, n, found, alpha, occupied),
    )


def _phases(found: Posterior, data: Readings) -> tuple[Posterior, Sample, float]:
    """The posterior of the phases of some readings, their levels and the largest unit.

    It has neither outliers nor a window or an envelope.
    """
    model = dataclasses.replace(
        found.model, outliers=0.0, window=None, envelope="flat", integers="any"
    )
    same = data is found.readings and model.to_dict() == found.model.to_dict()
    plain = found if same else posterior_of(model, data, found.unit_range)
    sample = sample_of(plain)
    return plain, sample, _highest(sample, *plain.unit_range)


def nothing_shows(found: Posterior, alpha: float) -> LevelEvidence:
    """The evidence where no unit is possible: none for a comb."""
    ratios = dict.fromkeys(NULLS, -np.inf)
    return LevelEvidence(
        log_evidences={"comb": -np.inf} | dict.fromkeys(NULLS, np.nan),
        unit=found.modes[0].unit,
        unit_range=found.unit_range,
        levels=found.likelihood.states,
        two_units=None,
        **_rated(ratios, max(found.likelihood.states, 3), found, alpha, 0.0),
    )


def averaged_evidence(
    rows: Sequence[LevelEvidence], weights: FloatArray, found: Posterior, alpha: float
) -> LevelEvidence:
    """The evidence of readings that share an error, from that at several sizes of it.

    The `rows` are of the same readings, moved by each; the `weights` are the prior shares of the
    sizes. Where they sum to less than one, the comb has no evidence elsewhere; levels anywhere have
    as much there as here. Under data without steps an average of evidence ratios has the mean of a
    single one and spreads less, so that the tails of the stored table serve for it.
    """
    with np.errstate(divide="ignore"):
        log_weight = np.log(weights)
    combs = np.array([r.log_evidences["comb"] for r in rows])
    there = np.isfinite(combs)
    if not there.any():
        nothing = dict.fromkeys(rows[0].log_bayes_factors, -np.inf)
        return dataclasses.replace(rows[0], **_rated(nothing, rows[0].levels, found, alpha, 0.0))
    # Where the comb has no evidence, that without steps was not worked out.
    rows = [rows[i] for i in np.flatnonzero(there).tolist()]
    combs, log_weight = combs[there], log_weight[there]
    whole = float(np.logaddexp.reduce(log_weight))
    names = [name for name in rows[0].log_evidences if all(name in r.log_evidences for r in rows)]
    evidences = {
        name: float(np.logaddexp.reduce([r.log_evidences[name] for r in rows] + log_weight))
        - (0.0 if name == "comb" else whole)
        for name in names
    }
    ratios = {name: evidences["comb"] - evidences[name] for name in names if name != "comb"}
    posterior = np.exp(combs + log_weight - evidences["comb"])
    best = rows[int(np.argmax(posterior))]
    occupied = float(posterior @ [r.occupied_teeth for r in rows])
    return dataclasses.replace(
        best, log_evidences=evidences, **_rated(ratios, best.levels, found, alpha, occupied)
    )


def _rated(
    ratios: dict[str, float], n: int, found: Posterior, alpha: float, occupied: float
) -> dict[str, Any]:
    """Score, p-values and what they decide."""
    data, free = found.readings, found.prior.free
    known = data.sigma is not None or isinstance(found.prior.sigma, float)
    # Repeats determine the scatter, too.
    known = known or data.select(data.measured).levels().degrees > 0
    mode = calibration.mode(sigma_known=known, free=free)
    lead = calibration.score(ratios, n, mode)
    p_values = calibration.p_values(lead, n, mode)
    p_value = max(p_values.values())
    return {
        "log_bayes_factors": ratios,
        "log_bayes_factor": min(ratios.values()),
        "score": lead,
        "p_values": p_values,
        "p_value": p_value,
        "occupied_teeth": occupied,
        "least_teeth": LEVELS_FREE if free else LEVELS_AT_ZERO,
        "alpha": alpha,
        "steps": bool(p_value <= alpha and occupied >= SURE),
    }


def log_share(n: int, m: int) -> float:
    """Log prior that m given levels of n lie off every pattern: their share is Beta(1, 19)."""
    from scipy.special import betaln

    return float(betaln(1 + m, _SHARE_PRIOR + n - m) - betaln(1, _SHARE_PRIOR))


def _pooled(log_comb: FloatArray, ratios: list[dict[str, float]]) -> dict[str, float]:
    """Log Bayes factors with and without outliers: evidences are added, not ratios."""
    total = np.logaddexp.reduce(log_comb)
    out = {}
    for name in {name: None for part in ratios for name in part}:
        over = np.array([part.get(name, np.nan) for part in ratios])
        usable = np.isfinite(over) & np.isfinite(log_comb)
        null = np.logaddexp.reduce(log_comb[usable] - over[usable])
        out[name] = float(total - null) if usable.any() else -np.inf
    return out


def _outlying(found: Posterior, sample: Sample, best: Comparison) -> BoolArray:
    """Levels far from every tooth of the best unit, or far from all others, where they are few.

    Of as many normal residuals one is so far in `calibration.FLOOR` of samples.
    """
    mean, lever = found.readings.levels().mean, levers_of(found.readings)
    cycles = (mean - best.offset * lever - sample.base) / best.unit
    residual = best.unit * np.abs(cycles - np.rint(cycles))
    typical = max(1.4826 * float(np.median(residual)), sample.least_sigma)
    start, stop = np.quantile(mean, (MISREAD, 1 - MISREAD))
    beyond = np.maximum(start - mean, mean - stop) > BEYOND * (stop - start)
    farthest = -float(ndtri(calibration.FLOOR / (2 * mean.size)))
    far: BoolArray = (residual > farthest * typical) | beyond
    return far if far.sum() <= 2 * MISREAD * far.size else np.zeros(far.size, dtype=bool)


def _highest(sample: Sample, low: float, high: float) -> float:
    """Largest unit that can show: half the span of the values and two of their errors."""
    top = min(high, 0.5 * (float(np.ptp(sample.levels)) + 2 * sample.least_sigma))
    if top <= low * (1 + 1e-9):
        raise NothingCanShow(
            f"`unit_range` starts at {low:.4g}, but no unit above {top:.4g} (half the span of the "
            "readings) can show; lower the range or take readings that spread wider."
        )
    return top
