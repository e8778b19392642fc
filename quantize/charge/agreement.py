"""Whether all inputs of a bench agree on one sphere, which may be wrong, and the unit over that."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from quantize._support.results import jsonable
from quantize._support.validation import FloatArray
from quantize.charge.adjustment import Adjusted, Formulas, adjusted, mixture_quantile, scaled
from quantize.charge.apparatus import Apparatus
from quantize.charge.budgets import weight_ratio
from quantize.charge.checks import DOUBT, Check, Graded, Level, judged
from quantize.charge.entries import QUANTITIES
from quantize.charge.quantity import Quantity
from quantize.charge.stated import counted, plus_minus, stated

NAME = "all inputs agree on one sphere"
_MATTERS = 0.2  # exponent above which a difference could come from an input
_ALIKE = 0.05  # difference in chi-square below which two suspects are not distinguished
_MOST_SUSPECTS = 4
_MEASURED = ("sphere.weight", "sphere.diameter", "reticle.division")
_NO_SPREAD = 1e-9  # of the largest
_TAIL = 0.025
_FREE = 3.0  # standard deviation of the log of an input that is left free: a factor of twenty
_UNLIKELY = 1e-3  # probability below which a case is not averaged over
_BEFOREHAND = tuple(math.log(math.sqrt(2 * math.pi) * 2.5 * p) for p in (0.05, 0.01, 0.005))
"""Logs of sqrt(2 pi) times the density of gross errors per unit of the log of an input, as
`doubted` orders them: one in twenty is measured wrong, by up to 20 % either way."""
_SAFE = (
    "unit", "air.temperature", "air.pressure", "air.humidity", "viscosity formula", "site.gravity",
    "humidity formula", "slip formula", "wall drag", "image force",
)  # fmt: skip
"""What is never so far off that it makes inputs disagree beyond their uncertainties."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Suspect:
    """An input that may be wrong, and what all the others imply for it.

    Attributes
    ----------
    input, unit : str
        Its name and its SI unit.
    stated, implied, standard_uncertainty : float
        Its value as stated, as it follows from all others, and the uncertainty of that.
    chi_square : float
        Of the others without it, on one degree of freedom less.
    p_value : float
        Probability of so large a chi-square by chance; NaN where no degree of freedom is left.
    probability : float
        That it is this input which is wrong, against every other one and against chance.
    """

    input: str
    unit: str
    stated: float
    implied: float
    standard_uncertainty: float
    chi_square: float
    p_value: float
    probability: float = math.nan

    @property
    def off(self) -> float:
        """By how much the stated value is larger than the implied, relative to the implied."""
        return self.stated / self.implied - 1

    @property
    def told(self) -> str:
        """The input and by how much it would be wrong."""
        spread = self.stated / self.implied * self.standard_uncertainty / self.implied
        way = "large" if self.off > 0 else "small"
        by = plus_minus(100 * abs(self.off), 100 * spread)
        return f"the {named(self.input)}, by {by} % too {way}"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Agreement:
    """Whether all inputs agree on one sphere, and which may be wrong if they do not.

    Attributes
    ----------
    chi_square : float
        Of the stated inputs about the nearest ones that fit one sphere and one unit; NaN where
        nothing can be compared.
    degrees_of_freedom : float
        Number of independent conditions that the inputs had to fulfil.
    p_value : float
        Probability of so large a chi-square by chance; NaN where nothing can be compared.
    level : {"good", "doubt", "bad", "unknown"}
        "doubt" below a probability of 1 in 100, "bad" below 1 in 10,000, "unknown" where nothing
        can be compared.
    sentence : str
        The comparison in words, with the input that may be wrong where they disagree.
    suspects : tuple of Suspect
        Where they disagree, the inputs that alone could be wrong, the likeliest first.
    left_out : str or None
        The input that is likeliest to be wrong: without it the others agree. The joint value is
        averaged over all suspects and over chance, each with its probability.
    factor : float
        By what the uncertainties of all inputs that are compared are multiplied where they
        disagree and no single one of them is to blame; 1 otherwise.

    Examples
    --------
    >>> untested("one route alone.", 0).level
    'unknown'
    """

    chi_square: float
    degrees_of_freedom: float
    p_value: float
    level: Level
    sentence: str
    suspects: tuple[Suspect, ...] = ()
    left_out: str | None = None
    factor: float = 1.0

    @property
    def check(self) -> Check:
        """The same as a check of the run."""
        text, p = self.sentence, self.p_value
        return Check(name=NAME, level=self.level, number=self.chi_square, sentence=text, p_value=p)

    @property
    def told(self) -> str:
        """The sentence by itself, with a capital."""
        return self.sentence[0].upper() + self.sentence[1:]

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        return {f.name: jsonable(getattr(self, f.name)) for f in dataclasses.fields(self)}


