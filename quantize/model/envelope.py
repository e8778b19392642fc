"""How the teeth of a comb share out the readings, and the same envelope without teeth."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.window import least_log_unit_excess, log_unit_excess
from quantize.model import distributions
from quantize.model.model import MixtureModel
from quantize.readings import Readings

_EVERY = 2**62
_FINE = 0.8
"""A comb whose unit is this part of a deviation is a continuum, to 1e-13."""
_OF_WIDTH = 0.5
"""Part of the deviation of a density that a deviation counts as at most."""
_WINDOW_FINE, _FEWEST_PARTS = 0.25, 8
"""Parts of a window, in deviations, and the fewest that have room for the weights at both ends."""
_MOST_TEETH = 20_000
"""Teeth under a density, at the smallest unit; with more, hours and all memory go into its sum."""
_NEAR_EDGE = 1e-6
"""Part of the length of a density within which it reaches to the end of its support."""
_AT_KINK = 1.0 - np.sqrt(1 / 12)
"""Steps, but for whole ones, to where the variance ceases to grow: there the second Bernoulli
polynomial is zero, and the lattice sum errs by the third power of a step."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Envelope:
    """Where readings can lie.

    `low` and `high` bound a flat envelope and the outliers; they come from the model (`declared`)
    or from the readings. `density` is a frozen distribution or None for a flat one; `first` and
    `last` are the whole numbers that occur, `levels` the number of levels between the ends. Where
    the last one is unknown, `most` bounds it.
    """

    low: float
    high: float
    declared: bool
    density: Any
    first: int
    last: int
    levels: int = 1
    most: int | None = None

    @property
    def span(self) -> float:
        """Length of the window."""
        return self.high - self.low

    @property
    def bounded(self) -> bool:
        """Whether first and last whole number are both given."""
        return self.first > -_EVERY and self.last < _EVERY

    @property
    def limited(self) -> bool:
        """Whether any of the two is given."""
        return self.first > -_EVERY or self.last < _EVERY

    @property
    def closed(self) -> bool:
        """Whether the teeth have an end on both sides, and their probabilities add up to one."""
        return self.declared or self.bounded or self.density is not None

    @property
    def limits(self) -> tuple[float, float]:
        """Ends of the window."""
        return self.low, self.high

    def without_integers(self) -> Envelope:
        """The same sizes with every whole number allowed."""
        return dataclasses.replace(self, first=-_EVERY, last=_EVERY, most=None)

    def reach(self) -> tuple[float, float]:
        """Sizes between which the teeth lie, those included where a density begins or breaks off.

        All but 2e-9 of a density lies between them.
        """
        if self.density is None:
            return self.low, self.high
        ends, support = distributions.reach(self.density), self.density.support()
        near = _NEAR_EDGE * (ends[1] - ends[0])
        low, high = (s if abs(e - s) < near else e for e, s in zip(ends, support, strict=True))
        return float(low), float(high)

    def log_mass(
        self, teeth: FloatArray, unit: FloatArray, offset: FloatArray, spread: FloatArray
    ) -> FloatArray:
        """Log probability of each tooth, shape (m, J or 1, T or 1); `spread` is sigma/unit.

        `teeth` has shape (m, J, T).
        """
        inside = (teeth >= self.first) & (teeth <= self.last) if self.limited else True
        if self.density is not None:
            log_g = self.density.logpdf(offset[:, None, None] + unit[:, None, None] * teeth)
            mass = log_g - self._log_normaliser(unit, offset)[:, None, None]
            return np.where(inside, mass, -np.inf)
        if self.declared:
            first, last = self.ends(unit, offset)
            inside = (teeth >= first[:, None, None]) & (teeth <= last[:, None, None])
        with np.errstate(divide="ignore"):
            even = -np.log(self.count(unit, offset, spread))[:, None, None]
        return even if inside is True else np.where(inside, even, -np.inf)

    def most_log_mass(
        self,
        teeth: FloatArray,
        unit: FloatArray,
        offset: FloatArray,
        offset_half: FloatArray,
        unit_half: FloatArray,
        spreads: tuple[FloatArray, FloatArray],
    ) -> FloatArray:
        """Upper bound of `log_mass` while log unit changes by `unit_half`, offset by `offset_half`.

        The `spreads` are the smallest and the largest sigma/unit.
        """
        inside: BoolArray | bool = True
        if self.limited:
            inside = (teeth >= self.first) & (teeth <= self.last)
        if self.density is None:
            fewest = self.least_count(unit, offset, offset_half, unit_half, spreads)
            even = -np.log(fewest)[:, None, None]
        if self.density is None and not self.declared:
            return even if inside is True else np.where(inside, even, -np.inf)
        place = unit[:, None, None] * teeth
        move = np.abs(place) * np.expm1(unit_half)[:, None, None] + offset_half[:, None, None]
        place = place + offset[:, None, None]
        if self.density is None:
            margin = move + 1e-8 * unit[:, None, None]
            inside = inside & (place + margin >= self.low) & (place - margin <= self.high)
            return np.where(inside, even, -np.inf)
        most = self._most_density(place, move)
        mass = (
            most - self._least_log_normaliser(unit, offset, offset_half, unit_half)[:, None, None]
        )
        return np.where(inside, mass, -np.inf)

    def _most_density(self, place: FloatArray, move: FloatArray) -> FloatArray:
        """Largest log density within `move` of each place, where its logarithm is concave.

        A concave curve lies below the straight lines through its neighbours, and none lies above
        the peak of the density.
        """
        left, centre, right = (self.density.logpdf(place + side * move) for side in (-1, 0, 1))
        with np.errstate(invalid="ignore"):
            lines = np.maximum.reduce([left, centre, right, 2 * centre - left, 2 * centre - right])
        low, high = self.reach()
        near = (place + move >= low) & (place - move <= high)
        lines = np.where(near & ~np.isfinite(lines), np.inf, lines)
        return np.minimum(np.where(np.isnan(lines), np.inf, lines), self._log_peak)

    @functools.cached_property
    def _log_peak(self) -> float:
        """Largest log density, from a fine scan."""
        low, high = self.reach()
        inner = np.r_[np.linspace(low, high, 4001), self.density.ppf(np.linspace(0, 1, 401)[1:-1])]
        values = self.density.logpdf(inner)
        return float(np.max(values[np.isfinite(values)])) + 1e-3

    def _least_log_normaliser(
        self, unit: FloatArray, offset: FloatArray, offset_half: FloatArray, unit_half: FloatArray
    ) -> FloatArray:
        """Lower bound of log Σ g: every tooth as low as it can get, where g has one peak."""
        teeth, outside = self._all_teeth(unit, offset)
        place = unit[:, None] * teeth
        move = np.abs(place) * np.expm1(unit_half)[:, None] + offset_half[:, None]
        place = place + offset[:, None]
        g = np.minimum(self.density.pdf(place - move), self.density.pdf(place + move))
        with np.errstate(divide="ignore"):
            least: FloatArray = np.log(np.sum(np.where(outside, 0.0, g), axis=1))
        return least

    def count(self, unit: FloatArray, offset: FloatArray, spread: FloatArray) -> FloatArray:
        """Number of teeth of a flat envelope; not whole for a window taken from readings."""
        if self.bounded and not self.declared:
            return np.full(unit.shape, float(self.last - self.first + 1))
        if self.declared:
            first, last = self.ends(unit, offset)
            return np.maximum(last - first + 1.0, 0.0)
        excess = log_unit_excess(unit, spread, self.span, self.levels)
        return np.exp(excess) * self.span / unit

    def least_count(
        self,
        unit: FloatArray,
        offset: FloatArray,
        offset_half: FloatArray,
        unit_half: FloatArray,
        spreads: tuple[FloatArray, FloatArray],
    ) -> FloatArray:
        """A lower bound of the count of a flat envelope over cells, but at least one."""
        largest = unit * np.exp(unit_half)
        if self.declared:
            corners = [
                self.ends(u, b)
                for u in (unit * np.exp(-unit_half), largest)
                for b in (offset - offset_half, offset + offset_half)
            ]
            last = np.minimum.reduce([c[1] for c in corners])
            first = np.maximum.reduce([c[0] for c in corners])
            fewest = last - first + 1
            if not self.limited:
                fewest = np.maximum(fewest, np.floor(self.span / largest))
            return np.asarray(np.maximum(fewest, 1.0))
        if self.bounded:
            return np.full(unit.shape, float(self.last - self.first + 1))
        excess = least_log_unit_excess(unit, unit_half, spreads, self.span, self.levels)
        return np.exp(excess) * self.span / largest

    def ends(self, unit: FloatArray, offset: FloatArray) -> tuple[FloatArray, FloatArray]:
        """First and last tooth that occur, where the window or the integers have ends."""
        first, last = np.full(unit.size, float(self.first)), np.full(unit.size, float(self.last))
        if self.declared:
            first = np.maximum(np.ceil((self.low - offset) / unit - 1e-9), first)
            last = np.minimum(np.floor((self.high - offset) / unit + 1e-9), last)
        return first, last

    def _all_teeth(self, unit: FloatArray, offset: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Every tooth within reach of the density, shape (m, K), and which are too many."""
        low, high = self.reach()
        first = np.maximum(np.ceil((low - offset) / unit), float(self.first))
        last = np.minimum(np.floor((high - offset) / unit), float(self.last))
        most = max(int(np.max(last - first)) + 1, 1)
        teeth: FloatArray = first[:, None] + np.arange(most)
        return teeth, teeth > last[:, None]

    def _log_normaliser(self, unit: FloatArray, offset: FloatArray) -> FloatArray:
        """log Σ g over all teeth."""
        teeth, outside = self._all_teeth(unit, offset)
        g = self.density.pdf(offset[:, None] + unit[:, None] * teeth)
        with np.errstate(divide="ignore"):
            total: FloatArray = np.log(np.sum(np.where(outside, 0.0, g), axis=1))
        return np.where(np.isfinite(total), total, np.inf)

    def outside(self) -> float:
        """Log density of an outlier."""
        return -float(np.log(self.span))

    def continuum(
        self, place: Callable[[float], FloatArray], largest: float, fine: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Where combs too fine to show begin, their steps, how many parts they have, shape (m, J).

        In deviations from zero, of which `place` says how many a size has; that of what is read has
        `fine` (J,), and they grow up to the size `largest`.
        """
        if self.density is not None or not self.declared:
            end = place(largest)
            if self.density is not None:
                # What is read may be broader than the sizes are.
                width = _OF_WIDTH * distributions.spread(self.density)
                fine = np.minimum(fine, end - place(max(largest - width, 0.0)))
            step = end / (np.ceil(end / (_FINE * fine)) + _AT_KINK)
            return 0 * step, step, np.inf * step
        # Midpoints of equal parts of the window.
        start, end = (place(limit) for limit in self.limits)
        parts = np.maximum(np.ceil((end - start) / (_WINDOW_FINE * fine)), _FEWEST_PARTS)
        return start + 0 * parts, (end - start) / parts, parts

    def continuum_mass(self, size: FloatArray, k: FloatArray, parts: FloatArray) -> FloatArray:
        """Log density of sizes in the middle of the parts `k`, of shape (T, m, J)."""
        if self.density is not None:
            return np.asarray(self.density.logpdf(size))
        mass = np.full(size.shape, -np.log(self.span))
        if self.declared:
            mass[(k < 0) | (k >= parts)] = -np.inf
            for from_end in (k, parts - 1 - k):
                for order, weight in enumerate(distributions.edge_weights(8)):
                    mass[from_end == order] += np.log(weight)
        return mass

    def teeth(self, unit: float, offset: float) -> IntArray:
        """All whole numbers that can occur, in a window or range declared beforehand."""
        at = np.array([unit]), np.array([offset])
        if self.density is not None:
            teeth, outside = self._all_teeth(*at)
            return teeth[~outside].astype(np.int64)
        first, last = self.ends(*at)
        return np.arange(int(first[0]), int(last[0]) + 1)

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
        return rng.choice(teeth, size=size, p=g / g.sum())


def envelope_of(
    model: MixtureModel, readings: Readings | None, smallest: float | None = None
) -> Envelope:
    """The envelope that a model means for these readings and units from `smallest` on."""
    declared = model.window is not None
    if model.window is not None:
        low, high = model.window
    elif readings is not None:
        means = readings.select(readings.measured).levels().mean
        values = means if np.ptp(means) > 0 else readings.values[readings.measured]
        low, high = float(values.min()), float(values.max())
    elif distributions.is_distribution(model.envelope):
        low, high = distributions.reach(model.envelope)
    elif isinstance(model.integers, tuple) and model.integers[1] is not None:
        low, high = float(model.integers[0]), float(model.integers[1])
    else:
        raise InputError("`window` is needed to draw readings; give the model one.")
    first, last = -_EVERY, _EVERY
    if model.integers == "positive":
        first = 1
    elif model.integers != "any":
        first, given = model.integers
        last = _EVERY if given is None else given
    density = model.envelope if distributions.is_distribution(model.envelope) else None
    if model.envelope in ("normal", "exponential"):
        if readings is None:
            raise InputError(
                f"`envelope` {model.envelope!r} takes its parameters from readings; to draw some, "
                "give a distribution such as scipy.stats.norm(0, 3)."
            )
        density = _fitted(model.envelope, readings.values[readings.measured], first, last)
    if density is not None and smallest is not None:
        _refuse_long_tails(density, smallest, last - first)
    return Envelope(
        low=low,
        high=high,
        declared=declared,
        density=density,
        first=first,
        last=last,
        levels=1 if readings is None else readings.select(readings.measured).levels().mean.size,
        most=_most(model, readings, smallest),
    )


def _refuse_long_tails(density: Any, smallest: float, numbers: int) -> None:
    low, high = distributions.reach(density)
    if min((high - low) / smallest, numbers) > _MOST_TEETH:
        raise InputError(
            f"`envelope` has the density {distributions.text(density)}, whose tails reach from "
            f"{low:g} to {high:g}, over more than {_MOST_TEETH:,} units of {smallest:g}; take one "
            "with shorter tails, such as scipy.stats.norm, or raise the low end of `unit_range`."
        )


def _most(model: MixtureModel, readings: Readings | None, smallest: float | None) -> int | None:
    """The bound of a last whole number that is unknown; None where it is known or has none."""
    if not isinstance(model.integers, tuple) or model.integers[1] is not None:
        return None
    if readings is None or smallest is None:
        raise InputError(
            f"`integers` is ({model.integers[0]}, None), and to draw readings the last number is "
            "needed; give it."
        )
    reach = float(np.abs(readings.values[readings.measured]).max())
    return max(int(np.ceil(2 * reach / smallest)), model.integers[0] + 1)


def _fitted(kind: str, values: FloatArray, first: int, last: int) -> Any:
    from scipy import stats

    if kind == "normal":
        return stats.norm(float(values.mean()), float(values.std(ddof=1)))
    scale = float(np.mean(np.abs(values)))
    if first > 0 or values.min() >= 0:
        return stats.expon(scale=scale)
    if last < 0 or values.max() <= 0:
        return stats.weibull_max(1.0, scale=scale)  # an exponential downwards
    return stats.laplace(scale=scale)
