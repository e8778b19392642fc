"""The likelihood where the model holds nothing but unit, sigma and offset: phases on a circle.

With an unbounded flat envelope the sum over the whole numbers of a state is the wrapped-normal
density of the phase of its mean (`quantize.comb.wrapped`), over the teeth in the span of the
readings (`quantize.comb.window`); the readings of the state about their mean have a density that
knows nothing of the comb. `Likelihood` gives the same numbers term by term.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.window import least_log_unit_excess, log_unit_excess
from quantize.comb.wrapped import (
    WIDE,
    cosine_sums,
    log_density_sum,
    log_interval,
    log_likelihood_from_cosines,
    log_rounded_phase,
    log_wrapped_normal,
)
from quantize.model.envelope import Envelope, envelope_of
from quantize.model.likelihood import Likelihood
from quantize.model.model import MixtureModel
from quantize.model.noise import HALF_LOG_2PI, POWERS, grown_variance
from quantize.model.terms import Cell, Parameters
from quantize.model.wrapped_bounds import WrappedBounds
from quantize.readings import Readings

_NEGLIGIBLE = 9.0
_NO_OTHER = 0.4


class WrappedLikelihood(WrappedBounds):
    """A `Likelihood` by wrapped-normal densities; it knows no outliers."""

    def log_continuum(self, p: Parameters) -> FloatArray:
        """Log likelihood of the same sample without steps."""
        return self.log_within_states(p.sigma, p.offset)

    def log_likelihood(self, p: Parameters) -> FloatArray:
        """Log likelihood, shape (m,)."""
        sums = self._sum_of_phases(p) + self.log_within_states(p.sigma, p.offset)
        return sums - self.states * self.log_excess(p)

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
        return self.log_on_comb(p) + self._log_within_each(p.sigma, p.offset)

    def log_on_comb(self, p: Parameters) -> FloatArray:
        """Log density of each level on the comb over that of a flat continuum, shape (m, J)."""
        return self._log_phases(p) - self.log_excess(p)[:, None]

    def log_excess(self, p: Parameters) -> FloatArray:
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

    def _log_within_each(self, sigma: FloatArray, shift: FloatArray) -> FloatArray:
        """`log_within_states`, state by state, shape (m, J)."""
        sizes = np.bincount(self.of_reading)
        apart = self.lever - self.level_lever[self.of_reading]
        rest = self.x - self.mean[self.of_reading] - shift[:, None] * apart
        scatter = np.add.reduceat(np.square(rest / self.scale), self.starts, axis=1)
        constant = np.log(self.root) - np.add.reduceat(np.log(self.scale), self.starts)
        constant = constant - (sizes - 1) * HALF_LOG_2PI - np.log(self.span)
        inner: FloatArray = (
            constant
            - (sizes - 1) * np.log(sigma)[:, None]
            - 0.5 * scatter / np.square(sigma)[:, None]
        )
        return inner


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
        return np.asarray(self._bounds(p, cell).sum(axis=1) + self.constant)

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
        return np.where(away < half, np.minimum(inside, any_width), outside)


class PartlyMeasured(Likelihood):
    """A `Likelihood` some of whose readings are off the scale, or saw the charge change.

    States without such readings are phases; for those with some the teeth are summed over. In a
    search the phases of all `measured` readings bound both: a reading off the scale has a
    probability of one at most, and where the charge changes the density is at most that of its
    interval, 1/(2u).
    """

    def __init__(self, readings: Readings, envelope: Envelope, measured: WrappedLikelihood) -> None:
        super().__init__(readings, envelope, rounding=measured.rounding)
        self.measured = measured
        # Over all teeth together the intervals cover every size twice: 1/u for a state of its own.
        self.alone = self.states - self.mute.size - measured.states
        self.intervals = self.kinds.is_changed.size - self.alone
        state = np.arange(len(readings)) if readings.state is None else readings.state
        partly = np.isin(state, state[~readings.measured])
        self.whole: WrappedLikelihood | None = None
        if _has_span(readings, ~partly):
            self.whole = type(measured)(readings.select(~partly), envelope)
            self.rest = Likelihood(readings.select(partly), envelope, rounding=measured.rounding)
            self.rest.blur = self.blur

    def by_share(self, p: Parameters, shares: FloatArray) -> FloatArray:
        """As `WrappedLikelihood.by_share`."""
        if self.whole is None:
            return super().by_share(p, shares)
        phases = self.whole.log_likelihood(p) + self.whole.states * self.whole.log_excess(p)
        of_tooth = self.masses(p, None, np.zeros((p.unit.size, 1, 1)))[:, 0, 0] - np.log(p.unit)
        phases += self.whole.states * (of_tooth + np.log(self.whole.span))
        return np.asarray(phases[:, None] + self.rest.by_share(p, shares))

    def bound(self, p: Parameters, cell: Cell, shares: FloatArray) -> FloatArray:
        """As `WrappedBounds.bound`."""
        inner = self.measured
        out = inner.bound(p, cell, shares)
        blurs = inner.blurs_in_units(p, cell)
        excess = least_log_unit_excess(p.unit, cell.log_unit, blurs, inner.span, inner.states)
        rest = inner.states * (excess + np.log(inner.span))
        mass = self.masses(p, cell, np.zeros((p.unit.size, 1, 1)))[:, 0, 0]
        rest += (inner.states + self.alone) * (mass - np.log(p.unit) - cell.log_unit)
        rest -= self.intervals * (np.log(2 * p.unit) - cell.log_unit)
        return np.asarray(out + rest[:, None])

    def work(self, p: Parameters, cell: Cell | None = None) -> FloatArray:
        """How many terms each row has, shape (m,)."""
        return super().work(p) if cell is None else self.measured.work(p, cell)

    def in_waves(self, p: Parameters, cell: Cell) -> tuple[BoolArray, BoolArray]:
        """As `WrappedBounds.in_waves`."""
        return self.measured.in_waves(p, cell)


def likelihood_of(
    model: MixtureModel, readings: Readings, smallest: float | None = None
) -> Likelihood:
    """The likelihood that a model means for these readings and units from `smallest` on."""
    if isinstance(model.offset, str) and model.offset == "free":
        # An offset that may be anything takes a shift up.
        readings = readings.replace(shift=None)
    envelope = envelope_of(model, readings, smallest)
    if _wrapped(model, envelope):
        measured = readings.measured
        if not measured.all():
            if _has_span(readings, measured):
                inner = likelihood_of(model, readings.select(measured), smallest)
                if isinstance(inner, WrappedLikelihood):
                    return PartlyMeasured(readings, envelope, inner)
        elif not model.rounding or readings.steps is None:
            return WrappedLikelihood(readings, envelope)
        elif RoundedLikelihood.holds(readings):
            return RoundedLikelihood(readings, envelope)
    return Likelihood(
        readings,
        envelope,
        power=POWERS[model.noise],
        rounding=model.rounding,
        free_weights=isinstance(model.envelope, str) and model.envelope == "levels",
    )


def _has_span(readings: Readings, some: BoolArray) -> bool:
    """Whether states among `some` of the readings differ."""
    return bool(some.any()) and float(np.ptp(readings.select(some).levels().mean)) > 0


def _wrapped(model: MixtureModel, envelope: Envelope) -> bool:
    """Whether there is nothing but unit, sigma and offset under an unbounded flat envelope."""
    flat = isinstance(model.envelope, str) and model.envelope == "flat"
    flat = flat and not envelope.declared and not envelope.limited
    return flat and model.noise == "constant" and model.outliers == 0.0


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
