"""Which units the readings, or counts, speak against, each by itself, where the scatter is known.

At one unit, and with the scatter of the readings known, the comb is set against sizes that are
anything: the Bayes factor is the product of the wrapped-normal densities of the phases. A unit is
excluded when that is below 1/20 in each of several cases. They allow for what goes wrong at a
bench unnoticed: one reading in twenty is nowhere near the comb, and the scatter is as known, 1.4
or 2 times as wide, or the scale drifts by 1 %. Counts exclude a unit whose multiples the levels
that stand out miss.
"""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.sums import blocks
from quantize.comb.wrapped import log_comb_over_continuum
from quantize.counts.counted import Counted
from quantize.counts.fit import CountFit
from quantize.counts.histogram import find_modes
from quantize.levels import Levels
from quantize.model import distributions
from quantize.model.mixture import MixtureFit
from quantize.model.posterior import Posterior
from quantize.null.bounds import residual_over
from quantize.null.choices import BLURRED, MISREAD, RARE
from quantize.null.guards import LEVELS_NEEDED
from quantize.readings import Readings

AGAINST = math.log(1 / RARE)
"""Log Bayes factor against a unit from which on it is excluded."""
_CASES = ((1.0, 0.0), (1.4, 0.0), (2.0, 0.0), (1.0, 0.01))
"""Factor on the scatter, and growth of the standard deviation with the size of the reading."""
_SHARPEST = 0.04
"""Spreads, in units, below which a comb is no easier to find; they bound the work."""
_STEP = 0.5
"""Distance of the trial units: no phase moves by more than this part of the least spread."""
_OFFSETS = 32
"""Values of a free offset, or of a shift, that are averaged over ..."""
_OF_TWO, _STRIDE = 144, 89
"""... and of two shifts, by a lattice of good points with this stride."""
_BLOCK = 400_000
_UNITS_A_CYCLE = 20
"""Trial units of counts for each cycle by which the phase at the end of the span moves."""
_CELLS = 40
"""Parts of the range, equal in log unit, in which counts may exclude every unit."""
_NEAR = 0.06
"""Levels that miss the multiples of a unit by more than this share of it (r.m.s.) exclude it."""
_WIDE = 1.5
"""Modes of more than so many sigma are no single levels."""
_IN_SINGLE_BINS = 0.99
"""Levels whose bins, one each, hold more of the counts show no scatter."""
HIDDEN = 4.0
"""Levels closer than this many sigma run into each other and may not stand out."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Limit:
    """Every unit from `low` to `high` is excluded, whatever is allowed for.

    `sigma` is the known scatter of a level, `of_means` whether that is the mean of repeats. `least`
    is the smallest unit of the range that does not blur at this scatter; it is None where the rule
    that chose the range began above it, so that units that could have shown were not tried.
    """

    low: float
    high: float
    sigma: float
    of_means: bool
    least: float | None

    @property
    def decides(self) -> bool:
        """Whether every unit that does not blur is excluded."""
        return self.least is not None and self.low <= 1.001 * self.least


def excluded_units(fit: MixtureFit) -> Limit | None:
    """The limit above which no unit of the range fits; None where there is none.

    It needs a scatter that is known otherwise than through the comb.
    """
    sigma = fit.posterior.known_sigma
    if sigma is None:
        return None
    unit_range = fit.unit_range
    sharp = sigma / BLURRED
    least = max(sharp, unit_range.low)
    if least >= unit_range.high:
        return None
    # So close that no phase moves by more than half the least spread.
    cycles = (1 / least - 1 / unit_range.high) * fit.posterior.reach
    size = int(np.ceil(cycles / (_STEP * _SHARPEST))) + 2
    units = 1 / np.linspace(1 / least, 1 / unit_range.high, size)
    low, block = size, 64
    while low:
        # From the largest unit down to the first that fits.
        part = units[max(low - block, 0) : low]
        fits = np.flatnonzero(_log_bayes_factors(fit, sigma, part) > -AGAINST)
        low -= part.size - (int(fits[-1]) + 1 if fits.size else 0)
        if fits.size:
            break
        block *= 4
    if low == size:
        return None
    return Limit(
        low=float(units[low]),
        high=unit_range.high,
        sigma=sigma,
        of_means=bool(np.median(fit.readings.select(fit.readings.measured).levels().count) > 1),
        least=None if unit_range.chosen and unit_range.low > 1.001 * sharp else least,
    )


def excluded_with(fit: MixtureFit, readings: Readings) -> Limit | None:
    """The same limit for other values or shared errors of the readings that were fitted."""
    posterior = Posterior.of(fit.model, readings, fit.unit_range)
    return excluded_units(dataclasses.replace(fit, readings=readings, posterior=posterior))


def _log_bayes_factors(fit: MixtureFit, sigma: float, units: FloatArray) -> FloatArray:
    """Largest log Bayes factor of a comb over the continuum at each unit, over the cases."""
    data, free = fit.readings.select(fit.readings.measured), fit.posterior.prior.free
    levels = data.levels()
    relative = np.sqrt(levels.factor / np.median(levels.factor))
    out = np.full(units.size, -np.inf)
    moved = np.zeros((1, levels.mean.size)) if free else _moved(fit, levels)
    size = levels.mean - np.median(moved, axis=0)
    even = (np.arange(_OFFSETS) + 0.5) / _OFFSETS if free else np.zeros(1)
    places = moved.shape[0] * even.size
    for part in blocks(units.size, _BLOCK // (levels.mean.size * places)):
        u = units[part]
        cycles = (levels.mean - moved) / u[:, None, None] - even[:, None]
        for factor, growth in _CASES:
            variance = np.square(factor * sigma * relative) + np.square(growth * size)
            spread = np.maximum(np.sqrt(variance) / u[:, None], _SHARPEST)[:, None, :]
            log_b = log_comb_over_continuum(cycles, spread, outliers=MISREAD)
            mean = np.logaddexp.reduce(log_b, axis=1) - np.log(places)
            out[part] = np.maximum(out[part], mean)
    return out


def _moved(fit: MixtureFit, levels: Levels) -> FloatArray:
    """How far offset or shift may move each level, shape (k, J): an even sample of their priors."""
    prior, shift = fit.posterior.prior, fit.readings.shift
    two = shift is not None and shift.also is not None
    size = _OF_TWO if two else _OFFSETS
    even = (np.arange(size) + 0.5) / size
    places = np.array([prior.offset]) if isinstance(prior.offset, float) else prior.offset.ppf(even)
    if shift is None:
        return np.outer(places, np.ones(levels.mean.size))
    shift = shift.select(np.flatnonzero(fit.readings.measured))
    moved = np.outer(places, levels.averages(shift.lever))
    if shift.also is not None:
        # A lattice of good points: each shift is sampled evenly, and so are both together.
        second = distributions.student_t(shift.also.degrees_of_freedom, shift.also.error)
        more = second.ppf((np.arange(size) * _STRIDE + 0.5) % size / size)
        moved = moved + np.outer(more, levels.averages(shift.also.lever))
    return moved


def excluded_part(fit: CountFit, data: Counted, sigma: float, narrowest: float) -> float:
    """Part of the range, in log unit, whose units fit nothing that stands out of the counts.

    A unit of at least four sigma is excluded when the modes miss its multiples, or when they are
    fewer than a comb needs and too wide to be single levels. Nothing is excluded when the modes
    fit the multiples of the best unit.
    """
    least = LEVELS_NEEDED["free" if data.free else "fixed"]
    offset = None if data.free else data.fixed
    wide, step = narrowest > _WIDE * sigma, data.step or 0.0
    held = int(np.sort(data.histogram.counts)[-fit.modes.size :].sum())
    if fit.modes.size > 1 and held > _IN_SINGLE_BINS * data.histogram.total:
        # Levels without a scatter are places of the record, of whatever step.
        step = max(step, float(np.diff(fit.modes).min()))
    if not wide and _fits(fit.modes, np.array([fit.unit]), offset, step):
        return 0.0
    span = data.histogram.span
    edges = np.geomspace(data.unit_range.low, data.unit_range.high, _CELLS + 1)
    out = 0
    for low, high in itertools.pairwise(edges):
        if math.sqrt(low * high) < HIDDEN * sigma:
            continue
        modes = find_modes(data.histogram, math.sqrt(low * high))
        cycles = span * (1 / low - 1 / high)
        size = max(int(_UNITS_A_CYCLE * cycles), _UNITS_A_CYCLE)
        units = 1 / np.linspace(1 / high, 1 / low, size)
        too_few = wide and modes.size < least
        out += too_few or not _fits(modes, units, offset, step)
    return out / _CELLS


def _fits(modes: FloatArray, units: FloatArray, offset: float | None, step: float) -> bool:
    """Whether the modes, rounded to a step, stand near multiples of any of the units.

    Fewer than two always do.
    """
    if modes.size < 2:
        return True
    near = np.hypot(_NEAR, step / math.sqrt(12) / units)
    return bool(np.any(residual_over(modes, units, offset=offset) < near))
