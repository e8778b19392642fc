"""Guards: ways in which readings can look like steps and prove nothing.

Each guard returns a `Finding`: whether it stands in the way of "steps", and one sentence.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize.comb.unit_range import UnitRange
from quantize.counts.counted import Counted
from quantize.counts.fit import CountFit
from quantize.levels import levels_of
from quantize.model.mixture import MixtureFit
from quantize.null.allowed_units import in_words
from quantize.null.calibration import share
from quantize.null.choices import LEVELS_AT_ZERO, LEVELS_FREE
from quantize.null.count_rivals import Rivals
from quantize.null.evidence import SURE
from quantize.null.occupancy import seat
from quantize.null.sample import rounding_variance
from quantize.readings import Readings

LEVELS_NEEDED = {"fixed": LEVELS_AT_ZERO, "free": LEVELS_FREE}
"""Fewest occupied levels: non-zero sizes with the offset known, any levels with it free."""
_NARROW_RANGE = 3.0
"""A range whose ends differ by a smaller factor may have been narrowed round the answer."""
_LEAST_IN_STEPS, _LEAST_IN_SIGMAS, _MOST_UNITS = 2, 3, 400
"""The smallest unit that can show: so many recording steps, or sigmas, or so many in the span."""
_DRAWS = 500
"""Draws of the whole numbers from the best mode."""
_NEAR_THE_STEP = 0.02
"""A unit this near the recording step, relative to it, is that step whatever its error."""
_FEW_STEPS = 12
"""A unit of a whole number of recording steps, fewer than this, comes with a warning."""
_EXACT = 1e-6
"""Readings within so small a part of the unit of its multiples have no scatter."""
_BENT = 5.0
"""Counted levels that depart from equal distances by more standard deviations bend visibly."""
_ODD_SHAPE = 1.5
"""Chi-square for each degree of freedom above which counted levels are not quite normal."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Finding:
    """What one guard found.

    `blocks` is True when the verdict cannot be "steps"; `sentence` says why, or what was checked;
    `warns` marks a sentence that the reader should see although it does not block.
    """

    name: str
    blocks: bool
    warns: bool
    sentence: str


def finding(name: str, sentence: str, *, blocks: bool = False, warns: bool = False) -> Finding:
    """What stands in the way of "steps" should be read as well."""
    return Finding(name=name, blocks=blocks, warns=warns or blocks, sentence=sentence)


def need_informative_range(readings: Readings, unit_range: tuple[float, float]) -> None:
    """Refuse units all above half the span of the readings, or below two recording steps."""
    low, high = unit_range
    step = readings.rounding_step or 0.0
    sigma = float(np.median(readings.sigma)) if readings.sigma is not None else 0.0
    most = 0.5 * (readings.span + 2 * sigma)
    least = max(_LEAST_IN_STEPS * step, _LEAST_IN_SIGMAS * sigma, readings.span / _MOST_UNITS)
    if low < most and high > _LEAST_IN_STEPS * step:
        return
    why = (
        f"starts at {low:.4g}, above half the span of the readings, which leaves fewer than three "
        "levels in view"
        if low >= most
        else f"ends at {high:.4g}, below two recording steps of {step:g}"
    )
    remedy = (
        f"these readings can show units from {least:.4g} to {most:.4g}"
        if least < most
        else "these readings can show no unit: take readings that spread wider"
    )
    raise InputError(f"`unit_range` {why}; {remedy}.")


def far_readings(data: Readings, unit_range: UnitRange) -> Finding | None:
    """The few readings far from all others, named; None without any."""
    if data.far.size == 0:
        return None
    named = [f"reading {i + 1}, {data.values[i]:.6g}," for i in data.far]
    others = np.delete(data.values, data.far)
    one = len(named) == 1
    what = named[0] if one else f"{', '.join(named[:-1]).rstrip(',')} and {named[-1]}"
    aside = f" The range of units was chosen without {'it' if one else 'them'}." * unit_range.chosen
    return finding(
        "far",
        f"{what[0].upper()}{what[1:]} {'lies' if one else 'lie'} far from all others, which "
        f"run from {others.min():.6g} to {others.max():.6g}; look whether a decimal point or "
        f"a digit is wrong there.{aside}",
        warns=True,
    )


def scatter_of_repeats(fit: MixtureFit, alpha: float) -> Finding | None:
    """Repeats of one state that scatter more than the sigma given; None where they do not.

    Chi-square within the states, with the largest sigma that was allowed and the variance of the
    rounding. A shared shift may move repeats, and they are then not compared.
    """
    from scipy.special import chdtrc

    data = fit.readings.select(fit.readings.measured)
    given, prior = fit.posterior.model.sigma, fit.posterior.prior
    known = isinstance(prior.sigma, float) or isinstance(given, tuple)
    if not known or fit.posterior.model.noise != "constant" or data.shift is not None:
        return None
    variance = np.square(prior.sigma_reach()[1] * data.scale) + rounding_variance(data)
    repeats = levels_of(data.values, np.sqrt(variance), data.state)
    p = float(chdtrc(repeats.degrees, repeats.scatter)) if repeats.degrees else 1.0
    if p > alpha:
        return None
    return finding(
        "repeats",
        f"Repeats of one state scatter {np.sqrt(repeats.scatter / repeats.degrees):.2g} times as "
        f"much as the sigma given says (chi-square {repeats.scatter:.3g} on {repeats.degrees} "
        f"degrees of freedom, p = {p:.1g}): it is too small, or readings are labelled with a wrong "
        "state. Left out, it is determined by the repeats.",
        warns=True,
    )


