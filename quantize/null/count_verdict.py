"""What the counts say in words: guards, reasons, advice, and the units that are excluded."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray
from quantize.counts.count_fit import CountFit
from quantize.counts.counted import Counted
from quantize.counts.modes import find_modes
from quantize.null import guards
from quantize.null.bounds import residual_over
from quantize.null.count_rivals import Rivals

STEPS, NO_STEPS, CANNOT_TELL = "steps", "no steps", "cannot tell"
_MOST_OF_THE_BAND = 0.8
_CELLS = 40
_NEAR = 0.06
"""Levels that miss the multiples of a unit by more than this share of it (r.m.s.) exclude it."""
_FEWEST_FOR_NO = 4000
_SEEN_COUNTS = 200
_BENT = 5.0
_WIDE = 1.5
"""Modes of more than so many sigma are no single levels."""
_HIDDEN = 4.0
"""Levels closer than this many sigma run into each other and may not stand out."""


def excluded_part(fit: CountFit, data: Counted, sigma: float, narrowest: float) -> float:
    """Part of the band, in log unit, whose units fit nothing that stands out of the counts.

    A unit of at least four sigma is excluded when the modes miss its multiples, or when they are
    fewer than a comb needs and too wide to be single levels. Nothing is excluded when the modes
    fit the multiples of the best unit.
    """
    least = guards.LEVELS_NEEDED["free" if data.free else "fixed"]
    offset = None if data.free else data.fixed
    wide = narrowest > _WIDE * sigma
    if not wide and _fits(fit.modes, np.array([fit.unit]), offset):
        return 0.0
    span = data.histogram.span
    edges = np.geomspace(data.band.low, data.band.high, _CELLS + 1)
    out = 0
    for low, high in itertools.pairwise(edges):
        if math.sqrt(low * high) < _HIDDEN * sigma:
            continue
        modes = find_modes(data.histogram, math.sqrt(low * high))
        turns = span * (1 / low - 1 / high)
        units = 1 / np.linspace(1 / high, 1 / low, max(int(20 * turns), 20))
        too_few = wide and modes.size < least
        out += too_few or not _fits(modes, units, offset)
    return out / _CELLS


def _fits(modes: FloatArray, units: FloatArray, offset: float | None) -> bool:
    """Whether the modes stand near multiples of any of the units; fewer than two always do."""
    if modes.size < 2:
        return True
    return bool(residual_over(modes, units, offset=offset).min() < _NEAR)


def findings_on(fit: CountFit, data: Counted, rivals: Rivals) -> tuple[guards.Finding, ...]:
    """What each guard found."""
    least = guards.LEVELS_NEEDED["free" if data.free else "fixed"]
    seen = rivals.spacing.levels
    what = "different level" if data.free else "different non-zero size"
    what += " stands" if seen == 1 else "s stand"
    few = seen < least
    levels = guards.Finding(
        name="levels",
        blocks=few,
        warns=few,
        sentence=f"{seen} {what} out of the counts"
        + (f"; {least} are needed to tell equal distances from chance." if few else "."),
    )
    on_comb = 1 - fit.background
    most = guards.Finding(
        name="majority",
        blocks=on_comb <= 0.5,
        warns=on_comb <= 0.5,
        sentence=f"{100 * on_comb:.3g} % of the readings belong to the levels, the rest to a flat "
        "background.",
    )
    adapter: Any = SimpleNamespace(
        readings=SimpleNamespace(rounding_step=data.step), unit=fit.unit, unit_err=fit.unit_err
    )
    bent = rivals.bend > _BENT
    equal = guards.Finding(
        name="distances",
        blocks=False,
        warns=bent,
        sentence=f"The levels stand within {100 * rivals.spacing.residual:.2g} % of a unit of "
        "equal distances"
        + (
            ", which is more than counting alone explains: look for a scale that bends, or levels "
            "that are not normal."
            if bent
            else "."
        ),
    )
    shape = fit.chi_square / fit.degrees
    form = guards.Finding(
        name="shape",
        blocks=False,
        warns=shape > 1.5,
        sentence=f"Chi-square of the bins is {shape:.3g} per degree of freedom"
        + (
            "; the levels are not quite normal, and the error of the unit is widened for it."
            if shape > 1.5
            else "."
        ),
    )
    return (
        levels,
        most,
        guards.not_the_resolution(adapter),
        guards.wide_band(fit.band, fit.unit),
        *((equal,) if seen >= 3 else ()),
        form,
    )


def steps_reason(p: float) -> str:
    """The sentence behind "steps"."""
    return (
        f"Levels placed anywhere stand as near to equal distances with a chance of at most "
        f"{p:.1g}, by an analytic bound that counts every unit of the band."
    )


def judged_without_steps(
    p: float,
    alpha: float,
    blocked: list[str],
    excluded: float,
    fit: CountFit,
    data: Counted,
    rivals: Rivals,
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """Verdict, reasons and advice where "steps" is not the answer."""
    seen = rivals.spacing.levels
    reasons = list(blocked)
    if p > alpha and seen >= 3:
        reasons.insert(
            0,
            f"Levels placed anywhere stand as near to equal distances with a chance of up to "
            f"{p:.2g}; the limit set beforehand is {alpha:g}.",
        )
    if excluded >= _MOST_OF_THE_BAND and fit.total >= _FEWEST_FOR_NO and p > alpha:
        share = max(100 * _SEEN_COUNTS / fit.total, 0.1)
        return (
            NO_STEPS,
            (
                f"No unit in {100 * excluded:.0f} % of the range tried fits what stands out of "
                f"the counts; levels that hold {share:.2g} % of the readings or more, with a "
                "scatter below a quarter of the unit, would have stood out.",
                "A unit below four times the scatter of a level could still hide.",
                *reasons,
            ),
            (),
        )
    advice = []
    if seen < 3:
        advice.append(
            "Levels show when their scatter is below a third of the unit: reduce the noise, or "
            "take readings over a wider range of sizes."
        )
    else:
        advice.append(
            "More levels settle it, not more readings of the same ones: widen the range of sizes."
        )
    if excluded < _MOST_OF_THE_BAND and data.band.low < _HIDDEN * rivals.narrowest:
        advice.append(
            "The scatter of a reading, known from elsewhere (`sigma_range`), or a range of units "
            "that begins at four times the scatter, lets the counts exclude units."
        )
    if fit.total < _FEWEST_FOR_NO:
        advice.append("Take more readings; with a few thousand, weak levels stand out.")
    return CANNOT_TELL, tuple(reasons), tuple(advice)
