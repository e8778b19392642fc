"""From evidence and guards to a verdict of three values with reasons, for readings and counts."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import Final

import numpy as np

from quantize.comb.unit_range import UnitRange
from quantize.counts.fit import CountFit
from quantize.model.mixture import MixtureFit, fit_posterior
from quantize.model.model import MixtureModel
from quantize.null import guards, influence
from quantize.null.allowed_units import allowed_units, if_read_finer, worth_saying
from quantize.null.calibration import FLOOR, chance, least_by_kind, odds, share
from quantize.null.count_rivals import Rivals
from quantize.null.evidence import LevelEvidence, NothingCanShow, level_evidence, nothing_shows
from quantize.null.exclusion import AGAINST, HIDDEN, Limit, excluded_units
from quantize.null.guards import Finding
from quantize.null.power import SIMULATED, power_of, readings_needed
from quantize.readings import Readings

KINDS = {
    "smooth": "the readings, each moved by chance",
    "continuous": "values of any size",
    "lumpy": "clusters at unequal distances",
    "mixed": "clusters and values between them",
    "unequal": "clusters of unequal widths",
    "mirrored": "clusters and their mirror images",
    "heaped": "values of any size, some rounded",
    "sums": "sums of two units",
    "small sums": "sums of two units, few of each",
    "differences": "sums and differences of two units",
    "own": "the null handed in",
}
"""What samples without steps are made of, in words."""
_TWO_UNITS = ("sums", "small sums", "differences")

STEPS: Final = "steps"
NO_STEPS: Final = "no steps"
CANNOT_TELL: Final = "cannot tell"
_SURE_OF_UNIT = 0.9
"""A unit with a smaller share is less sure than the steps, and the reasons say so."""
_FEW_DEGREES = 5
"""Degrees of freedom below which the scatter within states is not well known."""
_MOST_OF_THE_RANGE = 0.8
"""Part of the range that counts must exclude before they show no steps ..."""
_FEWEST_FOR_NO = 4000
"""... readings that they must hold ..."""
_SEEN_COUNTS = 200
"""... and readings in a level that would have stood out."""
_OPEN = {
    "offset": 'Where zero is not known, `offset="free"` finds it together with the unit.',
    "scatter": "Repeats of each state determine the scatter without any assumption about steps.",
    "integers": "Without `integers` whole numbers of any size are tried.",
    "labels": "Readings of one state scatter about one size; one that does not is of another.",
}
"""Advice where one thing that was said stands in the way of steps."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Assessment:
    """The mixture of a sample, the evidence of its levels, and what each guard found."""

    mixture: MixtureFit
    evidence: LevelEvidence
    findings: tuple[Finding, ...]

    @property
    def blocked(self) -> bool:
        """Whether a guard stands in the way of "steps"."""
        return any(finding.blocks for finding in self.findings)


def assess(
    data: Readings, unit_range: UnitRange, model: MixtureModel, *, alpha: float = 0.05
) -> Assessment:
    """Fit the mixture and hold its levels against data without steps.

    Both over the units of the range at which every reading can have a whole number that the model
    allows.
    """
    allowed = allowed_units(unit_range, model, data)
    mixture = fit_posterior(data, unit_range if allowed is None else allowed, model)
    evidence = None
    if allowed is not None:
        try:
            evidence = level_evidence(mixture.posterior, alpha=alpha)
        except NothingCanShow:
            if allowed is unit_range:
                raise
    impossible = evidence is None
    if evidence is None:
        evidence = nothing_shows(mixture.posterior, alpha)
    found = guards.findings_on_readings(mixture, unit_range, evidence.occupied_teeth, alpha=alpha)
    # Where most readings fit no comb, a few that fit it least are nothing to look at.
    scattered = any(f.name == "majority" and f.blocks for f in found)
    single = () if scattered else (influence.misfits(mixture), influence.lone_reading(mixture))
    found = (*(one for one in single if one is not None), *found)
    if impossible:
        found = (guards.no_whole_number(unit_range, model.integers), *found)
    return Assessment(mixture=mixture, evidence=evidence, findings=found)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Judgement:
    """The verdict with its reasons and, where it is open, what would settle it.

    `no_unit_above` is the unit from which on all are excluded, where any are.
    """

    verdict: str
    reasons: tuple[str, ...]
    advice: tuple[str, ...] = ()
    no_unit_above: float | None = None


