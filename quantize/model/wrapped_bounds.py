"""Bounds of the likelihood of phases on a circle, anywhere in a cell of unit, offset and sigma.

Three ways: sums of cosines where spreads are wide; the sum of squares to first order where phases
move by less than they spread; else every phase as near its tooth as it can come. For what is
bounded see `quantize.model.wrapped_likelihood`.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.sums import blocks, waves
from quantize.comb.window import least_log_unit_excess
from quantize.comb.wrapped import log_product, most_of_waves
from quantize.model.envelope import Envelope
from quantize.model.likelihood import Likelihood
from quantize.model.noise import HALF_LOG_2PI
from quantize.model.terms import Cell, Parameters
from quantize.readings import Readings

_BLOCK = 2**15
_NO_IMAGES, _HALF_WAY = 0.08, 0.375
"""Below this spread a phase up to this has no tooth but the nearest, to 1e-8."""
_SIX_IMAGES = 0.8
"""Up to this spread three teeth on either side of the nearest are enough."""
_CLOSE, _SHARP = 0.7, 0.25
"""Phases that move by less than this part of a spread below the second are bounded by sums."""
_MANY, _LITTLE, _WAVE_TERMS, _WAVES_FROM = 40, 0.5, 60, 0.15
"""So many phases that move by so little (root of the sum of squares) are bounded by waves, with
so much work besides the sums, where the spread is as wide as that."""


class WrappedBounds(Likelihood):
    """The levels of a sample as phases, and bounds of their likelihood."""

    def __init__(self, readings: Readings, envelope: Envelope, *, rounding: bool = False) -> None:
        super().__init__(readings, envelope, rounding=rounding)
        levels = readings.levels()
        first = self.order[self.starts]
        order = levels.index[first]
        self.mean, self.root = levels.mean[order], np.sqrt(levels.factor[order])
        # A shift may move the readings of one state apart, and their scatter goes with its square.
        self.level_lever, self.agreed, self.parting = self.lever[self.starts], 0.0, 0.0
        self.equal = bool(np.all(self.root == self.root[0]))
        self.widths = self.root[: 1 if self.equal else None]
        self.many_alike = self.equal and not (rounding or self.levered) and self.states >= _MANY
        self.middle = float(self.mean.mean())
        self.degrees, self.scatter = levels.degrees, levels.scatter
        if not self.one_lever:
            self._part()
        self.span = float(np.ptp(self.mean))
        self.constant = float(
            np.sum(np.log(self.root))
            - np.sum(np.log(self.scale))
            - self.degrees * HALF_LOG_2PI
            - self.states * np.log(self.span)
        )

    def _part(self) -> None:
        """What a shift that moves the readings of one state by different amounts does to them."""
        weight = self.scale**-2.0
        total = np.add.reduceat(weight, self.starts)
        self.level_lever = np.add.reduceat(weight * self.lever, self.starts) / total
        self.agreed, width = self.shift_within_states(1.0)
        self.parting = width**-2.0
        rest = self.x - self.mean[self.of_reading]
        rest -= self.agreed * (self.lever - self.level_lever[self.of_reading])
        self.scatter = float(np.sum(weight * rest**2))

    def log_within_states(self, sigma: FloatArray, shift: FloatArray | float = 0.0) -> FloatArray:
        """Log density of the readings about the means of their states, over the span for each."""
        scatter = self.scatter + self.parting * np.square(shift - self.agreed)
        inner: FloatArray = (
            self.constant - self.degrees * np.log(sigma) - 0.5 * scatter / np.square(sigma)
        )
        return inner

    def bound(self, p: Parameters, cell: Cell, shares: FloatArray) -> FloatArray:
        """Upper bounds of `by_share` anywhere in cells around (and below) `p`, shape (m, W).

        Every phase is taken that much nearer its tooth, and every spread as good as it can be.
        """
        out, wide = self._most_of_waves(p, cell)
        close = ~wide & self._close(p, cell)
        for rows in self._blocks(np.flatnonzero(close)):
            out[rows] = self._most_of_squares(p.rows(rows), cell.rows(rows))
        for rows in self._blocks(np.flatnonzero(~wide & ~close)):
            out[rows] = self._most_of_phases(p.rows(rows), cell.rows(rows))
        out -= self.states * least_log_unit_excess(
            p.unit, cell.log_unit, self.blurs_in_units(p, cell), self.span, self.states
        )
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
            terms[holds] = _WAVE_TERMS + self.states * units / max(int(holds.sum()), 1)
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
        known = p.offset.size and (self.shifted or not np.any(cell.offset))
        return float(p.offset.mean()) if known else self.middle

    def _moves(self, p: Parameters, cell: Cell, pivot: float) -> FloatArray:
        """How far phases move for each unit from the pivot, and the root of the squares' sum."""
        by_unit = np.expm1(cell.log_unit) / p.unit
        return np.stack([by_unit, by_unit * np.linalg.norm(self.mean - pivot)])

    def _turns(self, p: Parameters, cell: Cell, pivot: float) -> FloatArray:
        """How far all phases can move together."""
        turns = np.abs(pivot - p.offset) * np.expm1(cell.log_unit)
        turns += np.exp(cell.log_unit) * cell.offset
        turns /= p.unit
        return turns

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
        turns = np.stack([(pivot - p.offset) / p.unit, self._turns(p, cell, pivot)])
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
        widest = (p.sigma / p.unit * np.exp(cell.log_unit))[:, None] * self.widths
        value = self._log_images(near, widest)
        near /= self.root
        return value + self._most_normal(p, cell, np.einsum("ij,ij->i", near, near))

    def _close(self, p: Parameters, cell: Cell) -> BoolArray:
        """In which cells the phases move by so little that their squares change as a sum does."""
        if self.levered or type(self)._most_of_phases is not WrappedBounds._most_of_phases:
            return np.zeros(p.unit.size, dtype=bool)
        pivot = self._pivot(p, cell)
        moved = self._moves(p, cell, pivot)[1] / np.sqrt(self.states) + self._turns(p, cell, pivot)
        spread = p.sigma / p.unit * self.blur
        return np.asarray((moved < _CLOSE * spread) & (spread < _SHARP))

    def _most_of_squares(self, p: Parameters, cell: Cell) -> FloatArray:
        """The same where phases move by little: their squares, a convex sum, to first order.

        Those that may come nearer another tooth are taken one by one.
        """
        pivot = self._pivot(p, cell)
        by_unit, turn = self._moves(p, cell, pivot)[0], self._turns(p, cell, pivot)
        phase, weight = self._cycles(p), self.root**-2.0
        phase -= np.rint(phase)
        move = np.abs(self.mean - pivot) * by_unit[:, None]
        move += turn[:, None]
        far = np.abs(phase)
        far += move
        row, column = np.nonzero(far > 0.5)
        np.minimum(far, 0.5, out=far)
        widest = (p.sigma / p.unit * np.exp(cell.log_unit))[:, None] * self.widths
        value = self._log_images(far, widest)
        nearest = np.maximum(np.abs(phase[row, column]) - move[row, column], 0.0)
        phase[row, column] = 0.0
        squares = np.einsum("ij,ij,j->i", phase, phase, weight)
        squares -= 2 * by_unit * np.abs(phase @ (weight * (self.mean - pivot)))
        squares -= 2 * turn * np.abs(phase @ weight)
        squares += np.bincount(row, np.square(nearest) * weight[column], minlength=squares.size)
        return value + self._most_normal(p, cell, np.maximum(squares, 0.0))

    def _most_normal(self, p: Parameters, cell: Cell, squares: FloatArray) -> FloatArray:
        """The largest normal density of phases with this sum of squares, and of repeats, (m,).

        One spread is shared by all.
        """
        stretch = np.exp(cell.log_unit)
        nearest = np.maximum(np.abs(p.offset - self.agreed) - cell.offset, 0.0)
        scatter = self.scatter + self.parting * np.square(nearest)
        squares = squares + scatter / np.square(p.unit * stretch)
        ends = np.square(cell.sigma_low / p.unit / stretch), np.square(p.sigma / p.unit * stretch)
        count = self.states + self.degrees
        variance = np.clip(squares / count, *ends)
        value: FloatArray = -0.5 * (squares / variance + count * np.log(variance))
        value -= self.degrees * np.log(p.unit / stretch)
        value += self.constant - np.log(self.root).sum() - self.states * HALF_LOG_2PI
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
            q = np.exp(-2 * np.square(np.pi * spread))
            together = np.log1p(2 * q / (1 - q)) + np.log(spread) + HALF_LOG_2PI
            out[rows] = (together + 0.5 * np.square(near[rows] / spread)).sum(axis=1)
        return out

    def _cycles(self, p: Parameters) -> FloatArray:
        """Level means in units from the offset, shape (m, J)."""
        if not np.any(p.offset):
            return self.mean / p.unit[:, None]
        return (self.mean - p.offset[:, None] * self.level_lever) / p.unit[:, None]

    def _blocks(self, rows: IntArray) -> list[IntArray]:
        """Rows in parts that stay in the processor's cache."""
        return [rows[part] for part in blocks(rows.size, _BLOCK // self.states)]
