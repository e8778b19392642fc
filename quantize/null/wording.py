"""From numbers to a verdict of three values, in sentences a sceptical colleague would sign."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np

from quantize.comb.mixture import MixtureFit
from quantize.null.guards import Finding
from quantize.null.power import readings_needed, smallest_shown
from quantize.readings import Readings

KINDS = {
    "smooth": "the readings themselves, smeared out",
    "continuous": "values of any size",
    "lumpy": "clusters at unequal distances",
    "mixed": "clusters and values between them",
    "unequal": "clusters of unequal widths",
    "heaped": "a minority on round values",
    "own": "the null handed in",
}
"""What pages without steps are made of, in words."""

STEPS, NO_STEPS, CANNOT_TELL = "steps", "no steps", "cannot tell"
_EXCLUDED = -math.log(20)
_DOMINANT = 0.5
_MOST_OF_THE_BAND = 0.8
"""Part of the band, in log unit, that must be excluded before the verdict is "no steps"."""


class Evidence(Protocol):
    """What is read of the level evidence."""

    @property
    def log_bayes_factor(self) -> float: ...
    @property
    def log_bayes_factors(self) -> Mapping[str, float]: ...


@dataclasses.dataclass(frozen=True, kw_only=True)
class Judgement:
    """The verdict with its reasons and, where it is open, what would settle it."""

    verdict: str
    reasons: tuple[str, ...]
    advice: tuple[str, ...]


def judge(
    mixture: MixtureFit,
    findings: Sequence[Finding],
    p_values: Mapping[str, float],
    evidence: Evidence,
    *,
    alpha: float,
    smooth_only: bool,
) -> Judgement:
    """Bring p-values, evidence and guards to one verdict."""
    worst = max(p_values, key=lambda name: p_values[name])
    p = p_values[worst]
    blocked = [finding.sentence for finding in findings if finding.blocks]
    remarks = [finding.sentence for finding in findings if not finding.blocks]
    if p <= alpha and not blocked:
        reasons = [_odds_sentence(p, alpha, worst), *remarks]
        if evidence.log_bayes_factor < 0:
            reasons.insert(1, _thin_sentence(evidence.log_bayes_factor))
        if smooth_only:
            reasons.append(
                "Only smooth distributions were set against the steps; clusters at unequal "
                "distances were left out on request and could look the same."
            )
        share = float(mixture.alternatives["share"].iloc[0])
        if share < 0.9:
            reasons.append(
                f"The size of the unit is less sure than the steps: {_per_cent(share)} for the "
                "best one, the rest for its rivals."
            )
        return Judgement(verdict=STEPS, reasons=tuple(reasons), advice=())
    excluded = _excluded_down_to(mixture)
    against: tuple[str, ...] = ()
    if p > alpha and excluded is not None and evidence.log_bayes_factor < 0:
        against = (
            f"Readings as good as these show a unit of {excluded:.3g} or more in four cases "
            "out of five, if there is one; these readings speak at least 20 to 1 against any "
            "such unit in the range tried.",
            f"A unit smaller than {excluded:.3g} could hide in the scatter.",
        )
        band = mixture.band
        covered = math.log(band.high / excluded) / math.log(band.factor)
        if covered >= _MOST_OF_THE_BAND:
            return Judgement(verdict=NO_STEPS, reasons=(*against, *remarks[-1:]), advice=())
    reasons = [*against, *blocked]
    if p > alpha:
        reasons.insert(0, _not_enough_sentence(p, alpha, worst))
    return Judgement(
        verdict=CANNOT_TELL,
        reasons=tuple(reasons + [f.sentence for f in findings if f.warns and not f.blocks]),
        advice=_advice(mixture),
    )


def _odds_sentence(p: float, alpha: float, worst: str) -> str:
    return (
        f"Data without steps look this regular at most once in about {_round_down(1 / p)} pages, "
        f"even of the kind that comes nearest ({KINDS.get(worst, worst)})."
    )


def _thin_sentence(log_bayes_factor: float) -> str:
    odds = math.exp(min(-log_bayes_factor, 700.0))
    return (
        "The evidence is thin: the verdict rests on how rarely chance looks this regular. Weighed "
        "against the best explanation without steps, with every unit and scatter in the range "
        f"taken as equally likely beforehand, the odds are still {odds:.2g} to 1 against steps."
    )


def _not_enough_sentence(p: float, alpha: float, worst: str) -> str:
    return (
        f"Data without steps ({KINDS.get(worst, worst)}) look this regular in {_per_cent(p)} of "
        f"all pages; the limit set beforehand is {_per_cent(alpha)}."
    )


def _excluded_down_to(mixture: MixtureFit) -> float | None:
    """Smallest unit that these readings would have shown and that they speak against, or None.

    It needs a sigma known from outside or from repeats; otherwise only unit/sigma is bounded.
    """
    sigma = known_sigma(mixture.readings, mixture)
    if sigma is None:
        return None
    levels = mixture.problem.levels
    least = smallest_shown(sigma, levels.mean.size)
    if least is None or least >= mixture.band.high:
        return None
    least = max(least, mixture.band.low)
    # Evidence of the comb, given that the unit is at least `least`.
    nodes = mixture.nodes
    inside = nodes.log_unit >= math.log(least)
    part = math.log(mixture.band.high / least) / math.log(mixture.band.factor)
    mass = float(np.logaddexp.reduce(nodes.log_mass[inside])) if inside.any() else -math.inf
    return least if mass - math.log(part) < _EXCLUDED else None


def known_sigma(readings: Readings, mixture: MixtureFit) -> float | None:
    """Sigma of a level mean, where it is known otherwise than through the comb."""
    levels = mixture.problem.levels
    typical = float(np.median(np.sqrt(levels.factor)))
    if levels.sigma_given:
        return typical
    if mixture.problem.sigma_known:
        return mixture.problem.sigma_low * typical
    if levels.degrees >= 5:
        return math.sqrt(levels.scatter / levels.degrees) * typical
    return None


def _advice(mixture: MixtureFit) -> tuple[str, ...]:
    n = mixture.problem.levels.mean.size
    spread = mixture.sigma * float(np.median(np.sqrt(mixture.problem.levels.factor)))
    if mixture.problem.levels.sigma_given:
        spread = float(np.median(np.sqrt(mixture.problem.levels.factor)))
    ratio = spread / mixture.unit
    share = float(mixture.alternatives["share"].iloc[0])
    advice = []
    needed = readings_needed(ratio)
    if share > _DOMINANT and needed is not None:
        more = needed - n
        if more > 0:
            advice.append(
                f"If the unit is near {mixture.unit:.3g}, about {more} more readings of this "
                "quality would settle it in four cases out of five."
            )
        else:
            advice.append(
                "Readings on more different levels would settle it: change the charge further "
                "between readings."
            )
    else:
        advice.append(
            "Less scatter helps more than more readings: repeat each state, time longer, or time "
            "automatically."
        )
    if mixture.problem.levels.degrees < 5 and not mixture.problem.levels.sigma_given:
        advice.append(
            "Reading each state twice tells the scatter without any assumption about steps; that "
            "is the largest single gain."
        )
    return tuple(advice)


def _per_cent(p: float) -> str:
    if p < 0.001:
        return "less than 0.1 %"
    if p > 0.999:
        return "more than 99.9 %"
    return f"{100 * p:.{3 if p >= 0.995 else 2}g} %"


def _round_down(value: float) -> int:
    """Two leading digits, rounded down."""
    if value < 100:
        return int(value)
    scale = 10 ** (int(math.log10(value)) - 1)
    return int(int(value // scale) * scale)