def judge(
    mixture: MixtureFit,
    findings: Sequence[Finding],
    p_values: Mapping[str, float],
    evidence: LevelEvidence,
    *,
    alpha: float,
    smooth_only: bool,
    excluded: Callable[[MixtureFit], Limit | None] = excluded_units,
) -> Judgement:
    """Bring p-values, evidence and guards to one verdict.

    Which units are excluded is asked only where that may decide.
    """
    worst = max(p_values, key=lambda name: p_values[name])
    p = p_values[worst]
    far = [finding.sentence for finding in findings if finding.name == "far"]
    blocked = [finding.sentence for finding in findings if finding.blocks]
    remarks = [f.sentence for f in findings if not f.blocks and f.name != "far"]
    if p <= alpha and not blocked:
        reasons = [*far, _odds_message(p, worst, evidence), *remarks]
        if evidence.log_bayes_factor < 0:
            reasons.insert(len(far) + 1, _thin_message(evidence.log_bayes_factor))
        reasons += _nearly_two_units_message(evidence, mixture.posterior.known_sigma)
        if smooth_only:
            reasons.append(
                "Only smooth distributions were set against the steps; clusters at unequal "
                "distances were left out on request and could look the same."
            )
        held = float(mixture.alternatives["share"].iloc[0])
        if held < _SURE_OF_UNIT:
            reasons.append(
                f"The size of the unit is less sure than the steps: {share(held)} for the "
                "best one, the rest for its rivals."
            )
        return Judgement(verdict=STEPS, reasons=tuple(reasons), advice=_mend(far))
    undecided = any(finding.name in ("repeats", *_OPEN) for finding in findings)
    decided = p <= alpha or evidence.log_bayes_factor >= 0 or undecided
    limit = None if decided else excluded(mixture)
    if limit is not None and limit.decides and not far:
        reasons = [*_excluded_messages(limit), *remarks[-1:]]
        return Judgement(verdict=NO_STEPS, reasons=tuple(reasons), no_unit_above=limit.low)
    reasons = list(far)
    if p > alpha and not any(f.name == "integers" for f in findings):
        reasons.append(_not_enough_message(p, alpha, worst))
        reasons += _two_units_message(evidence)
    if limit is not None:
        reasons.append(_limit_message(limit))
    reasons += blocked
    reasons += [f.sentence for f in findings if f.warns and not f.blocks and f.name != "far"]
    advice = _opened(findings) or _advice(mixture, evidence, alpha)
    return Judgement(
        verdict=CANNOT_TELL,
        reasons=tuple(reasons),
        advice=(*_mend(far), *advice),
        no_unit_above=None if limit is None else limit.low,
    )


def judge_counts(
    fit: CountFit,
    findings: Sequence[Finding],
    p: float,
    rivals: Rivals,
    *,
    alpha: float,
    excluded: float,
) -> Judgement:
    """Bring p-value and guards of counts to one verdict; `excluded` is a part of the range."""
    blocked = [f.sentence for f in findings if f.blocks]
    if p <= alpha and not blocked:
        remarks = (f.sentence for f in findings if not f.blocks)
        reason = (
            "Levels placed anywhere stand as near to equal distances with a chance of at most "
            f"{p:.2g}, by an analytic bound that counts every unit of the range."
        )
        return Judgement(verdict=STEPS, reasons=(reason, *remarks))
    reasons = list(blocked)
    if p > alpha and rivals.spacing.levels >= 3:
        as_near = (
            "Levels placed anywhere stand as near to equal distances with a chance of up to "
            f"{p:.2g}; the limit set beforehand is {alpha:g}."
        )
        reasons.insert(0, as_near)
    opened = _opened(findings)
    many = fit.total >= _FEWEST_FOR_NO and not opened
    if excluded >= _MOST_OF_THE_RANGE and many and p > alpha:
        part = max(100 * _SEEN_COUNTS / fit.total, 0.1)
        reasons = [
            f"No unit in {100 * excluded:.0f} % of the range tried fits what stands out of "
            f"the counts; levels that hold {part:.2g} % of the readings or more, with a "
            "scatter below a quarter of the unit, would have stood out.",
            "A unit below four times the scatter of a level could still hide.",
            *reasons,
        ]
        return Judgement(verdict=NO_STEPS, reasons=tuple(reasons))
    reasons += [f.sentence for f in findings if f.name == "offset"]
    advice = opened or _advice_on_counts(fit, rivals, excluded)
    return Judgement(verdict=CANNOT_TELL, reasons=tuple(reasons), advice=advice)


