"""The likelihood of a record whose steps could pass for units: phases known to an interval."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.rounded import log_interval, log_rounded_phase
from quantize.comb.window import least_log_unit_excess, log_unit_excess
from quantize.model.envelope import Envelope
from quantize.model.terms import Cell, Parameters
from quantize.model.wrapped_likelihood import WrappedLikelihood
from quantize.readings import Readings

_NEGLIGIBLE = 9.0
_HALF_WAY = 0.4


class RoundedLikelihood(WrappedLikelihood):
    """A `WrappedLikelihood` of readings that stand for the interval that was rounded to them.

    Every state is read once, and at one end.
    """

    def __init__(self, readings: Readings, envelope: Envelope) -> None:
        super().__init__(readings, envelope, rounding=True)
        self.half = 0.5 * self.step

    @staticmethod
    def holds(readings: Readings) -> bool:
        """Whether these readings are of the kind."""
        once = readings.state is None or len(readings.state_labels) == len(readings)
        return once and (readings.ends is None or bool(np.all(readings.ends == 1)))

    def log_likelihood(self, p: Parameters) -> FloatArray:
        """Log likelihood, shape (m,)."""
        out = np.empty(p.unit.size)
        for rows in self._blocks(np.arange(p.unit.size)):
            out[rows] = self._log_phases(p.rows(rows)).sum(axis=1)
        excess = log_unit_excess(p.unit, self.blur_in_units(p), self.span, self.states)
        out += self._within(p.sigma) - self.states * excess
        return out

    def pointwise(self, p: Parameters) -> FloatArray:
        """Log likelihood of each charge state, shape (m, J)."""
        excess = log_unit_excess(p.unit, self.blur_in_units(p), self.span, self.states)
        return self._log_phases(p) - excess[:, None] + self._within_each(p.sigma)

    def _log_phases(self, p: Parameters) -> FloatArray:
        cycles = self._cycles(p)
        unit = p.unit[:, None]
        spread = p.sigma[:, None] * self.root / unit
        return log_rounded_phase(cycles - np.rint(cycles), self.half / unit, spread)

    def bound(self, p: Parameters, cell: Cell, shares: FloatArray) -> FloatArray:
        """Upper bounds of `by_share` anywhere in cells around (and below) `p`, shape (m, W)."""
        out = np.empty(p.unit.size)
        for rows in self._blocks(np.arange(p.unit.size)):
            out[rows] = self._bounds(p.rows(rows), cell.rows(rows)).sum(axis=1)
        largest = p.unit * np.exp(cell.log_unit)
        out -= self.states * least_log_unit_excess(largest, self.span)
        out += self._within(p.sigma)
        return np.repeat(out[:, None], shares.size, axis=1)

    def _bounds(self, p: Parameters, cell: Cell) -> FloatArray:
        """Upper bound of the log density of each phase, shape (m, J)."""
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
        near = (1 - phase - move - half < _NEGLIGIBLE * widest) | (phase + move > _HALF_WAY)
        if near.any():
            some = total[near]
            for image in (1 - phase, 1 + phase, 2 - phase, 2 + phase):
                away = np.maximum(image - move, 0.0)[near]
                other = self._nearest(away, half[near], widest[near], narrowest[near])
                some = np.logaddexp(some, other)
            total[near] = some
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
