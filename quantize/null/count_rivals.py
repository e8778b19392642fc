"""What counts without equal steps could be: a smooth envelope, or levels anywhere."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.counts.counted import Counted
from quantize.counts.fit import CountFit
from quantize.counts.histogram import SMOOTHING
from quantize.counts.levels import FEWEST_COUNTS, Levels, maximise
from quantize.null.bounds import Spacing, equal_spacing, frequencies

_SMOOTH = 0.5
"""Spacing and standard deviation, in units, of the normals that make the smooth envelope.

A comb of that unit keeps exp(−2π²·0.25) = 0.7 % of its first harmonic under it.
"""
_ROUNDS = 300
"""Rounds of the fit of the smooth envelope."""
_ROUNDS_FOR_LEVELS = 20
"""Rounds that begin the fit of levels anywhere."""
_LEFT = 0.25
"""A level that has moved by so many units has left its mode."""
_REACH = 0.1
"""How far, in units, a level anywhere may move from its mode in a step."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Rivals:
    """The comb set against its rivals on the same bins.

    The levels depart from equal distances by `bend` standard deviations beyond what counting
    explains; `narrowest` is the smallest standard deviation of one that stands out, that of all
    readings if none does. Those that stand out are at `positions` with the variances `factor`.
    """

    log_bayes_factors: dict[str, float]
    positions: FloatArray
    factor: FloatArray
    spacing: Spacing
    bend: float
    narrowest: float


def set_against(fit: CountFit, data: Counted) -> Rivals:
    """Fit the rivals and compare."""
    log_n = math.log(fit.total)
    comb = fit.fitted
    smooth = _smooth_envelope(fit)
    factors = {
        "smooth": fit.log_likelihood
        - smooth.log_likelihood()
        - 0.5 * log_n * (_parameters(comb) - int(np.sum(smooth.amplitude >= FEWEST_COUNTS)))
    }
    positions, factor, bend = fit.modes, np.ones(fit.modes.size), 0.0
    histogram = data.histogram
    mean = float(np.average(histogram.centres, weights=histogram.counts))
    square = float(np.average((histogram.centres - mean) ** 2, weights=histogram.counts))
    narrowest = math.sqrt(square)
    if fit.modes.size >= 2:
        start = _levels_anywhere(fit)
        free, value, _ = maximise(start, reach=_REACH * fit.unit)
        factors["lumpy"] = (
            fit.log_likelihood - value - 0.5 * log_n * (_parameters(comb) - _parameters(free))
        )
        positions = free.position[: fit.modes.size]
        # Where one has left its mode, the mode.
        stayed = np.abs(positions - fit.modes) < _LEFT * fit.unit
        positions = np.where(stayed, positions, fit.modes)
        variance = free.variance[: fit.modes.size]
        narrowest = math.sqrt(float(variance.min()))
        factor = variance / np.maximum(free.amplitude[: fit.modes.size], FEWEST_COUNTS)
        extra = max(fit.modes.size - comb.beta.size, 1)
        scale = max(fit.chi_square / fit.degrees, 1.0)
        rise = 2 * max(value - fit.log_likelihood, 0.0) / scale
        bend = (rise - extra) / math.sqrt(2 * extra)
    else:
        factors["lumpy"] = 0.0  # one level has no distances
    scatter = math.sqrt(float(np.median(comb.variance)))
    spacing = equal_spacing(
        positions,
        fit.unit,
        frequencies(fit.unit_range),
        offset=None if data.free else data.fixed,
        closest=2 * math.hypot(scatter, SMOOTHING * fit.unit),
    )
    return Rivals(
        log_bayes_factors=factors,
        positions=positions,
        factor=factor,
        spacing=spacing,
        bend=bend,
        narrowest=narrowest,
    )


def _parameters(levels: Levels) -> int:
    return levels.beta.size + levels.gamma.size + levels.amplitude.size


def _levels_anywhere(fit: CountFit) -> Levels:
    """A free level at each mode, and those of the comb that are no modes where they are."""
    comb = fit.fitted
    distance = np.abs(comb.position[:, None] - fit.modes).min(axis=1)
    rest = distance > 0.5 * fit.unit
    modes = fit.modes.size
    nearest = np.abs(comb.position[:, None] - fit.modes).argmin(axis=0)
    k = modes + int(rest.sum())
    places = np.zeros((k, modes))
    places[:modes, :modes] = np.eye(modes)
    return dataclasses.replace(
        comb,
        places=places,
        shift=np.r_[np.zeros(modes), comb.position[rest]],
        spreads=np.concatenate([comb.spreads[nearest], comb.spreads[rest]]),
        beta=fit.modes.copy(),
        amplitude=np.r_[comb.amplitude[nearest], comb.amplitude[rest]],
    ).amplitudes_by_em(_ROUNDS_FOR_LEVELS)


def _smooth_envelope(fit: CountFit) -> Levels:
    comb = fit.fitted
    step = _SMOOTH * fit.unit
    places = np.arange(comb.edges[0], comb.edges[-1] + step, step)
    return Levels(
        edges=comb.edges,
        counts=comb.counts,
        places=np.zeros((places.size, 1)),
        shift=places,
        spreads=np.ones((places.size, 1)),
        beta=np.zeros(1),
        gamma=np.array([step**2]),
        amplitude=np.full(places.size, fit.total / places.size),
        background=0.0,
        floor=0.0,
    ).amplitudes_by_em(_ROUNDS)