def _opened(findings: Sequence[Finding]) -> tuple[str, ...]:
    return tuple(_OPEN[f.name] for f in findings if f.name in _OPEN)


def _advice_on_counts(fit: CountFit, rivals: Rivals, excluded: float) -> tuple[str, ...]:
    advice = [
        "Levels show when their scatter is below a third of the unit: reduce the noise, or take "
        "readings over a wider range of sizes."
        if rivals.spacing.levels < 3
        else "More levels settle it, not more readings of the same ones: widen the range of sizes."
    ]
    if excluded < _MOST_OF_THE_RANGE and fit.unit_range.low < HIDDEN * rivals.narrowest:
        advice.append(
            "The scatter of a reading, known from elsewhere (`sigma_range`), or a range of units "
            "that begins at four times the scatter, lets the counts exclude units."
        )
    if fit.total < _FEWEST_FOR_NO:
        advice.append("Take more readings; with a few thousand, weak levels stand out.")
    return tuple(advice)


def _odds_message(p: float, worst: str, evidence: LevelEvidence) -> str:
    """How rare it is; below the smallest p-value that is claimed, which kind would do best."""
    none = "Of the simulated families without steps that set the limit, none looks this regular"
    if worst == "smooth" or p > 1.001 * FLOOR:
        return f"{none} in more than {chance(p)}; nearest come {KINDS.get(worst, worst)}."
    nearest, lead = _nearest(evidence)
    return (
        f"{none} once in {round(1 / FLOOR):,} samples. The best explanation without steps would be "
        f"{KINDS.get(nearest, nearest)}; whole-number steps explain the readings {_times(lead)} "
        "times as well."
    )


def _nearest(evidence: LevelEvidence) -> tuple[str, float]:
    """The kind without steps that explains the readings best, and the log odds against it."""
    least = least_by_kind(evidence.log_bayes_factors)
    kind = min(least, key=lambda name: least[name])
    return kind, least[kind]


def _two_units_message(evidence: LevelEvidence) -> list[str]:
    kind, lead = _nearest(evidence)
    if kind not in _TWO_UNITS or evidence.two_units is None:
        return []
    return [f"{_two_units_compared(evidence.two_units, kind, lead)}."]


def _nearly_two_units_message(evidence: LevelEvidence, sigma: float | None) -> list[str]:
    """Where the verdict is "steps", and sums of two units are not far behind."""
    least = least_by_kind(evidence.log_bayes_factors)
    lead, kind = min((least.get(kind, np.inf), kind) for kind in _TWO_UNITS)
    if lead > AGAINST or evidence.two_units is None:
        return []
    compared = _two_units_compared(evidence.two_units, kind, lead)
    if sigma is not None:
        return [f"{compared}."]
    return [
        f"{compared}; two units in a nearly simple ratio look like one with a larger scatter, "
        "and a scatter known from repeats distinguishes them."
    ]


def _two_units_compared(units: tuple[float, float], kind: str, lead: float) -> str:
    even = odds(lead) == "about even"
    compared = "better than" if lead < 0 else "less well than"
    how = "as well as" if even else f"{_times(abs(lead))} times {compared}"
    (one, other), what = units, KINDS[kind].partition(",")[0].capitalize()
    return (
        f"{what}, about {one:.3g} and {other:.3g}, each taken up to four times, explain "
        f"the readings {how} whole-number steps of one unit"
    )


