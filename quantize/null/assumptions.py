"""Whether something that was said of the readings is not so: zero, sigma, states, whole numbers.

Where steps show, what they say themselves is held against what was said. Where none do, it is
looked whether they would with one of these left open.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from quantize._support.errors import InputError, listed
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.periodogram import periodogram
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.model.mixture import MixtureFit, posterior_of
from quantize.null.allowed_units import beyond, in_words
from quantize.null.bounds import p_value_bound
from quantize.null.evidence import LevelEvidence, level_evidence
from quantize.null.guards import Finding, finding
from quantize.null.influence import MISFIT
from quantize.null.sample import rounding_variance
from quantize.readings import Readings

_FEWEST = 4
_EXACT = 1e-9
_TERMS = 9


@dataclasses.dataclass(frozen=True)
class Line:
    """The straight line through levels against their whole numbers; `p_value` is of its offset."""

    unit: float
    offset: float
    error: float
    p_value: float


def doubtful_assumptions(
    fit: MixtureFit, evidence: LevelEvidence, alpha: float
) -> tuple[Finding, ...]:
    """What was said and does not fit the readings, one finding each; none of a shared error."""
    data = fit.readings.select(fit.readings.measured)
    other = _other_numbers(fit, data, evidence.unit) if evidence.steps else None
    if other is not None or data.shift is not None or data.levels().mean.size < _FEWEST:
        return () if other is None else (other,)
    if evidence.steps:
        found = _of_steps(fit, data)
    else:
        found = (_from_elsewhere(fit, data, alpha), *_opened(fit, data, alpha))
    return tuple(one for one in found if one is not None)


def _of_steps(fit: MixtureFit, data: Readings) -> tuple[Finding | None, ...]:
    """A line through the levels begins at the offset, and they scatter about it by sigma."""
    start, levels, line = fit.posterior.prior.offset, data.levels(), None
    if isinstance(start, float):
        k = np.empty(levels.mean.size)
        k[levels.index] = fit.integers[fit.readings.measured]
        rounded = float(np.mean(rounding_variance(data)))
        through = line_through(levels.mean - start, levels.factor, k, rounded)
        line = begins_elsewhere(through, start)
    about = _scatter_about_multiples(fit, data, fit.unit)
    scatter = about and finding(
        "scatter",
        f"The levels scatter about their multiples {about}: look whether it is right; left out, "
        "it is determined with the unit.",
        warns=True,
    )
    return line, scatter or None


def _other_numbers(fit: MixtureFit, data: Readings, unit: float) -> Finding | None:
    """Whether the steps, of this unit, have readings far beyond the whole numbers that were said.

    The readings must also be explained better without what was said.
    """
    model, levels = fit.model, data.levels()
    if model.integers == "any" or model.noise != "constant":
        return None
    x, k = _places(fit, levels.mean, unit)
    found = beyond(x / unit, k, model, free=fit.posterior.prior.free)
    if found is None:
        return None
    opened = posterior_of(dataclasses.replace(model, integers="any"), data, fit.unit_range)
    said = fit.log_evidence_continuum + fit.log_bayes_factor
    if opened.log_continuum + opened.log_bayes_factor - said < -math.log(MISFIT):
        return None
    return finding(
        "integers",
        f"The steps that show are of {unit:.4g}, at which {levels.mean[found[0]]:.6g} is "
        f"{found[1]}, and {in_words(model.integers)} was said of every reading: look "
        "whether that was rightly said, and whether that one was misread.",
        blocks=True,
    )


def _scatter_about_multiples(fit: MixtureFit, data: Readings, unit: float) -> str | None:
    """How the levels scatter about multiples of a unit, where that is not by the sigma given."""
    from scipy.special import chdtr, chdtrc

    sigma, levels = fit.posterior.prior.sigma, data.levels()
    plain = fit.model.noise == "constant" and fit.model.outliers == 0.0
    if not plain or not isinstance(sigma, float):
        return None
    x, k = _places(fit, levels.mean, unit)
    error = sigma**2 * levels.factor
    error = error + levels.averages(rounding_variance(data))
    degrees = x.size - (2 if fit.posterior.prior.free else 1)
    unit = float((k / error) @ x) / max(float((k / error) @ k), 1e-300)
    square = float(np.sum(np.square(x - unit * k) / error))
    expected = float(np.mean(_to_nearest(error / unit**2)))
    p = 2 * min(float(chdtr(degrees, square / expected)), float(chdtrc(degrees, square)))
    if p > MISFIT:
        return None
    return (
        f"{np.sqrt(square / degrees):.2g} times as much as the sigma given says (chi-square "
        f"{square:.3g} on {degrees} degrees of freedom, p = {p:.1g})"
    )


def _places(fit: MixtureFit, x: FloatArray, unit: float) -> tuple[FloatArray, FloatArray]:
    """Distances from the offset (from the mean phase where it is open), and nearest multiples."""
    start = fit.posterior.prior.offset
    if not isinstance(start, float):
        start = unit * float(np.angle(np.mean(np.exp(2j * np.pi * x / unit)))) / (2 * np.pi)
    return x - start, np.rint((x - start) / unit)


def _to_nearest(variance: FloatArray) -> FloatArray:
    """Mean square of the distance of normal errors from the nearest multiple, over the variance.

    From the Fourier series of the squared distance; the variance is in squared units.
    """
    m = np.arange(1, _TERMS + 1)
    waves = (-1.0) ** m / (np.pi * m) ** 2 * np.exp(-2 * (np.pi * m) ** 2 * variance[:, None])
    return np.asarray(np.minimum((1 / 12 + waves.sum(axis=1)) / variance, 1.0))


def _from_elsewhere(fit: MixtureFit, data: Readings, alpha: float) -> Finding | None:
    """Whether there are steps with the offset open, whose line does not begin where it was said."""
    start, levels = fit.posterior.prior.offset, data.levels()
    if not isinstance(start, float):
        return None
    x, (low, high) = levels.mean - start, fit.posterior.unit_range
    free = periodogram(x, (low, high), offset="free")
    if p_value_bound(free.statistic, x, (low, high), offset="free") > alpha:
        return None
    k, rounded = np.rint((x - free.offset) / free.unit), float(np.mean(rounding_variance(data)))
    line = line_through(x, levels.factor, k, rounded)
    if line is None or line.p_value > MISFIT:
        return None
    found = _with(fit, data, alpha, fit.unit_range, offset="free")
    if found is None or abs(found.unit / line.unit - 1) > alpha:
        return None
    return steps_from_elsewhere(line, start, found.p_value)


def _opened(fit: MixtureFit, data: Readings, alpha: float) -> tuple[Finding | None, ...]:
    """Whether there are steps with sigma open, or with every reading a level of its own."""
    given = data.sigma is not None or isinstance(fit.posterior.prior.sigma, float)
    scatter = _without_sigma(fit, data.replace(sigma=None), data, alpha) if given else None
    if data.state is None or not _together(fit, data, fit.unit_range, alpha):
        return (scatter,)
    return scatter, _without_states(fit, data, data.state, alpha)


def _together(fit: MixtureFit, data: Readings, units: UnitRange, alpha: float) -> bool:
    """Whether phases at some unit are together more than those of any sizes would be."""
    start, data = fit.model.plain_offset, data.replace(state=None)
    score = periodogram(data, units, offset=start).statistic
    return p_value_bound(score, data, units, offset=start) <= alpha


def _without_sigma(
    fit: MixtureFit, opened: Readings, data: Readings, alpha: float
) -> Finding | None:
    # A range that was chosen begins above the sigma given.
    units = unit_range_for(opened) if fit.unit_range.chosen else fit.unit_range
    if not _together(fit, opened, units, alpha):
        return None
    found = _with(fit, opened, alpha, units, sigma=None)
    about = found and _scatter_about_multiples(fit, data, found.unit)
    if found is None or not about:
        return None
    return finding(
        "scatter",
        f"With sigma left out the levels would be steps of {found.unit:.4g} (p = "
        f"{found.p_value:.2g}), about which they scatter {about}: look whether it is right.",
        warns=True,
    )


def _without_states(
    fit: MixtureFit, data: Readings, state: IntArray, alpha: float
) -> Finding | None:
    found = _with(fit, data.replace(state=None), alpha, fit.unit_range)
    k = _places(fit, data.values, found.unit)[1] if found else np.zeros(len(data))
    mixed = [name for j, name in enumerate(data.state_labels) if np.ptp(k[state == j]) > 0]
    if found is None or not mixed:
        return None
    return finding(
        "labels",
        "Taken one by one, without their states, the readings would be steps of "
        f"{found.unit:.4g} (p = {found.p_value:.2g}), and those of state {listed(mixed)} on more "
        "than one multiple: look whether each is of one state.",
        warns=True,
    )


def _with(
    fit: MixtureFit, data: Readings, alpha: float, units: UnitRange, **changes: Any
) -> LevelEvidence | None:
    """The evidence with another assumption; None where that, too, shows no steps."""
    model = dataclasses.replace(fit.model, **changes)
    try:
        found = level_evidence(posterior_of(model, data, units), alpha=alpha)
    except InputError:
        return None
    return found if found.steps else None


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
