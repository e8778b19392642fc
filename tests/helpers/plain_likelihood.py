"""The likelihood as plain loops over readings and teeth: slow, and what the fast one is held to."""

from __future__ import annotations

import math

import numpy as np
from plain_window import plain_log_unit_excess

from quantize.model.envelope import Envelope
from quantize.readings import Readings

_FAR = 12.0
"""Deviations beyond which a tooth does not count."""


def plain_likelihood(
    readings: Readings,
    envelope: Envelope,
    *,
    unit: float,
    sigma: float,
    offset: float = 0.0,
    growth: float = 0.0,
    outliers: float = 0.0,
    power: int = 0,
    rounding: bool = False,
) -> float:
    """Log likelihood of a sample at one set of parameters, as the definition says it.

    A shift that the readings share stands in the place of the offset: it moves each reading by its
    lever, and no size.
    """
    state = np.arange(len(readings)) if readings.state is None else readings.state
    shift = readings.shift
    lever = np.ones(len(readings)) if shift is None else shift.lever
    start = offset if shift is None else 0.0
    moved = [offset * float(one) - start for one in lever]
    ends = envelope.declared or envelope.density is not None
    largest = math.inf if ends else 1.5 * max(map(abs, envelope.reach()))
    teeth = _teeth(readings, envelope, unit, sigma, start, growth, power, max(map(abs, moved)))
    spread, scale = sigma / unit * _blur(readings, state), _scale(readings)
    weights = _weights(envelope, teeth, unit, start, spread)
    total = 0.0
    for label in range(int(state.max()) + 1):
        mine = [i for i in range(len(readings)) if state[i] == label]
        off_scale = readings.beyond is not None and all(readings.beyond[i] != 0 for i in mine)
        if off_scale and not envelope.closed:
            continue
        apart = [i for i in mine if _side(readings, i) and not envelope.closed]
        rest = [i for i in mine if i not in apart]
        others = math.prod(outliers * _outside(readings, envelope, i) for i in rest)
        likelihood = others * _at_either_end(readings, apart, outliers)
        for k, weight in zip(teeth, weights, strict=True):
            together, astray = 1.0, others
            for i in mine:
                mean = start + unit * k + moved[i]
                grown = growth**2 * min(abs(mean), largest) ** power
                sd = math.sqrt((sigma * float(scale[i])) ** 2 + grown)
                f = _density(readings, i, mean, sd, unit, rounding)
                mixed = (1 - outliers) * f + outliers * _outside(readings, envelope, i)
                together *= mixed
                astray *= mixed if i in apart else 1.0
            likelihood += weight * (together - astray)
        total += math.log(likelihood) if likelihood > 0 else -math.inf
    return total


def _side(readings: Readings, i: int) -> int:
    return 0 if readings.beyond is None else int(readings.beyond[i])


def _at_either_end(readings: Readings, apart: list[int], outliers: float) -> float:
    """Probability of readings off the scale, of a state at either end of sizes without an end."""
    ends = [
        math.prod(outliers / 2 + (1 - outliers) * (_side(readings, i) == end) for i in apart)
        for end in (1, -1)
    ]
    return sum(ends) / 2


def _scale(readings: Readings) -> np.ndarray:
    """What the sigma of the model is multiplied by for each reading."""
    given = readings.sigma if readings.relative_sigma is None else readings.relative_sigma
    return np.ones(len(readings)) if given is None else given


def _density(
    readings: Readings, i: int, mean: float, sd: float, unit: float, rounding: bool
) -> float:
    """Density (or probability) of reading `i` about its tooth, by distribution functions."""
    from scipy.special import ndtr

    d = float(readings.values[i]) - mean
    near = -abs(d)
    if readings.beyond is not None and readings.beyond[i] != 0:
        return float(ndtr(-readings.beyond[i] * d / sd))
    if readings.changed is not None and readings.changed[i]:
        return float(ndtr((near + unit) / sd) - ndtr((near - unit) / sd)) / (2 * unit)
    step = None
    if rounding:
        own = readings.resolution
        step = readings.printed_resolution if own is None else float(own[i])
    if step is None:
        return math.exp(-0.5 * (d / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
    if readings.ends is None or readings.ends[i] == 1:
        return float(ndtr((near + step / 2) / sd) - ndtr((near - step / 2) / sd)) / step
    twice = [_second_integral((near + shift) / sd) for shift in (step, 0.0, -step)]
    return sd * (twice[0] - 2 * twice[1] + twice[2]) / step**2


def _second_integral(z: float) -> float:
    from scipy.special import ndtr

    return z * float(ndtr(z)) + math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)


def _outside(readings: Readings, envelope: Envelope, i: int) -> float:
    if readings.beyond is not None and readings.beyond[i] != 0:
        return 0.5
    return 1 / envelope.span


def _blur(readings: Readings, state: np.ndarray) -> float:
    scale = _scale(readings)
    return math.sqrt(np.mean([1 / np.sum(scale[state == j] ** -2.0) for j in np.unique(state)]))


def _teeth(
    readings: Readings,
    envelope: Envelope,
    unit: float,
    sigma: float,
    offset: float,
    growth: float,
    power: int,
    moved: float,
) -> list[int]:
    """Every whole number that can count."""
    scale = float(_scale(readings).max())
    reach = float(np.abs(readings.values).max())
    margin = _FAR * math.sqrt((sigma * scale) ** 2 + growth**2 * reach**power) + unit + moved
    if readings.resolution is not None:
        margin += float(readings.resolution.max())
    low = float(readings.values.min()) - margin
    high = float(readings.values.max()) + margin
    if envelope.closed:
        low, high = min(low, envelope.reach()[0]), max(high, envelope.reach()[1])
    first, last = math.ceil((low - offset) / unit), math.floor((high - offset) / unit)
    if envelope.bounded:
        first, last = envelope.first, envelope.last
    return [k for k in range(first, last + 1) if envelope.first <= k <= envelope.last]


def _weights(
    envelope: Envelope, teeth: list[int], unit: float, offset: float, spread: float
) -> list[float]:
    """Probability of each tooth."""
    if envelope.density is not None:
        g = [float(value) for value in envelope.density.pdf(offset + unit * np.array(teeth))]
        total = sum(g)
        return [value / total for value in g]
    if envelope.declared:
        inside = [
            envelope.low - 1e-9 * unit <= offset + unit * k <= envelope.high + 1e-9 * unit
            for k in teeth
        ]
        return [flag / max(sum(inside), 1) for flag in inside]
    if envelope.bounded:
        return [1 / len(teeth)] * len(teeth)
    excess = plain_log_unit_excess(np.array([unit]), spread, envelope.span, envelope.levels)
    return [unit / envelope.span * math.exp(-float(excess[0]))] * len(teeth)
