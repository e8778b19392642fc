"""The terms that the likelihood of a sample adds up: every reading at every tooth of its state."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.model.envelope import Envelope
from quantize.model.noise import HALF_LOG_2PI, ReadingKinds, grown_variance, log_normal_in_place
from quantize.readings import Readings

_CHUNK = 60_000
"""Numbers in an array that stays in the processor's cache."""
DIGITS = 46.0
"""Teeth further off add less than exp(−23) of the nearest one."""
_FEW_TIMES = 4
"""So many times the teeth of one reading those of all may be to be taken together."""
_LEAST = 1e-290
"""Sums of densities from which on none of their digits is lost."""
_GROWS = 1.5
"""Largest readings up to which the variance grows where sizes have no end."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Parameters:
    """Values of the parameters, each of shape (m,)."""

    unit: FloatArray
    sigma: FloatArray
    offset: FloatArray
    growth: FloatArray
    outliers: FloatArray

    @classmethod
    def plain(cls, unit: FloatArray, sigma: FloatArray) -> Parameters:
        """Unit and sigma, and nothing of what else a model may have."""
        none = np.zeros(unit.size)
        return cls(unit=unit, sigma=sigma, offset=none, growth=none, outliers=none)

    def rows(self, part: slice | IntArray) -> Parameters:
        """Some of them."""
        return Parameters(**{f.name: getattr(self, f.name)[part] for f in dataclasses.fields(self)})


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Cell:
    """How far the parameters reach around (or below) given ones, each of shape (m,).

    The log of the unit differs by at most `log_unit` either way and the offset by `offset`; sigma
    and growth are between `sigma_low`, `growth_low` and the given values.
    """

    log_unit: FloatArray
    offset: FloatArray
    sigma_low: FloatArray
    growth_low: FloatArray

    def rows(self, part: slice | IntArray) -> Cell:
        """Some of them."""
        return Cell(**{f.name: getattr(self, f.name)[part] for f in dataclasses.fields(self)})


class Terms:
    """Readings sorted by state, the teeth that each state may be at, and their densities.

    `power` is that of the law of noise (`quantize.model.noise.POWERS`). Where the readings share a
    shift, it takes the place of the offset: it moves reading i by `lever[i]` times itself, and no
    size.
    """

    def __init__(
        self, readings: Readings, envelope: Envelope, *, power: int, rounding: bool
    ) -> None:
        if rounding and readings.resolution is None:
            rounding = readings.steps is not None
            readings = readings.replace(resolution=readings.steps)
        self.readings = readings
        self.envelope = envelope
        self.power = power
        self.rounding = rounding
        n = len(readings)
        state = np.arange(n) if readings.state is None else readings.state
        self.order = np.argsort(state, kind="stable")
        self.state = state[self.order]
        self.x = readings.values[self.order]
        self.scale = readings.scale[self.order]
        shift = readings.shift
        self.shifted = shift is not None
        self.lever = np.ones(n) if shift is None else shift.lever[self.order]
        self.levered = bool(np.any(self.lever != 1))
        self.starts = np.flatnonzero(np.r_[True, np.diff(self.state) > 0])
        self.states = self.starts.size
        sizes = np.diff(np.r_[self.starts, n])
        self.of_reading = np.repeat(np.arange(self.states), sizes)
        self.one_lever = bool(np.all(self.lever == self.lever[self.starts][self.of_reading]))
        of_mean = 1 / np.add.reduceat(self.scale**-2.0, self.starts)
        self.blur = float(np.sqrt(np.mean(of_mean)))
        self.sharpness = np.sqrt(of_mean) / self.scale.min()
        self.kinds = ReadingKinds(readings, self.order, rounding)
        self.step, self.beyond = self.kinds.step, self.kinds.beyond
        alike = bool(np.all(self.scale == self.scale[0])) and not self.levered
        self.alike = alike and self.kinds.all_sharp and self.states == n
        # Errors in proportion to means without end would reach every reading from ever farther, and
        # the sum over teeth would have no end.
        self.end, self.largest = max(map(abs, envelope.reach())), np.inf
        if not envelope.declared and envelope.density is None:
            self.end = self.largest = _GROWS * self.end
        self._places()

    def _places(self) -> None:
        """Where the teeth of each state can be; a state wholly off the scale may be anywhere."""
        on_scale = self.beyond == 0
        self.lowest = np.minimum.reduceat(np.where(on_scale, self.x, np.inf), self.starts)
        self.highest = np.maximum.reduceat(np.where(on_scale, self.x, -np.inf), self.starts)
        blank = ~np.isfinite(self.lowest)
        # So may one of which a reading is off the scale, where the others are astray.
        self.apart = ~on_scale & ~blank[self.of_reading]
        wide = np.logical_or.reduceat(self.apart, self.starts) & self.envelope.closed
        self.apart &= not self.envelope.closed
        self.anywhere = np.flatnonzero(blank | wide)
        low, high = self.envelope.reach()
        for i in self.anywhere:
            self.lowest[i] = min(self.lowest[i], low)
            self.highest[i] = max(self.highest[i], high)
        # In an envelope without ends a reading off the scale says nothing.
        self.mute = np.flatnonzero(blank & (not self.envelope.closed))

    def spread(self, p: Parameters) -> FloatArray:
        """Largest standard deviation of a reading at a tooth that counts, shape (m,)."""
        return self.spread_at(p, np.abs(self.x).max(keepdims=True))[:, 0]

    def spread_at(self, p: Parameters, size: FloatArray) -> FloatArray:
        """The same of readings of some sizes, (J,) or (m, J); shape (m, J)."""
        growth = p.growth[:, None]
        farthest = self._farthest_mean(growth, size) if self.power else size
        constant = np.square(p.sigma * self.scale.max())[:, None]
        return np.sqrt(grown_variance(constant, growth, farthest, self.power))

    def _farthest_mean(self, growth: FloatArray, reach: FloatArray) -> FloatArray:
        """Largest mean from which a reading at `reach` can come, within the envelope."""
        z = growth * np.sqrt(DIGITS)
        if self.power == 2:
            mean = reach / np.maximum(1 - z, 1e-9)
        else:
            mean = np.square(0.5 * z + np.sqrt(0.25 * z**2 + reach))
        return np.asarray(np.clip(mean, reach, np.maximum(self.end, reach)))

    def half_width(self, p: Parameters, cell: Cell | None) -> FloatArray:
        """Teeth on either side of the nearest that can add to the likelihood, shape (m,)."""
        s = self.spread(p) / p.unit
        half = np.sqrt(0.25 + DIGITS * np.square(s)) + 0.5 + self.kinds.reach / p.unit
        half = np.floor(half) + (1.0 if self.kinds.is_changed.size else 0.0)
        if cell is not None:
            half = half + np.ceil(self._farthest_move(p, cell) / p.unit)
        return half

    def _farthest_move(self, p: Parameters, cell: Cell) -> FloatArray:
        """How far the tooth of any reading can move within a cell, shape (m,)."""
        farthest = max(np.abs(self.lowest).max(), np.abs(self.highest).max())
        most = float(np.abs(self.lever).max())
        by_unit = (farthest + most * np.abs(p.offset)) * np.expm1(cell.log_unit)
        return np.asarray(by_unit + most * cell.offset)

    def work(self, p: Parameters, cell: Cell | None = None) -> FloatArray:
        """How many terms each row has, shape (m,)."""
        teeth: FloatArray = 2 * self.half_width(p, cell) + 1
        if self.states < self.x.size or self.anywhere.size:
            teeth += np.ceil(float(np.max(self.highest - self.lowest)) / p.unit)
        return teeth * self.x.size

    def in_waves(self, p: Parameters, cell: Cell) -> tuple[BoolArray, BoolArray]:
        """In which cells the bound takes the offset as it is, once the unit is close, or now."""
        nowhere = np.zeros(p.unit.size, dtype=bool)
        return nowhere, nowhere

    def chunks(
        self, p: Parameters, cell: Cell | None = None, work: FloatArray | None = None
    ) -> list[IntArray]:
        """Rows in parts that stay in the processor's cache, alike in the number of teeth."""
        work = self.work(p, cell) if work is None else work
        order = np.argsort(work, kind="stable")
        sizes = work[order]
        out, at = [], 0
        while at < order.size:
            block = sizes[at : at + 4096]
            size = int(np.searchsorted(np.arange(1, block.size + 1) * block, _CHUNK))
            size = min(max(size, 1), block.size)
            out.append(order[at : at + size])
            at += size
        return out

    def ends_of_states(self, p: Parameters) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest reading of each state less the offset, shape (m, J)."""
        b = p.offset[:, None]
        if not self.levered:
            return self.lowest - b, self.highest - b
        at_one_lever = np.minimum.reduceat(self.lever, self.starts)
        across = np.maximum.reduceat(self.lever, self.starts) - at_one_lever
        farther = np.abs(b) * across
        return self.lowest - b * at_one_lever - farther, self.highest - b * at_one_lever + farther

    def near_the_sizes(self, p: Parameters) -> tuple[FloatArray, FloatArray]:
        """Ends between which a state without steps can have its size, but for the noise, (m, J)."""
        if self.power or self.envelope.closed or np.any(self.beyond) or np.any(p.outliers):
            return self.ends_of_states(p)
        # The product of densities of readings falls off from near their mean as a normal one.
        x, lever = self._means(self.scale**-2.0)
        mean = x - p.offset[:, None] * lever
        return mean, mean

    def _means(self, weight: FloatArray) -> Iterator[FloatArray]:
        """Weighted means of the readings of each state, and of their levers, shape (J,)."""
        total = np.maximum(np.add.reduceat(weight, self.starts), np.finfo(float).tiny)
        return (np.add.reduceat(weight * v, self.starts) / total for v in (self.x, self.lever))

    def start(self, p: Parameters) -> FloatArray:
        """The size at the tooth of number zero."""
        return np.zeros(p.unit.size) if self.shifted else p.offset

    def shift_within_states(self, sigma: float) -> tuple[float, float]:
        """The shift at which the readings of each state agree best, and its standard error.

        Zero and infinity where no readings of one state are moved by different amounts.
        """
        weight = np.square(sigma * self.scale) ** -1.0 * (self.beyond == 0)
        means = zip((self.x, self.lever), self._means(weight), strict=True)
        x, lever = (value - mean[self.of_reading] for value, mean in means)
        information = float(np.sum(weight * lever**2))
        if not information > 0:
            return 0.0, np.inf
        return float(np.sum(weight * lever * x)) / information, information**-0.5

    def teeth_of(self, p: Parameters, cell: Cell | None) -> FloatArray:
        """Whole numbers tried for each state, shape (m, J, T)."""
        return self.teeth_from(*self.first_teeth(p, cell))

    @staticmethod
    def teeth_from(first: FloatArray, count: int) -> FloatArray:
        """The teeth `count` from the `first` of each state.

        They come first in memory, so that what is summed over them lies far apart.
        """
        return np.moveaxis(first + np.arange(count)[:, None, None], 0, 2)

    def first_teeth(self, p: Parameters, cell: Cell | None) -> tuple[FloatArray, int]:
        """The lowest whole number tried for each state, shape (m, J), and how many there are."""
        u = p.unit[:, None]
        half = self.half_width(p, cell)[:, None]
        lowest, highest = self.ends_of_states(p)
        first, last = np.rint(lowest / u) - half, np.rint(highest / u) + half
        if self.envelope.limited or self.envelope.declared:
            lower, upper = self.envelope.ends(p.unit, self.start(p))
            if cell is not None:
                move = self._farthest_move(p, cell) / p.unit + 1
                lower, upper = lower - np.ceil(move), upper + np.ceil(move)
            # Of teeth that do not occur the nearest that do take the place.
            width = last - first
            first = np.maximum(np.minimum(first, upper[:, None] - width), lower[:, None])
            last = first + width
        if self.anywhere.size and self.envelope.bounded:
            first[:, self.anywhere] = self.envelope.first
            last[:, self.anywhere] = self.envelope.last
        return first, int(np.max(last - first)) + 1

    def densities(self, p: Parameters, cell: Cell | None, teeth: FloatArray) -> FloatArray:
        """Log density of each reading at each tooth, shape (m, n, T), or its bound in a cell."""
        mean = self.per_reading(teeth * p.unit[:, None, None])
        at_reading = mean
        if np.any(p.offset):
            at_reading = mean + (p.offset[:, None] * self.lever)[:, :, None]
        d = self.x[:, None] - at_reading
        if cell is None:
            variance = self.variance(p, at_reading)
            return self.kinds.log_density(d, variance, variance, p.unit)
        size = np.abs(at_reading)
        move = np.abs(mean, out=mean)
        move *= np.expm1(cell.log_unit)[:, None, None]
        if np.any(cell.offset):
            move += (cell.offset[:, None] * np.abs(self.lever))[:, :, None]
        # Largest and smallest variance of each reading at each tooth within a cell.
        widest = self.variance(p, size + move)
        low = dataclasses.replace(p, sigma=cell.sigma_low, growth=cell.growth_low)
        size -= move
        narrowest = self.variance(low, np.maximum(size, 0.0, out=size))
        log_f = self.kinds.log_density(
            self.kinds.nearer(d, move), widest, narrowest, p.unit * np.exp(cell.log_unit)
        )
        if (i := self.kinds.is_changed).size:
            log_f[:, i] += 2 * cell.log_unit[:, None, None]
        return log_f

    def variance(
        self, p: Parameters, mean: FloatArray, scale: FloatArray | None = None
    ) -> FloatArray:
        """Variance of each reading at each tooth, shape (m, n, 1 or T), or of some `scale`."""
        scale = self.scale if scale is None else scale
        constant = np.square(p.sigma[:, None] * scale)[:, :, None]
        if not self.power:
            return constant
        variance: FloatArray = np.square(mean) if self.power == 2 else np.abs(mean)
        np.minimum(variance, self.largest**self.power, out=variance)
        variance *= np.square(p.growth)[:, None, None]
        variance += constant
        return variance

    def log_sums_together(
        self, p: Parameters, cell: Cell | None, first: FloatArray, count: int
    ) -> FloatArray | None:
        """Log likelihood of each reading, (m, n), or its bound, from the same teeth for all.

        None where readings differ in more than size, or each needs but few of the teeth, `count`
        from its `first`, or is too far from them all.
        """
        lowest = first.min(axis=1)
        number = int(np.max(first.max(axis=1) - lowest)) + count
        if not (self.alike and self.power) or number > _FEW_TIMES * count:
            return None
        # What belongs to a tooth comes first in memory and is the same for every reading.
        teeth = (lowest + np.arange(number)[:, None]).T[:, None]
        at = teeth * p.unit[:, None, None]
        mean = at + p.offset[:, None, None]
        mass = self.masses(p, cell, teeth)
        one, x = self.scale[:1], self.x[:, None, None]
        if cell is None:
            variance = self.variance(p, mean, one)
            mass = mass - 0.5 * np.log(variance) - HALF_LOG_2PI
            terms = x - mean[:, 0].T
            terms *= terms
            terms *= (-0.5 / variance)[:, 0].T
        else:
            move = np.abs(at) * np.expm1(cell.log_unit)[:, None, None]
            move += cell.offset[:, None, None]
            widest = self.variance(p, np.abs(mean) + move, one)
            low = dataclasses.replace(p, sigma=cell.sigma_low, growth=cell.growth_low)
            narrowest = self.variance(low, np.maximum(np.abs(mean) - move, 0.0), one)
            terms = x - mean[:, 0].T
            np.abs(terms, out=terms)
            terms -= move[:, 0].T
            np.maximum(terms, 0.0, out=terms)
            terms = log_normal_in_place(terms, widest[:, 0].T, narrowest[:, 0].T)
        terms += mass[:, 0].T
        total = np.exp(terms, out=terms).sum(axis=1).T
        return np.log(total) if total.min() > _LEAST else None

    def per_reading(self, of_state: FloatArray) -> FloatArray:
        """Repeat what belongs to a state for each of its readings."""
        return of_state if self.states == self.x.size else of_state[:, self.of_reading]

    def per_state(self, of_reading: FloatArray) -> FloatArray:
        """Add up what belongs to the readings of each state."""
        if self.states == self.x.size:
            return of_reading
        return np.add.reduceat(of_reading, self.starts, axis=1)

    def masses(self, p: Parameters, cell: Cell | None, teeth: FloatArray) -> FloatArray:
        """Log probability of each tooth, shape (m, J or 1, T or 1), or its bound in a cell."""
        if self.envelope.density is None:
            return self._masses(p, cell, teeth)
        first = teeth.min(axis=(1, 2), keepdims=True)
        count = int(np.max(teeth.max(axis=(1, 2), keepdims=True) - first)) + 1
        if count >= teeth[0].size:
            return self._masses(p, cell, teeth)
        # Many states share few teeth, and a density is dear.
        mass = self._masses(p, cell, first + np.arange(count))[:, 0]
        place = (teeth - first).astype(np.int64)
        return np.asarray(mass[np.arange(place.shape[0])[:, None, None], place])

    def _masses(self, p: Parameters, cell: Cell | None, teeth: FloatArray) -> FloatArray:
        start = self.start(p)
        if cell is None:
            return self.envelope.log_mass(teeth, p.unit, start, self.blur_in_units(p))
        reach = np.zeros(p.unit.size) if self.shifted else cell.offset
        return self.envelope.most_log_mass(
            teeth, p.unit, start, reach, cell.log_unit, self.blurs_in_units(p, cell)
        )

    def blurs_in_units(self, p: Parameters, cell: Cell) -> tuple[FloatArray, FloatArray]:
        """The smallest and the largest spread of a level mean, in units, within cells."""
        per_unit, stretch = self.blur / p.unit, np.exp(cell.log_unit)
        return cell.sigma_low * per_unit / stretch, p.sigma * per_unit * stretch

    def blur_in_units(self, p: Parameters) -> FloatArray:
        """Spread of a level mean, in units."""
        return p.sigma * self.blur / p.unit


def log_sum(terms: FloatArray) -> FloatArray:
    """log Σ exp over the last axis; −inf where every term is. `terms` is overwritten."""
    top = terms.max(axis=-1, keepdims=True)
    top[~np.isfinite(top)] = 0.0
    terms -= top
    np.exp(terms, out=terms)
    with np.errstate(divide="ignore"):
        total: FloatArray = np.log(terms.sum(axis=-1))
    total += top[..., 0]
    return total
