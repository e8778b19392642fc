"""How the teeth of a comb share out the readings, and the same envelope without teeth."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.model import priors
from quantize.comb.model.mixture_model import MixtureModel
from quantize.comb.window import least_log_unit_excess, log_unit_excess
from quantize.readings import Readings

_EVERY = 2**62
_FINE = 0.8
"""A comb whose unit is this part of sigma is a continuum, to 1e-13."""
_WINDOW_FINE = 0.25


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Envelope:
    """Where readings can lie.

    `low` and `high` bound a flat envelope and the outliers; they come from the model (`declared`)
    or from the readings. `density` is a frozen distribution or None for a flat one; `first` and
    `last` are the whole numbers that occur.
    """

    low: float
    high: float
    declared: bool
    density: Any
    first: int
    last: int

    @property
    def span(self) -> float:
        """Length of the window."""
        return self.high - self.low

    @property
    def bounded(self) -> bool:
        """Whether first and last whole number are both given."""
        return self.first > -_EVERY and self.last < _EVERY

    def log_mass(
        self, teeth: IntArray, unit: FloatArray, offset: FloatArray, spread: FloatArray
    ) -> FloatArray:
        """Log probability of each tooth, shape of `teeth` (m, J, T); `spread` is sigma/unit."""
        u, b = unit[:, None, None], offset[:, None, None]
        inside = (teeth >= self.first) & (teeth <= self.last)
        if self.density is not None:
            log_g = self.density.logpdf(b + u * teeth)
            mass = log_g - self._log_normaliser(unit, offset)[:, None, None]
            return np.where(inside, mass, -np.inf)
        if self.declared:
            first, last = self._ends(unit, offset)
            inside = inside & (teeth >= first[:, None, None]) & (teeth <= last[:, None, None])
        count = self.count(unit, offset, spread)
        with np.errstate(divide="ignore"):
            log_mass: FloatArray = np.where(inside, -np.log(count)[:, None, None], -np.inf)
        return log_mass

    def count(self, unit: FloatArray, offset: FloatArray, spread: FloatArray) -> FloatArray:
        """Number of teeth of a flat envelope; not whole for a window taken from readings."""
        if self.bounded and not self.declared:
            return np.full(unit.shape, float(self.last - self.first + 1))
        if self.declared:
            first, last = self._ends(unit, offset)
            return np.maximum(last - first + 1.0, 0.0)
        units: FloatArray = np.exp(log_unit_excess(unit, spread, self.span)) * self.span / unit
        return units

    def least_count(self, unit: FloatArray) -> FloatArray:
        """A lower bound of the count for every offset and spread, at units up to `unit`."""
        if self.density is not None:
            return np.zeros(unit.shape)
        if self.bounded and not self.declared:
            return np.full(unit.shape, float(self.last - self.first + 1))
        if self.declared:
            if self.first > -_EVERY or self.last < _EVERY:
                return np.ones(unit.shape)
            return np.maximum(np.floor(self.span / unit), 1.0)
        return np.exp(least_log_unit_excess(unit, self.span)) * self.span / unit

    def _ends(self, unit: FloatArray, offset: FloatArray) -> tuple[FloatArray, FloatArray]:
        first = np.maximum(np.ceil((self.low - offset) / unit - 1e-9), self.first)
        last = np.minimum(np.floor((self.high - offset) / unit + 1e-9), self.last)
        return first, last

    def _log_normaliser(self, unit: FloatArray, offset: FloatArray) -> FloatArray:
        """log Σ g over all teeth."""
        low, high = priors.reach(self.density)
        first = np.maximum(np.ceil((low - offset) / unit), self.first)
        last = np.minimum(np.floor((high - offset) / unit), self.last)
        most = max(int(np.max(last - first)) + 1, 1)
        teeth = first[:, None] + np.arange(most)
        g = self.density.pdf(offset[:, None] + unit[:, None] * teeth)
        with np.errstate(divide="ignore"):
            total: FloatArray = np.log(np.sum(np.where(teeth <= last[:, None], g, 0.0), axis=1))
        return np.where(np.isfinite(total), total, np.inf)

    def outside(self) -> float:
        """Log density of an outlier."""
        return -float(np.log(self.span))

    def continuum(self, sigma: float) -> tuple[float, float, float]:
        """Unit and offset of a comb too fine to show, and the log mass of one of its teeth.

        The mass is for a flat envelope; with a density `log_mass` finds it.
        """
        if self.density is not None or not self.declared:
            unit = _FINE * sigma
            return unit, 0.0, float(np.log(unit / self.span))
        # Midpoints of equal parts of the window.
        parts = int(np.ceil(self.span / (_WINDOW_FINE * sigma)))
        unit = self.span / parts
        return unit, self.low + 0.5 * unit, -float(np.log(parts))

    def teeth(self, unit: float, offset: float) -> IntArray:
        """All whole numbers that can occur, in a window or range declared beforehand."""
        first, last = float(self.first), float(self.last)
        if self.density is not None:
            low, high = priors.reach(self.density)
            first = max(np.ceil((low - offset) / unit), first)
            last = min(np.floor((high - offset) / unit), last)
        elif self.declared:
            ends = self._ends(np.array([unit]), np.array([offset]))
            first, last = float(ends[0][0]), float(ends[1][0])
        teeth: IntArray = np.arange(int(first), int(last) + 1)
        return teeth

    def draw(self, unit: float, offset: float, size: int, rng: np.random.Generator) -> IntArray:
        """Whole numbers drawn from the teeth."""
        teeth = self.teeth(unit, offset)
        if teeth.size == 0:
            raise InputError(
                f"`window` ({self.low:g}, {self.high:g}) holds no multiple of {unit:g}; widen it."
            )
        g = np.ones(teeth.size)
        if self.density is not None:
            g = self.density.pdf(offset + unit * teeth)
        drawn: IntArray = rng.choice(teeth, size=size, p=g / g.sum())
        return drawn


def envelope_of(model: MixtureModel, readings: Readings | None) -> Envelope:
    """The envelope that a model means for these readings."""
    declared = model.window is not None
    if model.window is not None:
        low, high = model.window
    elif readings is not None:
        values = readings.values[readings.measured]
        low, high = float(values.min()), float(values.max())
    elif priors.is_distribution(model.envelope):
        low, high = priors.reach(model.envelope)
    elif isinstance(model.integers, tuple):
        low, high = (float(end) for end in model.integers)
    else:
        raise InputError("`window` is needed to draw readings; give the model one.")
    first, last = -_EVERY, _EVERY
    if model.integers == "positive":
        first = 1
    elif model.integers != "any":
        first, last = model.integers
    density = model.envelope if priors.is_distribution(model.envelope) else None
    if model.envelope in ("normal", "exponential"):
        if readings is None:
            raise InputError(
                f"`envelope` {model.envelope!r} takes its parameters from readings; to draw some, "
                "give a distribution such as scipy.stats.norm(0, 3)."
            )
        density = _fitted(model.envelope, readings.values[readings.measured], first)
    return Envelope(low=low, high=high, declared=declared, density=density, first=first, last=last)


def _fitted(kind: str, values: FloatArray, first: int) -> Any:
    from scipy import stats

    if kind == "normal":
        return stats.norm(float(values.mean()), float(values.std(ddof=1)))
    scale = float(np.mean(np.abs(values)))
    if first > 0 or values.min() >= 0:
        return stats.expon(scale=scale)
    return stats.laplace(scale=scale)