def untested(sentence: str, degrees: float) -> Agreement:
    """Where nothing can be compared, and why."""
    return Agreement(
        chi_square=math.nan,
        degrees_of_freedom=degrees,
        p_value=math.nan,
        level="unknown",
        sentence=sentence,
    )


def said(
    inputs: Mapping[str, Quantity], square: float, degrees: int, p: float, suspects: list[Suspect]
) -> Agreement:
    """The chi-square in words, with what may be wrong and what becomes of the joint value."""
    exact = [n for n in _MEASURED if n in inputs and inputs[n].standard_uncertainty == 0]
    unstated = " and ".join(f"the {named(name)}" for name in exact)
    causes = [f"no uncertainty is stated for {unstated}, which may be all"] if exact else []
    blamed = bool(suspects) and degrees > 1 and suspects[0].p_value >= DOUBT
    alone = p >= DOUBT or blamed or exact
    factor = 1.0 if alone else math.sqrt(max(square / degrees, 1.0))
    check = Graded(
        NAME,
        p,
        square,
        "fitted together to one sphere and one unit of charge, the inputs have chi-square "
        f"{square:.1f} on {counted(degrees, 'degree')} of freedom (p = {p:.2g})",
        cause="; ".join([*causes, *_blame(suspects, degrees, blamed, factor)]),
    ).alone()
    return Agreement(
        chi_square=check.number,
        degrees_of_freedom=float(degrees),
        p_value=p,
        # What was taken for exact may explain it.
        level="doubt" if check.level == "bad" and exact else check.level,
        sentence=check.sentence,
        suspects=tuple(suspects[:_MOST_SUSPECTS]),
        left_out=suspects[0].input if blamed else None,
        factor=factor,
    )


def _blame(suspects: list[Suspect], degrees: int, blamed: bool, factor: float) -> list[str]:
    """The inputs that may be wrong, and what becomes of the joint value."""
    if degrees == 1 and suspects:
        listed = _or(suspects[:_MOST_SUSPECTS], ", or ")
        parts = [f"one of these alone may be wrong, and the data do not show which: {listed}"]
    elif not blamed:
        parts = ["no single input explains that"]
    else:
        first, *others = suspects
        alike = [s for s in others if s.chi_square - first.chi_square < _ALIKE]
        also = [s for s in others if s not in alike and s.p_value >= DOUBT]
        implied = stated(first.implied, first.standard_uncertainty, first.unit)[1]
        parts = [
            f"the likeliest to be wrong is {first.told}: the others agree without it "
            f"(p = {first.p_value:.2g}) and imply {implied} in place of {first.stated:.5g}; "
            f"the joint value is averaged over that ({100 * first.probability:.0f} %), all else "
            "that may be wrong, and chance"
        ]
        if alike:
            parts.append(f"the same could come from {_or(alike)}")
        if also:
            parts.append(f"less likely {_or(also[:2])}")
    if factor > 1:
        parts.append(
            "in the joint value the uncertainties of all that is compared are therefore "
            f"multiplied by the root of chi-square over its degrees of freedom, {factor:.1f}"
        )
    return parts


def _or(suspects: list[Suspect], between: str = " or ") -> str:
    return between.join(s.told for s in suspects)


def named(name: str) -> str:
    """An input in words: of a spread in the batch what goes in is where this sphere is in it."""
    if name == "sphere.diameter_spread":
        return "deviation of this diameter from the mean of its batch"
    name = {"fall": "fall.divisions"}.get(name, name)
    return QUANTITIES[name].meaning if name in QUANTITIES else name


