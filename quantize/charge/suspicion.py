"""Which input may be wrong where all of them do not agree, and the unit averaged over that."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.adjustment import Adjusted, Formulas, adjusted, scaled
from quantize.charge.agreement import Suspect, doubted, may_be_wrong

_TAIL = 0.025
_FREE = 3.0  # standard deviation of the log of an input that is left free: a factor of twenty
_UNLIKELY = 1e-3  # probability below which a case is not averaged over
_BEFOREHAND = tuple(math.log(math.sqrt(2 * math.pi) * 2.5 * p) for p in (0.05, 0.01, 0.005))
"""Logs of sqrt(2 pi) times the density of gross errors per unit of the log of an input, as
`doubted` orders them: one in twenty is measured wrong, by up to 20 % either way."""


def suspects_of(formulas: Formulas, fitted: Adjusted) -> list[Suspect]:
    """Inputs that alone could be wrong, with what all others imply, the likeliest first."""
    from scipy.stats import chi2

    found, log_odds = [], []
    pull = fitted.misclosure @ fitted.precision
    for j, (name, q) in enumerate(formulas.inputs.items()):
        towards = fitted.slopes[:, j]
        if not may_be_wrong(name, q, float(np.abs(towards).max())):
            continue
        weight = float(towards @ fitted.precision @ towards)
        step = -float(pull @ towards) / weight
        left = max(fitted.square - step**2 * weight, 0.0)
        # Against chance; the density of an error has about its own width 1/sqrt(weight) there.
        log_odds.append(
            (fitted.square - left) / 2 - math.log(weight) / 2 + _BEFOREHAND[doubted(name)]
        )
        rest = fitted.misclosure.size - 1
        found.append(
            Suspect(
                input=name,
                unit=q.unit,
                stated=q.value,
                implied=q.value * math.exp(step),
                standard_uncertainty=q.value
                * math.exp(step)
                * math.sqrt(max(1 / weight - fitted.covariance[j, j], 0.0)),
                chi_square=left,
                p_value=float(chi2.sf(left, rest)) if rest else math.nan,
            )
        )
    whole = np.logaddexp.reduce([0.0, *log_odds])
    found = [
        dataclasses.replace(s, probability=math.exp(x - whole))
        for s, x in zip(found, log_odds, strict=True)
    ]
    return sorted(found, key=lambda s: (round(s.chi_square, 1), doubted(s.input), abs(s.off)))


def cases_of(
    formulas: Formulas,
    contrasts: FloatArray,
    correlation: FloatArray,
    fitted: Adjusted,
    suspects: list[Suspect],
) -> list[tuple[float, Adjusted]]:
    """Chance first, then each input that may be wrong, left free: probability and adjustment."""
    cases = [(1 - sum(s.probability for s in suspects), fitted)]
    for suspect in suspects:
        if suspect.probability < _UNLIKELY and suspect is not suspects[0]:
            continue
        j = list(formulas.inputs).index(suspect.input)
        spread, free = formulas.spread.copy(), correlation.copy()
        spread[j], free[j, :], free[:, j] = _FREE, 0.0, 0.0
        free[j, j] = 1.0
        cases.append((suspect.probability, adjusted(formulas, contrasts, scaled(free, spread))))
    total = sum(p for p, _ in cases)
    return [(p / total, case) for p, case in cases]


def spread_of(share: FloatArray, centre: FloatArray, own: FloatArray) -> float:
    """Standard uncertainty that stands for a mixture of normal laws about its mean.

    Its standard deviation, or more: with a normal law the central 95 % then hold those of the
    mixture, in which a case of a few per cent may lie far out.
    """
    from scipy.optimize import brentq
    from scipy.stats import norm

    mean = float(share @ centre)
    variance = float(share @ (own**2 + (centre - mean) ** 2))
    low, high = float((centre - 9 * own).min()), float((centre + 9 * own).max())
    if low == high:
        return 0.0
    ends = [
        brentq(lambda x, q=q: float(share @ norm.cdf(x, centre, own)) - q, low, high)
        for q in (_TAIL, 1 - _TAIL)
    ]
    far = max(abs(end - mean) for end in ends) / float(norm.isf(_TAIL))
    return max(math.sqrt(variance), far)
