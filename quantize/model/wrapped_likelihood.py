"""The likelihood where the model holds nothing but unit, sigma and offset: phases on a circle.

With an unbounded flat envelope the sum over the whole numbers of a state is the wrapped-normal
density of the phase of its mean (`quantize.comb.wrapped`), over the teeth in the span of the
readings (`quantize.comb.window`); the readings of the state about their mean have a density that
knows nothing of the comb. `Likelihood` gives the same numbers term by term.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.sums import waves
from quantize.comb.window import least_log_unit_excess, log_unit_excess
from quantize.comb.wrapped import (
    WIDE,
    cosine_sums,
    log_density_sum,
    log_interval,
    log_likelihood_from_cosines,
    log_product,
    log_rounded_phase,
    log_wrapped_normal,
    most_of_waves,
)
from quantize.model.envelope import Envelope
from quantize.model.likelihood import Likelihood
from quantize.model.noise import grown_variance
from quantize.model.terms import Cell, Parameters
from quantize.readings import Readings

_HALF_LOG_2PI = 0.5 * float(np.log(2 * np.pi))
_BLOCK = 2**15
_NO_IMAGES, _HALF_WAY = 0.08, 0.375
"""Below this spread a phase up to this has no tooth but the nearest, to 1e-8."""
_SIX_IMAGES = 0.8
"""Up to this spread three teeth on either side of the nearest are enough."""
_NEGLIGIBLE = 9.0
_NO_OTHER = 0.4
_MANY, _LITTLE, _WAVE_TERMS, _WAVES_FROM = 40, 0.5, 60, 0.15
"""So many phases that move by so little (root of the sum of squares) are bounded by waves, with
so much work besides the sums, where the spread is as wide as that."""


class WrappedLikelihood(Likelihood):
    """A `Likelihood` by wrapped-normal densities; it knows no outliers."""

    def __init__(self, readings: Readings, envelope: Envelope, *, rounding: bool = False) -> None:
        super().__init__(readings, envelope, rounding=rounding)
        levels = readings.levels()
        first = self.order[self.starts]
        order = levels.index[first]
        self.mean, self.root = levels.mean[order], np.sqrt(levels.factor[order])
        self.level_lever = self.lever[self.starts]
        self.equal = bool(np.all(self.root == self.root[0]))
        self.widths = self.root[: 1 if self.equal else None]
        self.many_alike = self.equal and not (rounding or self.levered) and self.states >= _MANY
        self.middle = float(self.mean.mean())
        self.degrees, self.scatter = levels.degrees, levels.scatter
        self.span = float(np.ptp(self.mean))
        self.constant = float(
            np.sum(np.log(self.root))
            - np.sum(np.log(self.scale))
            - self.degrees * _HALF_LOG_2PI
            - self.states * np.log(self.span)
        )

    def log_within_states(self, sigma: FloatArray) -> FloatArray:
        """Log density of the readings about the means of their states, over the span for each."""
        inner: FloatArray = (
            self.constant - self.degrees * np.log(sigma) - 0.5 * self.scatter / np.square(sigma)
        )
        return inner

    def log_continuum(self, p: Parameters) -> FloatArray:
        """Log likelihood of the same sample without steps."""
        return self.log_within_states(p.sigma)

    def log_likelihood(self, p: Parameters) -> FloatArray:
        """Log likelihood, shape (m,)."""
        sums = self._sum_of_phases(p) + self.log_within_states(p.sigma)
        total: FloatArray = sums - self.states * self._excess(p)
        return total

    def _sum_of_phases(self, p: Parameters) -> FloatArray:
        """Sum of `_log_phases` over the levels, shape (m,)."""
        spread = p.sigma / p.unit
        out = np.empty(p.unit.size)
        direct = np.arange(p.unit.size)
        if self.equal and p.unit.size > 1 and not np.ptp(p.offset):
            wide = np.flatnonzero(spread * self.widths[0] >= WIDE)
            units, row = np.unique(p.unit[wide], return_inverse=True)
            # The sums of a unit serve every sigma; for one they are not worth it.
            if 2 * units.size <= wide.size:
                out[wide] = self._by_cosines(p.rows(wide), units, row)
                direct = np.delete(direct, wide)
        for rows in self._blocks(direct):
            cycles = self._cycles(p.rows(rows))
            phase = cycles - np.rint(cycles)
            out[rows] = log_density_sum(phase, spread[rows, None] * self.widths)
        return out

    def by_share(self, p: Parameters, shares: FloatArray) -> FloatArray:
        """The same at every share of outliers, which is zero; shape (m, W)."""
        return np.repeat(self.log_likelihood(p)[:, None], shares.size, axis=1)

    def pointwise(self, p: Parameters) -> FloatArray:
        """Log likelihood of each charge state, shape (m, J)."""
        return self.log_on_comb(p) + self._log_within_each(p.sigma)

    def log_on_comb(self, p: Parameters) -> FloatArray:
        """Log density of each level on the comb over that of a flat continuum, shape (m, J)."""
        return self._log_phases(p) - self._excess(p)[:, None]

    def _excess(self, p: Parameters) -> FloatArray:
        """Log of the units that a tooth of the span stands for (`quantize.comb.window`)."""
        return log_unit_excess(p.unit, self.blur_in_units(p), self.span, self.states)

    def _log_phases(self, p: Parameters) -> FloatArray:
        """Log density of the phase of each level, shape (m, J)."""
        return log_wrapped_normal(self._cycles(p), (p.sigma / p.unit)[:, None] * self.root)

    def teeth(self, p: Parameters) -> tuple[IntArray, FloatArray]:
        """Whole numbers tried for each state and their probabilities, shape (m, J, T).

        Those of the mean of its readings, which the scatter about it leaves alone.
        """
        first, count = self.first_teeth(p, None)
        cycles = self._cycles(p)
        inverse = -0.5 / np.square((p.sigma / p.unit)[:, None] * self.root)
        # The teeth come first in memory, so that what is summed over them lies far apart.
        teeth = first + np.arange(count)[:, None, None]
        weight = np.square(teeth - cycles)
        weight -= np.square(cycles - np.rint(cycles))
        weight *= inverse
        np.exp(weight, out=weight)
        weight /= weight.sum(axis=0)
        return np.moveaxis(teeth.astype(np.int64), 0, 2), np.moveaxis(weight, 0, 2)

    def bound(self, p: Parameters, cell: Cell, shares: FloatArray) -> FloatArray:
        """Upper bounds of `by_share` anywhere in cells around (and below) `p`, shape (m, W).

        Every phase is taken that much nearer its tooth, and every spread as good as it can be.
        """
        out, wide = self._most_of_waves(p, cell)
        for rows in self._blocks(np.flatnonzero(~wide)):
            out[rows] = self._most_of_phases(p.rows(rows), cell.rows(rows))
        largest = p.unit * np.exp(cell.log_unit)
        spread = cell.sigma_low * self.blur / largest
        out -= self.states * least_log_unit_excess(largest, self.span, spread)
        best = np.sqrt(self.scatter / max(self.degrees, 1))
        best = np.clip(best, cell.sigma_low, p.sigma)
        out[wide] += self.log_within_states(best[wide])
        return np.repeat(out[:, None], shares.size, axis=1)

    def work(self, p: Parameters, cell: Cell | None = None) -> FloatArray:
        """How many terms each row has, shape (m,)."""
        terms = np.full(p.unit.size, float(self.states))
        if cell is not None:
            holds = self.in_waves(p, cell)[1]
            units = np.unique(p.unit[holds]).size
            terms[holds] = _WAVE_TERMS + self.states * units / max(holds.sum(), 1)
        return terms

    def in_waves(self, p: Parameters, cell: Cell) -> tuple[BoolArray, BoolArray]:
        """In which cells the spread lets sums of cosines bound the phases, and in which they do."""
        if not self.many_alike:
            return super().in_waves(p, cell)
        least = cell.sigma_low * self.widths[0] / p.unit / np.exp(cell.log_unit)
        little = _LITTLE * np.exp(np.minimum(np.square(np.pi * least), 99.0))
        wide = least >= _WAVES_FROM
        return wide, wide & (self._moves(p, cell, self._pivot(p, cell))[1] < little)

    def _pivot(self, p: Parameters, cell: Cell) -> float:
        """From where sums of cosines are counted: the offset itself, where that is known."""
        known = p.offset.size and not (np.any(cell.offset) or np.ptp(p.offset))
        return float(p.offset[0]) if known else self.middle

    def _moves(self, p: Parameters, cell: Cell, pivot: float) -> FloatArray:
        """How far phases move for each unit from the pivot, and the root of the squares' sum."""
        by_unit = np.expm1(cell.log_unit) / p.unit
        return np.stack([by_unit, by_unit * np.linalg.norm(self.mean - pivot)])

    def _most_of_waves(self, p: Parameters, cell: Cell) -> tuple[FloatArray, BoolArray]:
        """Upper bounds of the log density of all phases by sums of cosines, and where they hold.

        With many readings each nearer its tooth the gains add up that average in the sums.
        """
        out, (_, holds) = np.empty(p.unit.size), self.in_waves(p, cell)
        if not holds.any():
            return out, holds
        # Boxes of several sigmas and offsets share their sums.
        pivot = self._pivot(p, cell)
        units, row = np.unique(p.unit[holds], return_inverse=True)
        sums = waves(self.mean - pivot, units)
        moves, stretch = self._moves(p, cell, pivot), np.exp(cell.log_unit)
        turn = (pivot - p.offset) / p.unit
        turns = np.stack([turn, np.abs(turn) * np.expm1(cell.log_unit)])
        turns[1] += stretch * cell.offset / p.unit
        per_unit = self.widths[0] / p.unit
        ends = np.stack([cell.sigma_low * per_unit / stretch, p.sigma * per_unit * stretch])
        for here, of in zip(self._blocks(np.flatnonzero(holds)), self._blocks(row), strict=True):
            out[here] = most_of_waves(
                sums[of], self.states, turns[:, here], moves[:, here], *ends[:, here]
            )
        return out, holds

    def _most_of_phases(self, p: Parameters, cell: Cell) -> FloatArray:
        """Upper bound of the log density of all phases, shape (m,)."""
        near = self._cycles(p)
        move = np.rint(near)
        near -= move
        np.abs(near, out=near)
        # The tooth beside the nearest one may be the nearest elsewhere in the cell.
        np.abs(move, out=move)
        move += 0.5
        move *= np.expm1(cell.log_unit)[:, None]
        if np.any(cell.offset):
            move += (cell.offset / p.unit)[:, None] * np.abs(self.level_lever)
        near -= move
        np.maximum(near, 0.0, out=near)
        stretch = np.exp(cell.log_unit)
        widest = (p.sigma / p.unit * stretch)[:, None] * self.widths
        value = self._log_images(near, widest)
        # One spread is shared by all: the best for their squares together.
        near /= self.root
        squares = np.einsum("ij,ij->i", near, near) + self.scatter / np.square(p.unit * stretch)
        ends = np.square(cell.sigma_low / p.unit / stretch), np.square(p.sigma / p.unit * stretch)
        count = self.states + self.degrees
        variance = np.clip(squares / count, *ends)
        value -= 0.5 * (squares / variance + count * np.log(variance))
        value -= self.degrees * np.log(p.unit / stretch)
        value += self.constant - np.log(self.root).sum() - self.states * _HALF_LOG_2PI
        return value

    def _log_images(self, near: FloatArray, widest: FloatArray) -> FloatArray:
        """What teeth other than the nearest can add, summed over the levels."""
        out, most = np.empty(widest.shape[0]), widest.max(axis=1)
        # Half way between two teeth both count, however sharp they are.
        rows = np.flatnonzero(most <= _NO_IMAGES)
        out[rows] = float(np.log(3)) * np.count_nonzero(near[rows] > _HALF_WAY, axis=1)
        rows = np.flatnonzero((most > _NO_IMAGES) & (most <= _SIX_IMAGES))
        if rows.size:
            half = 0.5 / np.square(widest[rows])
            images = near[rows]
            images -= 0.5
            images *= 2 * half
            np.exp(images, out=images)
            images *= 2
            images += 1 + 2 * (np.exp(-4 * half) + np.exp(-9 * half))
            out[rows] = log_product(images)
        # Of all teeth together there is little more at one phase than at another.
        rows = np.flatnonzero(most > _SIX_IMAGES)
        if rows.size:
            spread = widest[rows]
            together = log_wrapped_normal(0.0, spread) + np.log(spread) + _HALF_LOG_2PI
            out[rows] = (together + 0.5 * np.square(near[rows] / spread)).sum(axis=1)
        return out

    def _cycles(self, p: Parameters) -> FloatArray:
        """Level means in units from the offset, shape (m, J)."""
        if not np.any(p.offset):
            return self.mean / p.unit[:, None]
        cycles: FloatArray = (self.mean - p.offset[:, None] * self.level_lever) / p.unit[:, None]
        return cycles

    def _by_cosines(self, p: Parameters, units: FloatArray, row: IntArray) -> FloatArray:
        """Sums of log densities at one offset, where the spreads are wide.

        The unit of each is ``units[row]``.
        """
        if not p.unit.size:
            return np.empty(0)
        spread = p.sigma * self.widths[0] / p.unit
        from_offset = self.mean - p.offset[0] * self.level_lever
        sums = cosine_sums(from_offset, units, float(spread.min()))
        return log_likelihood_from_cosines(sums, row, self.states, spread)

    def _log_within_each(self, sigma: FloatArray) -> FloatArray:
        """`log_within_states`, state by state, shape (m, J)."""
        sizes = np.bincount(self.of_reading)
        deviation = np.square((self.x - self.mean[self.of_reading]) / self.scale)
        scatter = np.add.reduceat(deviation, self.starts)
        constant = np.log(self.root) - np.add.reduceat(np.log(self.scale), self.starts)
        constant = constant - (sizes - 1) * _HALF_LOG_2PI - np.log(self.span)
        inner: FloatArray = (
            constant
            - (sizes - 1) * np.log(sigma)[:, None]
            - 0.5 * scatter / np.square(sigma)[:, None]
        )
        return inner

    def _blocks(self, rows: IntArray) -> list[IntArray]:
        """Rows in parts that stay in the processor's cache."""
        step = max(1, _BLOCK // self.states)
        return [rows[i : i + step] for i in range(0, rows.size, step)]


class RoundedLikelihood(WrappedLikelihood):
    """A `WrappedLikelihood` of readings that stand for the interval that was rounded to them.

    Every state is read once, and at one end.
    """

    def __init__(self, readings: Readings, envelope: Envelope) -> None:
        super().__init__(readings, envelope, rounding=True)
        self.half = 0.5 * self.step

    teeth = Likelihood.teeth

    @staticmethod
    def holds(readings: Readings) -> bool:
        """Whether these readings are of the kind."""
        once = readings.state is None or len(readings.state_labels) == len(readings)
        return once and (readings.ends is None or bool(np.all(readings.ends == 1)))

    def _sum_of_phases(self, p: Parameters) -> FloatArray:
        out = np.empty(p.unit.size)
        for rows in self._blocks(np.arange(p.unit.size)):
            out[rows] = self._log_phases(p.rows(rows)).sum(axis=1)
        return out

    def _log_phases(self, p: Parameters) -> FloatArray:
        cycles = self._cycles(p)
        unit = p.unit[:, None]
        spread = p.sigma[:, None] * self.root / unit
        return log_rounded_phase(cycles - np.rint(cycles), self.half / unit, spread)

    def _most_of_phases(self, p: Parameters, cell: Cell) -> FloatArray:
        most: FloatArray = self._bounds(p, cell).sum(axis=1) + self.constant
        return most

    def _bounds(self, p: Parameters, cell: Cell) -> FloatArray:
        """Upper bound of the log density of each phase, shape (m, J)."""
        from scipy.special import log_ndtr

        cycles = self._cycles(p)
        whole = np.rint(cycles)
        phase = np.abs(cycles - whole)
        unit, stretch = p.unit[:, None], np.exp(cell.log_unit)[:, None]
        move = (np.abs(whole) + 1.5) * np.expm1(cell.log_unit)[:, None]
        move += (cell.offset[:, None] / unit) * np.abs(self.level_lever)
        half = self.half / unit
        widest = p.sigma[:, None] * self.root / unit
        narrowest = cell.sigma_low[:, None] * self.root / unit
        half, widest, narrowest = (
            np.broadcast_to(a, phase.shape) for a in (half, widest, narrowest)
        )
        total = self._nearest(np.maximum(phase - move, 0.0), half, widest, narrowest)
        near = (1 - phase - move - half < _NEGLIGIBLE * widest) | (phase + move > _NO_OTHER)
        if near.any():
            some = total[near]
            for image in (1 - phase, 1 + phase, 2 - phase, 2 + phase):
                away = np.maximum(image - move, 0.0)[near]
                other = self._nearest(away, half[near], widest[near], narrowest[near])
                some = np.logaddexp(some, other)
            # Teeth farther off hold less than the interval times the mass beyond one tooth nearer.
            beyond = log_ndtr((move + half - 1.5)[near] / widest[near])
            total[near] = np.logaddexp(some, np.log(4 * (half * stretch)[near]) + beyond)
        shortest = 2 * half / stretch
        # Of all teeth together no interval holds more than its length and one.
        return np.minimum(total - np.log(shortest), np.log1p(1 / shortest))

    def _nearest(
        self, away: FloatArray, half: FloatArray, widest: FloatArray, narrowest: FloatArray
    ) -> FloatArray:
        """Largest log probability of an interval with its middle so far from a tooth."""
        from scipy.special import log_ndtr

        inside = log_interval(away, half, narrowest)
        any_width = log_interval(away, half, widest) + np.log(widest / narrowest)
        outside = np.minimum(log_ndtr((half - away) / widest), any_width)
        value: FloatArray = np.where(away < half, np.minimum(inside, any_width), outside)
        return value


def nearer_than_chance(likelihood: Likelihood, p: Parameters) -> BoolArray:
    """Which readings one comb makes likelier than sizes without steps, shape (n,)."""
    measured = likelihood.readings.measured
    data = likelihood.readings.select(measured)
    lever = 1.0 if data.shift is None else data.shift.lever
    levels = data.replace(values=data.values - lever * p.offset[0]).levels()
    constant = np.square(p.sigma[0]) * levels.factor
    variance = grown_variance(constant, p.growth, levels.mean + p.offset[0], likelihood.power)
    near = log_wrapped_normal(levels.mean / p.unit[0], np.sqrt(variance) / p.unit[0]) > 0
    out: BoolArray = np.zeros(measured.size, dtype=bool)
    out[measured] = near[levels.index]
    return out
