"""Samplers of data without steps: smeared out, of a fitted family, or clusters moved elsewhere.

Each draws the charge states anew; the scatter of the readings within a state is drawn again too,
and the rounding is done again.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, Protocol, runtime_checkable

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.levels import Levels
from quantize.null.partitions import log_any_number, most_probable_groups, widened_span
from quantize.readings import Readings

BANDWIDTH = 0.35
"""Kernel width in units of the largest trial unit.

A comb of unit u keeps exp(−2π²·0.35²) = 9 % of its first harmonic under this kernel, at any number
of readings; with the usual rule, which shrinks with n, the null itself would grow steps.
"""
_RULE = 1.06
"""Factor of the normal rule for the kernel width (Silverman, *Density Estimation*, 1986)."""
_REACH = 4.5
"""Kernel widths beyond the outermost reading at which nothing is left."""
_FINEST_SIGMA = 40.0
"""Clusters may be made by sigmas down to this part of the smallest unit."""
_SIGMAS = 12
"""Sigmas that are tried to find the clusters."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SmoothedBootstrap:
    """Charge states drawn again with replacement and spread by a normal kernel.

    Variance is kept by shrinking towards the mean.
    """

    mean: FloatArray
    bandwidth: float
    like: Readings

    @classmethod
    def of(cls, readings: Readings, largest_unit: float) -> SmoothedBootstrap:
        """The null of these readings for trial units up to `largest_unit`."""
        mean = readings.levels().mean
        spread = float(np.std(mean, ddof=1)) if mean.size > 1 else 0.0
        rule = _RULE * spread * mean.size**-0.2
        return cls(mean=mean, bandwidth=max(BANDWIDTH * largest_unit, rule), like=readings)

    def __call__(self, size: int, rng: np.random.Generator) -> FloatArray:
        n = self.mean.size
        centre, variance = float(self.mean.mean()), float(self.mean.var())
        drawn = self.mean[rng.integers(0, n, (size, n))] - centre
        drawn += self.bandwidth * rng.standard_normal((size, n))
        if variance > 0:
            drawn *= np.sqrt(variance / (variance + self.bandwidth**2))
        return _read(centre + drawn, self.like, rng)

    def density(self, width: float) -> tuple[FloatArray, float]:
        """The share of the readings in each bin of this width, and where the first bin begins.

        For readings that are no repeats of each other.
        """
        centre, variance = float(self.mean.mean()), float(self.mean.var())
        shrink = np.sqrt(variance / (variance + self.bandwidth**2))
        kernel, places = shrink * self.bandwidth, centre + shrink * (self.mean - centre)
        start = float(places.min()) - _REACH * kernel
        bins = int((float(places.max()) + _REACH * kernel - start) / width) + 1
        counts = np.bincount(((places - start) / width).astype(np.int64), minlength=bins)
        f = np.fft.rfftfreq(2 * bins, width)
        smooth = np.exp(-2 * np.square(np.pi * kernel * f))
        spread = np.maximum(np.fft.irfft(np.fft.rfft(counts, 2 * bins) * smooth)[:bins], 0.0)
        return spread / spread.sum(), start


def _read(places: FloatArray, like: Readings, rng: np.random.Generator) -> FloatArray:
    """Readings of charge states at these places, (size, states), as often and as finely as those.

    The deviations from the means of the states are drawn again, if any state was read twice.
    """
    levels = like.levels()
    values = places[:, levels.index]
    inner = like.values - levels.mean[levels.index]
    if np.any(inner):
        # Residuals of states of m readings are short by sqrt((m−1)/m).
        count = np.bincount(levels.index)[levels.index]
        repeated = (inner * np.sqrt(count / np.maximum(count - 1, 1)))[count > 1]
        values += rng.choice(repeated, size=values.shape)
    return like.recorded(values)


