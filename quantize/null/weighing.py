"""The level placement of a page of readings: levels sorted, noise averaged over, heaps sought."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError
from quantize._support.randomness import RngLike
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.null.heaped import log_ratio_over_heaps
from quantize.null.noise import Pattern, patterns, pooled
from quantize.null.placement import Placement, place
from quantize.null.sigma import sigma_grid
from quantize.readings import Levels, Readings, as_readings

MOST_LEVELS = 200
"""Larger samples are weighed by a random part of this size."""
_FAR = 5.0
_BEYOND = 3.0
_MOST_OUTLYING = 0.1
_SHARE_PRIOR = 19.0
"""Misread digits and foreign objects: levels this many typical residuals from every tooth, or this
many lengths from the others, at most this part of all, are also tried as outliers. The prior of
their share is Beta(1, 19)."""


class NothingCanShow(InputError):
    """No unit of the band is small enough to show in these readings."""


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
    NothingCanShow
        When no unit of the band is below half the span of the readings.
    InputError
        For options that cannot be used.
    """
    data = as_readings(readings, least=3)
    low, high = validation.unit_range(unit_range)
    mode, shift = validation.offset_mode(offset)
    free = mode == "free"
    sigma_range = validation.sigma_range(sigma_range)
    chosen = _chosen(data.levels().mean.size, rng)
    parts = [
        _part(data, pattern, chosen, (low, high), shift, sigma_range, free)
        for pattern in patterns(data, noise)
    ]
    top = parts[0].top
    outlying = parts[0].outlying()
    if outlying.any():
        n, m = outlying.size, int(outlying.sum())
        length = float(np.ptp(parts[0].values)) * (n + 1) / (n - 1)
        off = log_share(n, m) - m * float(np.log(length))
        rest = [part.without(outlying, (low, top), free, off) for part in parts]
        parts = [dataclasses.replace(p, log_weight=p.log_weight + log_share(n, 0)) for p in parts]
        parts += rest
    log_comb = np.array([part.placed.log_comb for part in parts])
    log_weight = np.array([part.log_weight for part in parts])
    ratios = pooled(
        log_comb, log_weight, [part.placed.log_ratios | {"heaped": part.heaps} for part in parts]
    )
    everything = np.array([part.placed.log_everything for part in parts]) + log_weight
    best, all_levels = int(np.argmax(everything)), float(np.logaddexp.reduce(everything))
    total = float(np.logaddexp.reduce(log_comb + log_weight))
    return Weighed(
        log_ratios=ratios,
        log_comb=total,
        enough_levels=float(np.exp(total - all_levels)) if np.isfinite(all_levels) else 0.0,
        placement=parts[best].placed,
        band=(low, top),
        weighed=int(parts[0].values.size),
    )


def log_share(n: int, m: int) -> float:
    """Log of the prior that m given levels of n lie off every pattern: their share is Beta(1, 19).

    Examples
    --------
    >>> round(float(np.exp(log_share(20, 0))), 3), round(float(np.exp(log_share(20, 1))), 4)
    (0.487, 0.0128)
    """
    from scipy.special import betaln

    return float(betaln(1 + m, _SHARE_PRIOR + n - m) - betaln(1, _SHARE_PRIOR))


@dataclasses.dataclass(frozen=True)
class _Part:
    """The levels under one noise pattern, with what their placement says."""

    values: FloatArray
    factor: FloatArray
    sigma: FloatArray
    log_prior: FloatArray
    log_weight: float
    top: float
    placed: Placement
    heaps: float

    def outlying(self) -> BoolArray:
        """Levels far from every tooth of the best unit, or far from all others, where they are few.

        Farther from a tooth than five times the typical residual; farther out than three times the
        length that holds nine tenths of the values; and at most a tenth of all.
        """
        residual = np.abs(_residual(self.values, self.placed))
        typical = max(1.4826 * float(np.median(residual)), float(self.sigma[0]))
        start, stop = np.quantile(self.values, (0.05, 0.95))
        beyond = np.maximum(start - self.values, self.values - stop) > _BEYOND * (stop - start)
        far: BoolArray = (residual > _FAR * typical) | beyond
        return far if far.sum() <= _MOST_OUTLYING * far.size else np.zeros(far.size, dtype=bool)

    def without(
        self, outlying: BoolArray, band: tuple[float, float], free: bool, log_off: float
    ) -> _Part:
        """The rest weighed by itself, the outlying ones uniform over the readings."""
        values, factor = self.values[~outlying], self.factor[~outlying]
        placed = place(values, factor, self.sigma, self.log_prior, *band, free=free)
        return dataclasses.replace(
            self,
            values=values,
            factor=factor,
            log_weight=self.log_weight + log_off,
            placed=placed,
            heaps=_heaps(values, factor, placed, free),
        )


def _part(
    data: Readings,
    pattern: Pattern,
    chosen: IntArray | None,
    band: tuple[float, float],
    shift: float,
    sigma_range: tuple[float, float] | None,
    free: bool,
) -> _Part:
    values, factor = _sorted(pattern.levels, chosen, shift)
    sigma, log_prior = sigma_grid(data, pattern.levels, *band, sigma_range)
    top = _highest(values, factor, sigma, *band)
    placed = place(values, factor, sigma, log_prior, band[0], top, free=free)
    heaps = _heaps(values, factor, placed, free)
    return _Part(values, factor, sigma, log_prior, pattern.log_weight, top, placed, heaps)


def _residual(values: FloatArray, placed: Placement) -> FloatArray:
    unit = float(placed.unit[placed.best])
    from_zero: FloatArray = values - unit * placed.integers
    return from_zero - float(np.median(from_zero)) if placed.free else from_zero


def _heaps(values: FloatArray, factor: FloatArray, placed: Placement, free: bool) -> float:
    unit = float(placed.unit[placed.best])
    centre = 0.0
    if free:
        centre = float(np.average(values - unit * placed.integers, weights=1 / factor))
    return log_ratio_over_heaps(values, factor, unit, centre)


def _chosen(levels: int, rng: RngLike) -> IntArray | None:
    if levels <= MOST_LEVELS:
        return None
    part: IntArray = np.sort(randomness.generator(rng).permutation(levels)[:MOST_LEVELS])
    return part


def _sorted(levels: Levels, chosen: IntArray | None, shift: float) -> tuple[FloatArray, FloatArray]:
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
        raise NothingCanShow(
            f"`unit_range` starts at {low:.4g}, but no unit above {top:.4g} (half the span of the "
            "readings) can show; lower the band or take readings that spread wider."
        )
    return top
