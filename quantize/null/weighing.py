"""The level placement of a page of readings: levels sorted, noise averaged over, heaps sought."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray
from quantize.null.heaped import log_ratio_over_heaps
from quantize.null.noise import patterns, pooled
from quantize.null.placement import Placement, place
from quantize.null.sigma import sigma_grid
from quantize.readings import Levels, as_readings

MOST_LEVELS = 200
"""Larger samples are weighed by a random part of this size."""


@dataclasses.dataclass(frozen=True)
class Weighed:
    """What the levels of one page say.

    Attributes
    ----------
    log_ratios : dict
        Log Bayes factor of the comb over each null.
    log_comb : float
        Log evidence of the comb with enough occupied teeth.
    enough_levels : float
        Probability, given a comb, that enough teeth are occupied.
    placement : Placement
        That of the noise pattern that explains the readings best.
    band : (float, float)
        Units that took part.
    weighed : int
        Levels that took part.
    """

    log_ratios: dict[str, float]
    log_comb: float
    enough_levels: float
    placement: Placement
    band: tuple[float, float]
    weighed: int

    @property
    def best_unit(self) -> float:
        """The most probable unit."""
        return float(self.placement.unit[self.placement.best])


def weigh(
    readings: Any,
    unit_range: tuple[float, float],
    *,
    offset: str | float = "zero",
    sigma_range: tuple[float, float] | None = None,
    noise: str = "constant",
    rng: RngLike = None,
) -> Weighed:
    """Weigh the comb against each null; `weigh_evidence` without the calibration.

    Raises
    ------
    InputError
        When no unit of the band is below half the span of the readings.
    """
    data = as_readings(readings, least=3)
    low, high = validation.unit_range(unit_range)
    free = isinstance(offset, str) and offset == "free"
    shift = 0.0 if isinstance(offset, str) else validation.number("offset", offset)
    chosen = _chosen(data.levels().mean.size, rng)
    placements: list[Placement] = []
    heaps: list[float] = []
    weights: list[float] = []
    top = high
    for pattern in patterns(data, noise):
        values, factor = _sorted(pattern.levels, chosen, shift)
        sigma, log_prior = sigma_grid(data, pattern.levels, low, high, sigma_range)
        if not placements:
            top = _highest(values, factor, sigma, low, high)
        placed = place(values, factor, sigma, log_prior, low, top, free=free)
        unit = float(placed.unit[placed.best])
        centre = 0.0
        if free:
            centre = float(np.average(values - unit * placed.integers, weights=1 / factor))
        placements.append(placed)
        heaps.append(log_ratio_over_heaps(values, factor, unit, centre))
        weights.append(pattern.log_weight)
    log_comb = np.array([placed.log_comb for placed in placements])
    log_weight = np.array(weights)
    ratios = pooled(
        log_comb,
        log_weight,
        [p.log_ratios | {"heaped": heap} for p, heap in zip(placements, heaps, strict=True)],
    )
    everything = np.array([p.log_everything for p in placements]) + log_weight
    best = int(np.argmax(everything))
    total = float(np.logaddexp.reduce(log_comb + log_weight))
    return Weighed(
        log_ratios=ratios,
        log_comb=total,
        enough_levels=float(np.exp(total - np.logaddexp.reduce(everything))),
        placement=placements[best],
        band=(low, top),
        weighed=int(placements[best].integers.size),
    )


def _chosen(levels: int, rng: RngLike) -> np.ndarray[Any, Any] | None:
    if levels <= MOST_LEVELS:
        return None
    return np.sort(randomness.generator(rng).permutation(levels)[:MOST_LEVELS])


def _sorted(
    levels: Levels, chosen: np.ndarray[Any, Any] | None, shift: float
) -> tuple[FloatArray, FloatArray]:
    order = np.argsort(levels.mean, kind="stable")
    if chosen is not None:
        order = order[chosen]
    return levels.mean[order] - shift, levels.factor[order]


def _highest(
    values: FloatArray, factor: FloatArray, sigma: FloatArray, low: float, high: float
) -> float:
    """Largest unit that can show: half the span of the values and two of their errors."""
    smallest = float(sigma[0] * np.sqrt(np.median(factor)))
    top = min(high, 0.5 * (float(np.ptp(values)) + 2 * smallest))
    if top <= low * (1 + 1e-9):
        raise InputError(
            f"`unit_range` starts at {low:.4g}, but no unit above {top:.4g} (half the span of the "
            "readings) can show; lower the band or take readings that spread wider."
        )
    return top