def enough_levels(fit: MixtureFit, occupied: float = 1.0) -> Finding:
    """At least three distinct non-zero sizes (five levels with a free offset), common divisor 1.

    `occupied` is the same probability by the level evidence, over all units; the smaller counts.
    """
    free = fit.posterior.prior.free
    needed = LEVELS_NEEDED["free" if free else "fixed"]
    drawn = np.sort(fit.posterior.integers_in_best_mode(_DRAWS, 0), axis=1)
    seating = seat(drawn, np.ones(drawn.shape[1], dtype=np.int64), free=free)
    probability = float(np.mean(seating.occupied >= needed))
    what = "different levels" if free else "different non-zero multiples of the unit"
    typical = int(np.median(seating.occupied))
    chance = "with fewer, equal distances cannot be distinguished from chance."
    if probability < SURE:
        sentence = (
            f"The readings stand on about {typical} {what}, and it is not sure that there are "
            f"{needed} (probability {_below(probability, SURE)}, {SURE:g} is wanted); {chance}"
        )
    elif np.mean(~seating.coprime & (seating.occupied > 0)) > 1 - SURE and not free:
        sentence = (
            "All whole numbers share a common divisor, so the unit found is a fraction of "
            "another one that would do as well."
        )
    elif occupied < SURE:
        sentence = (
            f"Of all units that would explain the readings, those with {needed} {what} and "
            f"more, without a common divisor, hold a probability of {_below(occupied, SURE)} "
            f"({SURE:g} is wanted); {chance}"
        )
    else:
        return finding("levels", f"The readings stand on about {typical} {what}.")
    return finding("levels", sentence, blocks=True)


def _below(probability: float, wanted: float) -> str:
    """Two digits, but never rounded up to what is wanted."""
    return f"{min(probability, wanted - 0.01):.2f}"


def not_the_resolution(step: float | None, unit: float, unit_err: float) -> Finding:
    """The unit is not the step to which the readings were rounded."""
    if step is None:
        return finding(
            "resolution", "The readings show no rounding step that could pass for a unit."
        )
    ratio, error = unit / step, max(3 * unit_err / step, 1e-6)
    whole = abs(ratio - round(ratio)) < error < 0.2
    coarse, few = ratio < _LEAST_IN_STEPS, whole and ratio < _FEW_STEPS
    if coarse and abs(ratio - 1) < max(error, _NEAR_THE_STEP):
        sentence = (
            f"The unit found ({unit:.4g}) is the step to which the readings were recorded "
            f"({step:g}): a property of the record, not of what was measured."
        )
    elif coarse:
        sentence = (
            f"The unit found ({unit:.4g}) is smaller than two recording steps of {step:g}: these "
            "readings are too coarse for it."
        )
    elif few:
        sentence = (
            f"The unit found is {round(ratio)} recording steps of {step:g}; make sure that no "
            "preference for certain last digits makes it."
        )
    else:
        sentence = (
            f"The unit is {ratio:{',.0f' if ratio >= 1000 else '.3g'}} recording steps of "
            f"{step:g}, so rounding does not make it."
        )
    return finding("resolution", sentence, blocks=coarse, warns=few)


def recorded_finer(fit: MixtureFit) -> Finding:
    """The unit is no step of the record, as written or converted: the readings have a scatter."""
    data = fit.readings
    found = not_the_resolution(data.rounding_step, fit.unit, fit.unit_err)
    x, k = data.values[data.measured], fit.integers[data.measured].astype(np.float64)
    if fit.posterior.prior.free:
        x, k = x - x.mean(), k - k.mean()
    elif isinstance(fit.posterior.prior.offset, float):
        x = x - fit.posterior.prior.offset
    unit = float(k @ x / max(float(k @ k), 1.0))
    if found.blocks or np.max(np.abs(x - unit * k)) > _EXACT * fit.unit:
        return found
    return finding(
        "resolution",
        f"All readings are exact multiples of {unit:.6g}, which readings with a scatter are not; "
        "make sure that they were not recorded in steps of it, before a conversion perhaps.",
        warns=True,
    )


def majority_on_comb(fit: MixtureFit) -> Finding:
    """More than half of the readings are better explained by the comb than by a continuum."""
    on = fit.posterior.nearer_than_chance()
    count, n = int(on.sum()), on.size
    blocks = 2 * count <= n
    rest = "; the rest may be something else" if blocks else ""
    return finding(
        "majority",
        f"{count:,} of {n:,} readings lie nearer to a multiple than chance would put them{rest}.",
        blocks=blocks,
    )