def _times(log_odds: float) -> str:
    return odds(log_odds).removesuffix(" to 1")


def _thin_message(log_bayes_factor: float) -> str:
    said = odds(-log_bayes_factor)
    return (
        "The evidence is thin: the verdict rests on how rarely chance looks this regular. Set "
        "against the best of all explanations without steps, picked after the readings were seen, "
        "with every unit and scatter in the range taken as equally likely beforehand, the odds are "
        f"{said if said == 'about even' else f'{said} against steps'}."
    )


def _not_enough_message(p: float, alpha: float, worst: str) -> str:
    return (
        f"Data without steps ({KINDS.get(worst, worst)}) look this regular in {_per_cent(p)} of "
        f"all samples; the limit set beforehand is {_per_cent(alpha)}."
    )


def _excluded_messages(limit: Limit) -> list[str]:
    return [
        "From these readings the odds are at least 20 to 1 against every unit from "
        f"{limit.low:.4g} to {limit.high:.4g}, each by itself and set against values of any size, "
        f"{_allowed(limit)}",
        f"A unit smaller than {limit.low:.4g} could hide in the scatter or was not tried.",
    ]


def _limit_message(limit: Limit) -> str:
    return (
        f"No unit above {limit.low:.4g}: against every one from there to {limit.high:.4g}, each by "
        f"itself, the odds are at least 20 to 1, set against values of any size {_allowed(limit)}"
    )


def _allowed(limit: Limit) -> str:
    sigma = f"{limit.sigma:.3g}"
    return (
        f"with the known scatter of {f'a mean, {sigma},' if limit.of_means else sigma} or up to "
        "twice as much. One misread reading in twenty and a drift of the scale by 1 % are allowed "
        "for."
    )


def _mend(far: Sequence[str]) -> tuple[str, ...]:
    if not far:
        return ()
    return (
        "First settle the reading that lies far from the others: correct or discard it if it was "
        "misread, and otherwise allow for outliers in the model.",
    )


def _advice(mixture: MixtureFit, evidence: LevelEvidence, alpha: float) -> tuple[str, ...]:
    levels = mixture.readings.select(mixture.readings.measured).levels()
    repeats = int(np.median(levels.count))
    spread = float(mixture.posterior.centre.sigma[0]) * np.median(np.sqrt(levels.factor * repeats))
    design = (spread / mixture.unit, repeats, alpha)
    at_hand = levels.mean.size * repeats
    needed = readings_needed(*design, without=at_hand)
    enough = 1 - power_of(at_hand, *design) <= alpha
    against = evidence.log_bayes_factor < -AGAINST
    advice = if_read_finer(mixture.readings)
    if enough and not (evidence.sure_of_levels or against):
        advice.append(
            "Readings on more different levels would settle it: change the charge further "
            "between readings."
        )
    # What readings speak against, a few more of them would not settle in favour.
    elif enough or needed is None or against:
        advice.append(
            "Less scatter helps more than more readings: repeat each state, time longer, or time "
            "automatically."
        )
    else:
        more = max(needed // repeats - levels.mean.size, 1)
        what = "reading" if mixture.readings.state is None else "charge state"
        advice.append(
            f"If the unit is near {mixture.unit:.3g}, about {more} more {what}{'s' * (more > 1)} "
            f"of this quality would settle it in four cases out of five. {SIMULATED}"
        )
    whole = worth_saying(mixture)
    if whole is not None:
        advice.append(whole)
    if levels.degrees < _FEW_DEGREES and not levels.sigma_given:
        advice.append(
            "Reading each state twice determines the scatter without any assumption about steps."
        )
    return tuple(advice)


def _per_cent(p: float) -> str:
    if p < 0.001:
        return "less than 0.1 %"
    if p > 0.999:
        return "more than 99.9 %"
    return f"{100 * p:.{3 if p >= 0.995 else 2}g} %"