@runtime_checkable
class Family(Protocol):
    """What is asked of a family: the continuous distributions of ``scipy.stats`` have it."""

    @property
    def fit(self) -> Callable[[Any], Any]:
        """Parameters of the family for some values."""

    @property
    def rvs(self) -> Callable[..., Any]:
        """Draws with these parameters, of a `size`, by a `random_state`."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class FittedFamily:
    """Charge states drawn from a family that was fitted to their means by its own ``fit``."""

    draw: Callable[..., Any]
    parameters: tuple[float, ...]
    like: Readings

    @classmethod
    def of(cls, readings: Readings, family: Family) -> FittedFamily:
        """The null of these readings; an error where the family cannot be fitted."""
        name = getattr(family, "name", type(family).__name__)
        parameters: tuple[float, ...] = ()
        try:
            with np.errstate(all="ignore"):
                parameters = tuple(float(value) for value in family.fit(readings.levels().mean))
            wrong = f"fits the readings with the parameters {parameters}"
        except (ValueError, RuntimeError, ArithmeticError) as error:
            wrong = f"cannot be fitted to the readings ({error})"
        if not parameters or not np.all(np.isfinite(parameters)):
            raise InputError(f"`null` {name} {wrong}; give another family or a sampler.")
        return cls(draw=family.rvs, parameters=parameters, like=readings)

    def __call__(self, size: int, rng: np.random.Generator) -> FloatArray:
        shape = (size, self.like.levels().mean.size)
        drawn = np.asarray(self.draw(*self.parameters, size=shape, random_state=rng), dtype=float)
        return _read(drawn, self.like, rng)


class Uniform:
    """Uniform over the range of the values, widened by (n + 1)/(n − 1) as for a uniform sample."""

    name = "uniform"

    def fit(self, data: FloatArray) -> tuple[float, float]:
        """Lower end and length."""
        span = float(np.ptp(data))
        length = widened_span(data)
        return float(data.min()) - 0.5 * (length - span), length

    def rvs(self, start: float, length: float, *, size: Any, random_state: Any) -> FloatArray:
        return np.asarray(start + length * random_state.random(size))


class Normal:
    """Normal with the mean and the standard deviation (n − 1) of the values."""

    name = "normal"

    def fit(self, data: FloatArray) -> tuple[float, float]:
        """Mean and standard deviation."""
        return float(data.mean()), float(data.std(ddof=1)) if data.size > 1 else 0.0

    def rvs(self, mean: float, deviation: float, *, size: Any, random_state: Any) -> FloatArray:
        return np.asarray(random_state.normal(mean, deviation, size))


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class RedrawnLevels:
    """Every cluster keeps its readings and their scatter, and moves to a new place.

    The places are uniform on the range of the readings widened by one mean gap.
    """

    group: IntArray
    like: Readings

    @classmethod
    def of(cls, readings: Readings, smallest: float, largest: float) -> RedrawnLevels:
        """The null of these readings; units from `smallest` to `largest` set the noise grid."""
        levels = readings.levels()
        order = np.argsort(levels.mean, kind="stable")
        values, factor = levels.mean[order], levels.factor[order]
        sigma = _sigma_grid(readings, levels, smallest, largest)
        window = widened_span(values)
        one = np.ones(values.size, dtype=np.int64)
        evidence = log_any_number(values, np.outer(sigma**2, factor), one, window)
        if not levels.sigma_given:
            evidence -= levels.degrees * np.log(sigma) + 0.5 * levels.scatter / sigma**2
        group = np.empty(values.size, dtype=np.int64)
        group[order] = most_probable_groups(values, factor, float(sigma[np.argmax(evidence)]))
        return cls(group=group[levels.index], like=readings)

    def __call__(self, size: int, rng: np.random.Generator) -> FloatArray:
        x, count = self.like.values, np.bincount(self.group)
        gap = self.like.span / max(count.size, 2)
        places = rng.uniform(x.min() - 0.5 * gap, x.max() + 0.5 * gap, (size, count.size))
        centre = np.bincount(self.group, weights=x) / count
        return self.like.recorded((places - centre)[:, self.group] + x)


def _sigma_grid(readings: Readings, levels: Levels, smallest: float, largest: float) -> FloatArray:
    """Deviations of a reading that may have made the clusters."""
    if levels.sigma_given:
        return np.ones(1)
    least = max((readings.rounding_step or 0.0) / np.sqrt(12), smallest / _FINEST_SIGMA)
    most = max(min(readings.span / 4, largest / 2), 2 * least)
    return np.geomspace(least, most, _SIGMAS)
