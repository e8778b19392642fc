"""The likelihood of a page under the general model, every whole number summed over.

For a charge state with readings x_1 … x_m the likelihood is Σ_k π_k Π_i [(1 − w) f(x_i | b + u·k)
+ w·g0]: the readings of one state share k. `f` is in `reading_density`, the weights π_k of the
teeth in `envelope`, w is the share of outliers and g0 their density.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.model import reading_density as density
from quantize.comb.model.envelope import Envelope
from quantize.comb.model.weights import log_free_weights
from quantize.readings import Readings

_CHUNK = 400_000
_DIGITS = 60.0
_HALF = float(np.log(0.5))


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Parameters:
    """Values of the parameters, each of shape (m,)."""

    unit: FloatArray
    sigma: FloatArray
    offset: FloatArray
    growth: FloatArray
    outliers: FloatArray

    def rows(self, part: slice | IntArray) -> Parameters:
        """Some of them."""
        return Parameters(**{f.name: getattr(self, f.name)[part] for f in dataclasses.fields(self)})


class PageLikelihood:
    """The likelihood of one page of readings.

    `power` is 0 where the variance is constant, 2 where it grows with the square of the mean and 1
    where it grows with the mean; `rounding` whether readings stand for intervals; `free_weights`
    whether each tooth has a weight of its own.
    """

    def __init__(
        self,
        readings: Readings,
        envelope: Envelope,
        *,
        power: int = 0,
        rounding: bool = False,
        free_weights: bool = False,
    ) -> None:
        self.readings = readings
        self.envelope = envelope
        self.power = power
        self.free_weights = free_weights
        n = len(readings)
        state = np.arange(n) if readings.state is None else readings.state
        self.order = np.argsort(state, kind="stable")
        self.state = state[self.order]
        self.x = readings.values[self.order]
        self.scale = (np.ones(n) if readings.sigma is None else readings.sigma)[self.order]
        self.starts = np.flatnonzero(np.r_[True, np.diff(self.state) > 0])
        self.states = self.starts.size
        sizes = np.diff(np.r_[self.starts, n])
        self.of_reading = np.repeat(np.arange(self.states), sizes)
        self.blur = float(np.sqrt(np.mean(self.scale**2) * np.mean(1 / sizes)))
        self._kinds(readings, rounding)
        measured = readings.measured[self.order]
        low = np.where(measured, self.x, np.inf)
        high = np.where(measured, self.x, -np.inf)
        self.lowest = np.minimum.reduceat(low, self.starts)
        self.highest = np.maximum.reduceat(high, self.starts)
        blank = ~np.isfinite(self.lowest)
        self.lowest[blank], self.highest[blank] = envelope.low, envelope.high

    def _kinds(self, readings: Readings, rounding: bool) -> None:
        """Which of the sorted readings are of which kind."""
        n = len(readings)
        zero = np.zeros(n, dtype=np.int64)
        beyond = (zero if readings.beyond is None else readings.beyond)[self.order]
        changed = (zero > 0 if readings.changed is None else readings.changed)[self.order]
        ends = (zero + 1 if readings.ends is None else readings.ends)[self.order]
        step = np.zeros(n)
        if rounding and readings.resolution is not None:
            step = readings.resolution[self.order]
        elif rounding:
            step = np.full(n, readings.printed_resolution or 0.0)
        self.step = step
        self.beyond = beyond.astype(np.float64)
        plain = (beyond == 0) & ~changed
        self.is_beyond = np.flatnonzero(beyond != 0)
        self.is_changed = np.flatnonzero(changed & (beyond == 0))
        self.is_rounded = np.flatnonzero(plain & (step > 0) & (ends == 1))
        self.is_rounded_twice = np.flatnonzero(plain & (step > 0) & (ends == 2))
        self.is_sharp = np.flatnonzero(plain & (step == 0))

    def log_likelihood(
        self, p: Parameters, *, slack: FloatArray | None = None, swing: float = 0.0
    ) -> FloatArray:
        """Log likelihood, shape (m,).

        With `slack` (m,) and `swing` an upper bound of it over cells in which log unit changes by
        at most `swing` either way and the offset by `slack`.
        """
        out = np.empty(p.unit.size)
        for part in self._chunks(p, swing):
            rows = p.rows(part)
            terms, teeth = self._terms(rows, None if slack is None else slack[part], swing)
            out[part] = self._total(rows, terms, teeth, slack is not None)
        return out

    def pointwise(self, p: Parameters) -> FloatArray:
        """Log likelihood of each charge state, shape (m, J)."""
        out = np.empty((p.unit.size, self.states))
        for part in self._chunks(p, 0.0):
            terms, _ = self._terms(p.rows(part), None, 0.0)
            out[part] = _log_sum(terms)
        return out

    def teeth(self, p: Parameters) -> tuple[IntArray, FloatArray]:
        """Whole numbers tried for each state and their probabilities, shape (m, J, T)."""
        terms, teeth = self._terms(p, None, 0.0)
        terms = terms[:, :, : teeth.shape[2]]
        top = terms.max(axis=2, keepdims=True)
        weight = np.exp(terms - np.where(np.isfinite(top), top, 0.0))
        total = weight.sum(axis=2, keepdims=True)
        # A state that is certainly astray is as likely at one tooth as at another.
        even = np.full_like(weight, 1 / weight.shape[2])
        return teeth, np.where(total > 0, weight / np.where(total > 0, total, 1.0), even)

    def state_of_reading(self) -> IntArray:
        """Which column of the states belongs to each reading, in the order they were given."""
        out = np.empty(self.x.size, dtype=np.int64)
        out[self.order] = self.of_reading
        return out

    def best_integers(self, p: Parameters) -> IntArray:
        """Most probable whole number of each reading at one set of parameters."""
        teeth, probability = self.teeth(p)
        best = np.argmax(probability[0], axis=1)
        chosen: IntArray = teeth[0][np.arange(self.states), best]
        return chosen[self.state_of_reading()]

    def integer_shares(self, p: Parameters, share: FloatArray) -> tuple[IntArray, FloatArray]:
        """Whole numbers (K,), and their probabilities (J, K) averaged over nodes with `share`."""
        sums: dict[int, FloatArray] = {}
        for part in self._chunks(p, 0.0):
            teeth, probability = self.teeth(p.rows(part))
            weighted = probability * share[part, None, None]
            low = int(teeth.min())
            for j in range(self.states):
                found = np.bincount((teeth[:, j] - low).ravel(), weights=weighted[:, j].ravel())
                for k in np.flatnonzero(found > 0):
                    sums.setdefault(int(k) + low, np.zeros(self.states))[j] += found[k]
        whole = np.array(sorted(sums), dtype=np.int64)
        return whole, np.column_stack([sums[int(k)] for k in whole])

    def outlier_probability(self, p: Parameters, share: FloatArray) -> FloatArray:
        """Probability that each reading is off the comb, averaged over nodes, shape (n,)."""
        out = np.zeros(self.x.size)
        for part in self._chunks(p, 0.0):
            rows = p.rows(part)
            terms, teeth = self._terms(rows, None, 0.0)
            if terms.shape[2] == teeth.shape[2]:
                continue
            with np.errstate(invalid="ignore"):
                weight = np.exp(terms - _log_sum(terms)[:, :, None])
            at_tooth, astray = weight[:, :, :-1], weight[:, :, -1]
            mean = rows.offset[:, None, None] + rows.unit[:, None, None] * teeth
            d = self.x[:, None] - self._per_reading(mean)
            log_f = self._log_density(d, self._deviation(rows, mean), rows.unit)
            stray = self._log_astray(rows.outliers)[:, :, None]
            inlier = log_f + np.log1p(-rows.outliers)[:, None, None]
            mine = np.exp(stray - np.logaddexp(inlier, stray))
            each = np.sum(self._per_reading(at_tooth) * mine, axis=2) + self._per_reading(astray)
            out += share[part] @ each
        result = np.empty(self.x.size)
        result[self.order] = out
        return result

    def log_continuum(self, p: Parameters) -> FloatArray:
        """Log likelihood of the same page without steps; the units and offsets of `p` are unused.

        The continuum is a comb too fine to show.
        """
        out = np.empty(p.unit.size)
        for i in range(p.unit.size):
            sigma = float(p.sigma[i] * self.scale.min())
            unit, offset, log_mass = self.envelope.continuum(sigma)
            here = p.rows(slice(i, i + 1))
            here = dataclasses.replace(here, unit=np.array([unit]), offset=np.array([offset]))
            terms, _ = self._terms(here, None, 0.0, log_mass=log_mass)
            out[i] = float(_log_sum(terms).sum())
        return out

    def _total(self, p: Parameters, terms: FloatArray, teeth: IntArray, bound: bool) -> FloatArray:
        if not self.free_weights:
            total: FloatArray = _log_sum(terms).sum(axis=1)
            return total
        if bound:
            # No weight is above one.
            most: FloatArray = _log_sum(terms).sum(axis=1)
            return most
        count = self.envelope.count(p.unit, p.offset, self._blur(p))
        return log_free_weights(terms, teeth, count)

    def _spread(self, p: Parameters) -> FloatArray:
        """Largest standard deviation of a reading, shape (m,)."""
        reach = np.abs(self.x).max()
        variance = np.square(p.sigma * self.scale.max()) + np.square(p.growth) * reach**self.power
        spread: FloatArray = np.sqrt(variance)
        return spread

    def _width(self, p: Parameters, swing: float) -> FloatArray:
        """Number of teeth tried for the widest state, shape (m,)."""
        s = self._spread(p) / p.unit
        images = np.ceil(np.sqrt(0.25 + _DIGITS * s**2) + 0.5 + swing)
        extent = float(np.max(self.highest - self.lowest))
        width: FloatArray = np.ceil(extent / p.unit) + 2 * images + 1
        return width

    def _chunks(self, p: Parameters, swing: float) -> list[slice]:
        """Slices of the nodes that stay in the processor's cache."""
        width = self._width(p, swing)
        out, at = [], 0
        while at < width.size:
            block = width[at : at + 4096]
            widest = np.maximum.accumulate(block) * self.x.size
            size = int(np.searchsorted(np.arange(1, block.size + 1) * widest, _CHUNK))
            size = min(max(size, 1), block.size)
            out.append(slice(at, at + size))
            at += size
        return out

    def _terms(
        self,
        p: Parameters,
        slack: FloatArray | None,
        swing: float,
        *,
        log_mass: float | None = None,
    ) -> tuple[FloatArray, IntArray]:
        """log π_k Π f for each state and tooth, and the teeth, shape (m, J, T)."""
        u, b = p.unit[:, None], p.offset[:, None]
        half = np.ceil(np.sqrt(0.25 + _DIGITS * np.square(self._spread(p) / p.unit)) + 0.5 + swing)
        first = np.rint((self.lowest - b) / u) - half[:, None]
        last = np.rint((self.highest - b) / u) + half[:, None]
        most = int(np.max(last - first)) + 1
        teeth = (first[:, :, None] + np.arange(most)).astype(np.int64)
        mean = b[:, :, None] + u[:, :, None] * teeth
        d = self.x[:, None] - self._per_reading(mean)
        sd = self._deviation(p, mean)
        excess = 0.0
        if slack is not None:
            # How far the tooth can move within the cell.
            move = np.abs(u[:, :, None] * teeth) * np.expm1(swing) + slack[:, None, None]
            move = self._per_reading(move)
            nearer = np.maximum(np.abs(d) - move, 0.0)
            d = self._nearer(nearer, d, move)
            if self.power:
                sd, excess = sd * np.exp(swing), 2 * swing
        log_f = self._log_density(d, sd, p.unit) + excess
        stray = bool(np.any(p.outliers > 0))
        if stray:
            log_f = self._with_outliers(log_f, p.outliers)
        terms = self._per_state(log_f)
        if self.free_weights and log_mass is None:
            inside = (teeth >= self.envelope.first) & (teeth <= self.envelope.last)
            mass = np.where(inside, 0.0, -np.inf)
        elif log_mass is not None and self.envelope.density is None:
            mass = self._continuum_mass(teeth, p, log_mass)
        elif slack is None:
            mass = self.envelope.log_mass(teeth, p.unit, p.offset, self._blur(p))
        else:
            mass = self._most_mass(p, teeth, slack, swing)
        if not stray:
            with np.errstate(invalid="ignore"):
                return terms + mass, teeth
        # A state whose readings are all outliers is at no tooth: one term for all of them.
        astray = self._per_state(self._log_astray(p.outliers))[:, :, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            at_tooth = terms + np.log(-np.expm1(np.minimum(astray - terms, 0.0))) + mass
        at_tooth = np.where(np.isnan(at_tooth), -np.inf, at_tooth)
        return np.concatenate([at_tooth, astray], axis=2), teeth

    def _deviation(self, p: Parameters, mean: FloatArray) -> FloatArray:
        """Standard deviation of each reading at each tooth, shape (m, n, 1 or T)."""
        sd: FloatArray = (p.sigma[:, None] * self.scale)[:, :, None]
        if self.power:
            grown = np.square(p.growth)[:, None, None] * np.abs(mean) ** self.power
            sd = np.sqrt(np.square(sd) + self._per_reading(grown))
        return sd

    def _per_reading(self, of_state: FloatArray) -> FloatArray:
        """Repeat what belongs to a state for each of its readings."""
        return of_state if self.states == self.x.size else of_state[:, self.of_reading]

    def _per_state(self, of_reading: FloatArray) -> FloatArray:
        """Add up what belongs to the readings of each state."""
        if self.states == self.x.size:
            return of_reading
        total: FloatArray = np.add.reduceat(of_reading, self.starts, axis=1)
        return total

    def _blur(self, p: Parameters) -> FloatArray:
        """Spread of a level mean, in units."""
        blur: FloatArray = p.sigma * self.blur / p.unit
        return blur

    def _continuum_mass(self, teeth: IntArray, p: Parameters, log_mass: float) -> FloatArray:
        mass = np.full(teeth.shape, log_mass)
        if self.envelope.declared:
            place = p.offset[:, None, None] + p.unit[:, None, None] * teeth
            inside = (place >= self.envelope.low) & (place <= self.envelope.high)
            mass = np.where(inside, mass, -np.inf)
        return mass

    def _most_mass(
        self, p: Parameters, teeth: IntArray, slack: FloatArray, swing: float
    ) -> FloatArray:
        """Upper bound of the log mass of the teeth over a cell."""
        if self.envelope.density is None:
            least = self.envelope.least_count(p.unit * np.exp(swing))
            return np.broadcast_to(-np.log(least)[:, None, None], teeth.shape)
        place = p.offset[:, None, None] + p.unit[:, None, None] * teeth
        move = np.abs(p.unit[:, None, None] * teeth) * np.expm1(swing) + slack[:, None, None]
        around = [self.envelope.density.logpdf(place + side * move) for side in (-1, 0, 1)]
        ends = self.envelope.log_mass(teeth, p.unit, p.offset, p.unit)
        centre = around[1]
        highest = np.maximum.reduce(around)
        known = np.isfinite(ends) & np.isfinite(centre)
        shift = np.where(known, ends, 0.0) - np.where(known, centre, 0.0)
        most: FloatArray = highest + shift + swing
        return most

    def _nearer(self, nearer: FloatArray, d: FloatArray, move: FloatArray) -> FloatArray:
        if self.is_beyond.size == 0:
            return nearer
        side = self.beyond[self.is_beyond][:, None]
        nearer = nearer.copy()
        nearer[:, self.is_beyond] = d[:, self.is_beyond] - side * move[:, self.is_beyond]
        return nearer

    def _log_density(self, d: FloatArray, sd: FloatArray, unit: FloatArray) -> FloatArray:
        if self.is_sharp.size == self.x.size:
            return density.log_normal(d, sd)
        sd = np.broadcast_to(sd, d.shape)
        out = np.empty(d.shape)
        step = self.step[:, None]
        if (i := self.is_sharp).size:
            out[:, i] = density.log_normal(d[:, i], sd[:, i])
        if (i := self.is_rounded).size:
            out[:, i] = density.log_rounded(d[:, i], sd[:, i], step[i])
        if (i := self.is_rounded_twice).size:
            out[:, i] = density.log_rounded_twice(d[:, i], sd[:, i], step[i])
        if (i := self.is_beyond).size:
            out[:, i] = density.log_beyond(d[:, i], sd[:, i], self.beyond[i][:, None])
        if (i := self.is_changed).size:
            out[:, i] = density.log_changed(d[:, i], sd[:, i], unit[:, None, None])
        return out

    def _log_astray(self, share: FloatArray) -> FloatArray:
        """Log of share times density of an outlier, shape (m, n)."""
        outside = np.full(self.x.size, self.envelope.outside())
        outside[self.is_beyond] = _HALF
        with np.errstate(divide="ignore"):
            astray: FloatArray = np.log(share)[:, None] + outside
        return astray

    def _with_outliers(self, log_f: FloatArray, share: FloatArray) -> FloatArray:
        astray = self._log_astray(share)[:, :, None]
        mixed: FloatArray = np.logaddexp(log_f + np.log1p(-share)[:, None, None], astray)
        return mixed


def _log_sum(terms: FloatArray) -> FloatArray:
    """log Σ exp over the last axis; −inf where every term is."""
    top = terms.max(axis=-1, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        total: FloatArray = np.log(np.exp(terms - top).sum(axis=-1)) + top[..., 0]
    return total