def no_whole_number(unit_range: UnitRange, integers: Any) -> Finding:
    """No unit of the range leaves every reading a whole number that was said to be possible."""
    return finding(
        "integers",
        f"At no unit from {unit_range.low:.4g} to {unit_range.high:.4g} can every reading have "
        f"{in_words(integers)}, on levels enough to show; look whether that was rightly said.",
        blocks=True,
    )


def wide_unit_range(unit_range: UnitRange, tried: UnitRange | None = None) -> Finding:
    """The range was not narrowed round the answer; `tried` are the units that integers leave."""
    if unit_range.factor < _NARROW_RANGE:
        return finding(
            "unit_range",
            f"Only units from {unit_range.low:.4g} to {unit_range.high:.4g} were tried; if that "
            "range was chosen after looking at the readings, the evidence is overstated.",
            warns=True,
        )
    tried = unit_range if tried is None else tried
    sentence = (
        f"Every unit from {tried.low:.4g} to {tried.high:.4g} was tried, and the test counts "
        "them all"
    )
    if tuple(tried) != tuple(unit_range):
        sentence += (
            f"; of {unit_range.low:.4g} to {unit_range.high:.4g} these are the ones at which every "
            "reading can have a whole number that was said to be possible. If that was said after "
            "looking at the readings, the evidence is overstated"
        )
    return finding("unit_range", f"{sentence}.")


def findings_on_readings(
    fit: MixtureFit, unit_range: UnitRange, occupied: float, *, alpha: float
) -> tuple[Finding, ...]:
    """What each guard finds on single readings; `unit_range` is that before integers."""
    data = fit.readings
    doubts = (far_readings(data, unit_range), scatter_of_repeats(fit, alpha))
    return (
        *(doubt for doubt in doubts if doubt is not None),
        enough_levels(fit, occupied),
        recorded_finer(fit),
        majority_on_comb(fit),
        wide_unit_range(unit_range, fit.unit_range),
    )


def findings_on_counts(fit: CountFit, data: Counted, rivals: Rivals) -> tuple[Finding, ...]:
    """What each guard finds on readings that were counted in bins."""
    equal = (_equal_distances(rivals),) if rivals.spacing.levels >= 3 else ()
    return (
        _levels_seen(rivals.spacing.levels, free=data.free),
        _majority_in_levels(fit.background),
        _counted_finer(fit, data),
        wide_unit_range(fit.unit_range),
        *equal,
        _normal_shape(fit.chi_square / fit.degrees),
    )


def _counted_finer(fit: CountFit, data: Counted) -> Finding:
    """The unit is no step of the record, and the levels have a scatter."""
    found = not_the_resolution(data.step, fit.unit, fit.unit_err)
    if found.warns or not fit.fitted.in_single_bins:
        return found
    edges, used = fit.fitted.edges, np.flatnonzero(fit.fitted.counts)
    width, middles = float(edges[1] - edges[0]), 0.5 * (edges[used] + edges[used + 1])
    coarse = fit.unit < _FEW_STEPS * max(data.step or 0.0, width)
    if coarse or np.abs(middles[:, None] - fit.fitted.position).min(axis=1).max() > width:
        return found
    return finding(
        "resolution",
        f"Every level stands in a single bin, as exact multiples of {fit.unit:.4g} would and "
        "readings with a scatter do not; make sure that they were not recorded in steps of it, "
        "before a conversion perhaps.",
        warns=True,
    )


def _levels_seen(seen: int, *, free: bool) -> Finding:
    """Enough levels stand out of the counts, without any comb."""
    least = LEVELS_NEEDED["free" if free else "fixed"]
    what = "different level" if free else "different non-zero size"
    what += " stands" if seen == 1 else "s stand"
    few = seen < least
    needed = f"; {least} are needed to distinguish equal distances from chance" if few else ""
    return finding("levels", f"{seen} {what} out of the counts{needed}.", blocks=few)


def _majority_in_levels(background: float) -> Finding:
    """More than half of the readings belong to levels."""
    return finding(
        "majority",
        f"{share(1 - background)} of the readings belong to the levels, the rest to a flat "
        "background.",
        blocks=1 - background <= 0.5,
    )


def _equal_distances(rivals: Rivals) -> Finding:
    """The levels stand at equal distances, as far as counting can show."""
    bent = rivals.bend > _BENT
    why = (
        ", which is more than counting alone explains: look for a scale that bends, or levels "
        "that are not normal"
    )
    return finding(
        "distances",
        f"The levels stand within {100 * rivals.spacing.residual:.2g} % of a unit of equal "
        f"distances{why if bent else ''}.",
        warns=bent,
    )


def _normal_shape(chi_square: float) -> Finding:
    """The levels have the shape that was fitted to them."""
    odd = chi_square > _ODD_SHAPE
    why = "; the levels are not quite normal, and the error of the unit is widened for it"
    return finding(
        "shape",
        f"Chi-square of the bins is {chi_square:.3g} per degree of freedom{why if odd else ''}.",
        warns=odd,
    )