def doubted(name: str) -> int:
    """Order in which inputs that would explain the same are doubted.

    What is measured on every bench comes first, a fall that was read again and again last.
    """
    return 0 if name in _MEASURED else 2 if name == "fall" else 1


def sphere_agreement(apparatus: Apparatus) -> Check | None:
    """Whether weight, diameter and density agree with each other; None if not all are given."""
    found = weight_ratio(apparatus)
    if found is None:
        return None
    supplied = apparatus.need("sphere.weight").value
    ratio, off = found.value, abs(found.value - 1)
    good = off <= max(2.5 * found.standard_uncertainty, 0.01)
    diameter = apparatus.need("sphere.diameter").value
    ending = (
        ", which agrees within the uncertainties."
        if good
        else f"; they differ by {100 * off:.0f} %, which goes straight into the charge, and a "
        f"diameter of {diameter * ratio ** (1 / 3) * 1e6:.3g} µm instead of "
        f"{diameter * 1e6:.3g} µm would reconcile them."
    )
    return judged(
        "weight against diameter and density",
        good,
        ratio,
        f"the weight as supplied, {supplied:.3g} N, is {ratio:.3f} times the "
        f"{supplied / ratio:.3g} N that follow from diameter and density{ending}",
    )


def suspects_of(formulas: Formulas, fitted: Adjusted) -> list[Suspect]:
    """Inputs that alone could be wrong, with what all others imply, the likeliest first."""
    from scipy.stats import chi2

    found, log_odds = [], []
    pull = fitted.misclosure @ fitted.precision
    for j, (name, q) in enumerate(formulas.inputs.items()):
        towards = fitted.slopes[:, j]
        if name in _SAFE or q.value <= 0 or np.abs(towards).max() < _MATTERS:
            continue
        weight = float(towards @ fitted.precision @ towards)
        step = -float(pull @ towards) / weight
        left = max(fitted.square - step**2 * weight, 0.0)
        # Against chance; the density of an error has about its own width 1/sqrt(weight) there.
        log_odds.append(
            (fitted.square - left) / 2 - math.log(weight) / 2 + _BEFOREHAND[doubted(name)]
        )
        rest, implied = fitted.misclosure.size - 1, q.value * math.exp(step)
        spread = math.sqrt(max(1 / weight - fitted.covariance[j, j], 0.0))
        found.append(
            Suspect(
                input=name,
                unit=q.unit,
                stated=q.value,
                implied=implied,
                standard_uncertainty=implied * spread,
                chi_square=left,
                p_value=float(chi2.sf(left, rest)) if rest else math.nan,
            )
        )
    shares = np.exp(log_odds - np.logaddexp.reduce([0.0, *log_odds])).tolist()
    found = [dataclasses.replace(s, probability=p) for s, p in zip(found, shares, strict=True)]
    return sorted(found, key=lambda s: (round(s.chi_square, 1), doubted(s.input), abs(s.off)))


def cases_of(
    formulas: Formulas, contrasts: FloatArray, fitted: Adjusted, suspects: list[Suspect]
) -> list[tuple[float, Adjusted]]:
    """Chance first, then each input that may be wrong, left free: probability and adjustment."""
    cases = [(max(1 - sum(s.probability for s in suspects), 0.0), fitted)]
    for suspect in suspects:
        if suspect.probability < _UNLIKELY and suspect is not suspects[0]:
            continue
        j = list(formulas.inputs).index(suspect.input)
        spread, free = formulas.spread.copy(), formulas.correlation.copy()
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
    from scipy.special import ndtri

    mean = float(share @ centre)
    spread = math.sqrt(float(share @ (own**2 + (centre - mean) ** 2)))
    if share.size == 1 or not own.any():
        return spread
    own = np.maximum(own, _NO_SPREAD * own.max())
    ends = [mixture_quantile(q, share, centre, own) for q in (_TAIL, 1 - _TAIL)]
    return max(spread, max(abs(end - mean) for end in ends) / -float(ndtri(_TAIL)))
