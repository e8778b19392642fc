"""Whether the multiples are counted from where they were said to begin."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.periodogram import periodogram
from quantize.model.mixture import MixtureFit, posterior_of
from quantize.null.choices import RARE
from quantize.null.evidence import LevelEvidence, NothingCanShow, level_evidence
from quantize.null.guards import Finding, finding
from quantize.null.influence import MISFIT
from quantize.null.sample import rounding_variance

_FEWEST = 4
_EXACT = 1e-9


@dataclasses.dataclass(frozen=True)
class Line:
    """The straight line through levels against their whole numbers; `p_value` is of its offset."""

    unit: float
    offset: float
    error: float
    p_value: float


def another_origin(fit: MixtureFit, evidence: LevelEvidence, alpha: float) -> Finding | None:
    """That the readings are multiples counted from elsewhere; None where they are not.

    Where they are steps, a line through them against their whole numbers is to begin where they
    were said to. Where they are not, it is looked whether they are with the offset open, if their
    phases at some unit are together at all: the Rayleigh test, over all independent units (Mardia
    and Jupp, Directional Statistics, Wiley 2000, 6.3.1).
    """
    posterior = fit.posterior
    start, data = posterior.prior.offset, fit.readings.select(fit.readings.measured)
    levels = data.levels()
    if not isinstance(start, float) or data.shift is not None or levels.mean.size < _FEWEST:
        return None
    x, rounded = levels.mean - start, float(np.mean(rounding_variance(data)))
    if evidence.steps:
        k = np.empty(x.size)
        k[levels.index] = fit.integers[fit.readings.measured]
        return begins_elsewhere(line_through(x, levels.factor, k, rounded), start)
    low, high = posterior.unit_range
    free = periodogram(x, (low, high), offset="free")
    independent = max(float(np.ptp(x)) * (1 / low - 1 / high), 1.0)
    if x.size * free.statistic**2 < np.log(independent / RARE):
        return None
    line = line_through(x, levels.factor, np.rint((x - free.offset) / free.unit), rounded)
    if line is None or line.p_value > MISFIT:
        return None
    model = dataclasses.replace(posterior.model, offset="free")
    try:
        found = level_evidence(posterior_of(model, data, posterior.unit_range), alpha=alpha)
    except NothingCanShow:
        return None
    if not found.steps or abs(found.unit / line.unit - 1) > RARE:
        return None
    return steps_from_elsewhere(line, start, found.p_value)


def line_through(
    x: FloatArray, factor: FloatArray, whole: FloatArray, rounded: float = 0.0
) -> Line | None:
    """Least squares of levels, of variances in the proportion `factor`, by their whole numbers.

    Levels of one whole number share an error of rounding, of variance `rounded`. Of the multiples
    the one nearest to zero counts as the first. None where one whole number is all that is met, or
    nothing scatters.
    """
    from scipy.special import stdtr

    weight = 1 / factor
    middle = float(np.average(whole, weights=weight))
    spread = float(weight @ np.square(whole - middle))
    if x.size < _FEWEST or spread == 0:
        return None
    unit = float(weight @ ((whole - middle) * x)) / spread
    offset = float(np.average(x, weights=weight)) - unit * middle
    degrees = x.size - 2
    scatter = float(weight @ np.square(x - offset - unit * whole)) / degrees
    if scatter <= _EXACT**2 * unit**2 * weight.max():
        return None
    first = float(np.rint(-offset / unit))
    offset, middle = offset + unit * first, middle - first
    whole = whole - first
    part = weight * (1 / weight.sum() - middle * (whole - middle) / spread)
    together = np.bincount(np.unique(whole, return_inverse=True)[1], weights=part)
    variance = scatter * float(part @ (part * factor)) + rounded * float(together @ together)
    error = float(np.sqrt(variance))
    return Line(unit, offset, error, 2 * float(stdtr(degrees, -abs(offset) / error)))


def begins_elsewhere(line: Line | None, start: float) -> Finding | None:
    """What is said of a line that does not begin at `start`; None where it does."""
    if line is None or line.p_value > MISFIT:
        return None
    return finding(
        "offset",
        "A straight line through the levels against their whole numbers begins at "
        f"{_place(line, start)}, {abs(line.offset) / line.error:.2g} standard errors from "
        f"{_said(start)}, with a unit of {line.unit:.4g}: look where they are counted from, and "
        "leave the offset open if that is not known.",
        warns=True,
    )


def steps_from_elsewhere(line: Line, start: float, p: float) -> Finding:
    """What is said where there are steps with the offset open, and only then."""
    return finding(
        "offset",
        f"Counted from {_place(line, start)} and not from {_said(start)} the levels would be steps "
        f"of {line.unit:.4g} (p = {p:.2g} with the offset open): look where they are counted from, "
        "and leave the offset open if that is not known.",
        warns=True,
    )


def _said(start: float) -> str:
    return "zero" if start == 0 else f"{start:.4g}"


def _place(line: Line, start: float) -> str:
    value = start + line.offset
    digits = 2 + max(int(np.floor(np.log10(max(abs(value) / line.error, 1.0)))), 0)
    return f"{value:.{digits}g} ± {line.error:.2g}"
