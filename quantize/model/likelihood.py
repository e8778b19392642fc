"""The likelihood of a sample under the model, every whole number summed over.

For a charge state with readings x_1 … x_m the likelihood is Σ_k π_k Π_i [(1 − w) f(x_i | b + u·k)
+ w·g0]: the readings of one state share k. `f` is in `reading_density`, the weights π_k of the
teeth in `envelope`, w is the share of outliers and g0 their density. A state whose readings are all
outliers is at no tooth and counts once, whatever the teeth.

Where nothing but unit, sigma and offset is in the model it is a product of wrapped-normal densities
of the phases, which is quicker: see `quantize.model.wrapped_likelihood`.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.model.envelope import Envelope
from quantize.model.last_number import LastNumber, whole_numbers_among
from quantize.model.noise import at_deviations, in_deviations
from quantize.model.outward import BoundedTerms, Outward
from quantize.model.terms import DIGITS, Cell, Parameters, log_sum
from quantize.readings import Readings

__all__ = ["Cell", "Likelihood", "Parameters"]

_HALF = float(np.log(0.5))
_ROUNDS = 8


class Likelihood(BoundedTerms):
    """The likelihood of one sample of readings.

    `free_weights` says whether each tooth has a weight of its own, `rounding` whether readings
    stand for intervals; for `power` see `Terms`.
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
        super().__init__(readings, envelope, power=power, rounding=rounding)
        self.free_weights = free_weights
        self.last_number: LastNumber | None = None
        if envelope.most is not None:
            self.voiced = np.delete(np.arange(self.states), self.mute)
            self.last_number = LastNumber(envelope.first, envelope.most, self.voiced.size)
        self.outward = None if free_weights else Outward.of(self)

    def log_likelihood(self, p: Parameters) -> FloatArray:
        """Log likelihood, shape (m,)."""
        return self._in_chunks(p, None, None)[:, 0]

    def by_share(self, p: Parameters, shares: FloatArray) -> FloatArray:
        """Log likelihood at several shares of outliers, shape (m, W); those of `p` are unused."""
        return self._in_chunks(p, None, shares)

    def _in_chunks(self, p: Parameters, cell: Cell | None, shares: FloatArray | None) -> FloatArray:
        out = np.empty((p.unit.size, 1 if shares is None else shares.size))
        for part in self.chunks(p, cell):
            rows, within = p.rows(part), None if cell is None else cell.rows(part)
            share = rows.outliers[:, None] if shares is None else shares[None, :]
            out[part] = self._totals(rows, within, share)
        return out

    def pointwise(self, p: Parameters) -> FloatArray:
        """Log likelihood of each charge state, shape (m, J)."""
        out = np.empty((p.unit.size, self.states))
        for part in self.chunks(p):
            rows = p.rows(part)
            if self.last_number is None:
                out[part] = self._by_state(rows, None, rows.outliers[:, None])[:, :, 0]
                continue
            teeth = self.teeth_of(rows, None)
            terms, astray = self._terms(self.densities(rows, None, teeth), 0.0, rows.outliers)
            out[np.ix_(part, self.mute)] = 0.0
            out[np.ix_(part, self.voiced)] = self.last_number.each_state(
                terms[:, self.voiced], teeth[:, self.voiced], astray[:, self.voiced]
            )
        return out

    def teeth(self, p: Parameters) -> tuple[IntArray, FloatArray]:
        """Whole numbers tried for each state and their probabilities, shape (m, J, T)."""
        teeth = self.teeth_of(p, None)
        log_f = self.densities(p, None, teeth)
        mass = self._mass_given_others(p, log_f, teeth)
        terms, _ = self._terms(log_f, mass, p.outliers)
        top = terms.max(axis=2, keepdims=True)
        weight = np.exp(terms - np.where(np.isfinite(top), top, 0.0))
        total = weight.sum(axis=2, keepdims=True)
        # A state that is certainly astray is as likely at one tooth that occurs as at another.
        even = np.broadcast_to(np.isfinite(mass), weight.shape)
        even = even / np.maximum(even.sum(axis=2, keepdims=True), 1)
        probability = np.where(total > 0, weight / np.where(total > 0, total, 1.0), even)
        return teeth.astype(np.int64), probability

    def draw_integers(self, p: Parameters, rng: np.random.Generator) -> IntArray:
        """One whole number for each state from its probabilities, shape (m, J)."""
        teeth, probability = self.teeth(p)
        running = np.cumsum(probability, axis=2)
        chance = rng.random(running.shape[:2])[:, :, None] * running[:, :, -1:]
        place = np.minimum(np.sum(running < chance, axis=2), teeth.shape[2] - 1)
        return np.take_along_axis(teeth, place[:, :, None], axis=2)[:, :, 0]

    def state_of_reading(self) -> IntArray:
        """Which column of the states belongs to each reading, in the order they were given."""
        out = np.empty(self.x.size, dtype=np.int64)
        out[self.order] = self.of_reading
        return out

    def best_integers(self, p: Parameters) -> IntArray:
        """Most probable whole number of each reading at one set of parameters."""
        teeth, probability = self.teeth(p)
        # Off the scale many are as likely: of those the one next to the reading.
        away = np.abs(p.unit[0] * teeth[0] + p.offset[0] - self.x[self.starts][:, None])
        most = probability[0] >= (1 - 1e-9) * probability[0].max(axis=1, keepdims=True)
        best = np.argmin(np.where(most, away, np.inf), axis=1)
        chosen: IntArray = teeth[0][np.arange(self.states), best]
        return chosen[self.state_of_reading()]

    def integer_shares(self, p: Parameters, share: FloatArray) -> tuple[IntArray, FloatArray]:
        """Whole numbers (K,), and their probabilities (J, K) averaged over nodes with `share`."""
        whole = np.zeros(0, dtype=np.int64)
        total = np.zeros((self.states, 0))
        for part in self.chunks(p):
            teeth, probability = (np.moveaxis(a, 2, 0) for a in self.teeth(p.rows(part)))
            here, column = whole_numbers_among(teeth.astype(np.int64))
            weight = probability * share[part][:, None]
            cell = column + np.arange(self.states) * here.size
            found = np.bincount(cell.ravel(), weight.ravel(), minlength=self.states * here.size)
            both = np.union1d(whole, here)
            sums = np.zeros((self.states, both.size))
            sums[:, np.searchsorted(both, whole)] += total
            sums[:, np.searchsorted(both, here)] += found.reshape(self.states, -1)
            whole, total = both, sums
        some = total.any(axis=0)
        return whole[some], np.minimum(total[:, some], 1.0)

    def outlier_probability(self, p: Parameters, share: FloatArray) -> FloatArray:
        """Probability that each reading is off the comb, averaged over nodes, shape (n,)."""
        out = np.zeros(self.x.size)
        for part in self.chunks(p):
            rows = p.rows(part)
            if not np.any(rows.outliers > 0):
                continue
            teeth = self.teeth_of(rows, None)
            log_f = self.densities(rows, None, teeth)
            mass = self._mass_given_others(rows, log_f, teeth)
            terms, astray = self._terms(log_f, mass, rows.outliers)
            total = np.logaddexp(np.logaddexp.reduce(terms, axis=2), astray)
            stray = self._log_astray(rows.outliers)[:, :, None]
            mixed = np.logaddexp(log_f + np.log1p(-rows.outliers)[:, None, None], stray)
            # A state that is astray as a whole is at no tooth: taken off there, counted once.
            off, chance = self.apart, np.exp(stray - mixed)
            whole = np.exp(self.per_state(mixed) + mass - total[:, :, None])
            empty = self.per_state(np.where(off[:, None], mixed, stray)) + mass
            empty = self.per_reading(np.exp(empty - total[:, :, None]))
            each = self.per_reading(whole) * chance - empty * np.where(off[:, None], chance, 1.0)
            at_teeth = np.maximum(each, 0.0).sum(axis=2)
            alone = self.off_scale(rows.outliers)[1]
            out += share[part] @ (at_teeth + self.per_reading(np.exp(astray - total)) * alone)
        result = np.empty(self.x.size)
        result[self.order] = out
        return result

    @property
    def shift_shows(self) -> bool:
        """Whether a shift that the readings share changes their likelihood without steps.

        It does between readings of one state that it moves by different amounts, and at the ends of
        an envelope.
        """
        closed = self.envelope.declared or self.envelope.density is not None
        return self.shifted and (closed or not self.one_lever)

    def log_continuum(self, p: Parameters) -> FloatArray:
        """Log likelihood of the same sample without steps; the units of `p` are unused.

        So are the offsets, but for a shift that the readings share. The continuum is a comb too
        fine to show. Which whole numbers occur is said of the comb alone.
        """
        if not self.shifted:
            p = dataclasses.replace(p, offset=np.zeros(p.unit.size))
        envelope = self.envelope.without_integers()
        anywhere = Likelihood(self.readings, envelope, power=self.power, rounding=self.rounding)
        return anywhere.log_fine_comb(p)

    def log_fine_comb(self, p: Parameters) -> FloatArray:
        """Log likelihood under a comb so fine that it is a continuum, shape (m,).

        Its teeth stand at equal distances in standard deviations, however these grow.
        """
        law = p.sigma[:, None] * float(self.scale.min()), p.growth[:, None]
        # Repeats know their size better than one reading; where the deviation changes with the
        # mean, the comb has to be finer still.
        fine = self.sharpness * (1.0, 0.3, 0.45)[self.power]

        def place(size: FloatArray | float) -> FloatArray:
            return in_deviations(size, *law, self.power)

        start, step, parts = self.envelope.continuum(place, self.end, fine)
        lowest, highest = self.near_the_sizes(p)
        size = np.maximum(np.abs(lowest), np.abs(highest))
        half = np.sqrt(DIGITS) * self.spread_at(p, size) + self.kinds.reach
        # There is nothing beyond the ends of an envelope.
        half = np.minimum(half, 2 * (size + self.end) if np.isinf(self.largest) else np.inf)
        first, last = (np.floor((place(x) - start) / step) for x in (lowest - half, highest + half))
        count = (last - first).max(axis=1) + 1
        out = np.empty(p.unit.size)
        for part in self.chunks(p, work=count * self.x.size):
            # Changes of the charge by so small a unit do not show.
            rows = dataclasses.replace(p.rows(part), unit=0.1 * law[0][part, 0])
            k = first[part] + np.arange(count[part].max())[:, None, None]
            middle = start[part] + (k + 0.5) * step[part]
            size, deviation = at_deviations(middle, law[0][part], law[1][part], self.power)
            mass = self.envelope.continuum_mass(size, k, parts[part])
            mass += np.log(step[part] * deviation)
            mass, teeth = (np.moveaxis(a, 0, 2) for a in (mass, size / rows.unit[:, None]))
            log_f = self.densities(rows, None, teeth)
            out[part] = self._states_from(log_f, mass, rows.outliers[:, None]).sum(axis=(1, 2))
        return out

    def _totals(self, p: Parameters, cell: Cell | None, share: FloatArray) -> FloatArray:
        """Log likelihood at each row and share of outliers, shape (m, W)."""
        if self.free_weights and cell is None:
            return self._with_free_weights(p, share)
        if self.last_number is not None:
            return self._over_last_number(p, cell, share, self.last_number)
        return np.asarray(self._by_state(p, cell, share).sum(axis=1))

    def _by_state(self, p: Parameters, cell: Cell | None, share: FloatArray) -> FloatArray:
        """Log likelihood of each state at each share of outliers, shape (m, J, W)."""
        first, count = self.first_teeth(p, cell)
        if not self.free_weights:
            together = self.log_sums_together(p, cell, first, count)
            if together is not None:
                return self._with_share(together, share)
        teeth = self.teeth_from(first, count)
        log_f = self.densities(p, cell, teeth)
        return self._states_from(log_f, self._log_mass(p, cell, teeth), share)

    def _over_last_number(
        self, p: Parameters, cell: Cell | None, share: FloatArray, last: LastNumber
    ) -> FloatArray:
        teeth = self.teeth_of(p, cell)
        log_f, voiced = self.densities(p, cell, teeth), self.voiced
        columns = []
        for w in share.T:
            terms, astray = self._terms(log_f, 0.0, np.broadcast_to(w, p.unit.shape))
            columns.append(
                last.log_likelihood(terms[:, voiced], teeth[:, voiced], astray[:, voiced])
            )
        return np.column_stack(columns)

    def _mass_given_others(self, p: Parameters, log_f: FloatArray, teeth: FloatArray) -> FloatArray:
        """Log probability of each tooth of a state before it is read, the others being known."""
        if self.last_number is None:
            return self._log_mass(p, None, teeth)
        terms, astray = self._terms(log_f, 0.0, p.outliers)
        mass = np.where(teeth < self.envelope.first, -np.inf, 0.0)
        voiced = self.voiced
        mass[:, voiced] = self.last_number.log_mass(
            terms[:, voiced], teeth[:, voiced], astray[:, voiced]
        )
        return mass

    def _log_mass(self, p: Parameters, cell: Cell | None, teeth: FloatArray) -> FloatArray:
        if self.free_weights:
            first, last = self.envelope.ends(p.unit, self.start(p))
            if cell is not None:
                first[:], last[:] = self.envelope.first, self.envelope.last
            inside = (teeth >= first[:, None, None]) & (teeth <= last[:, None, None])
            return np.where(inside, 0.0, -np.inf)
        return self.masses(p, cell, teeth)

    def _states_from(self, log_f: FloatArray, mass: FloatArray, share: FloatArray) -> FloatArray:
        if self.states == self.x.size or not np.any(share > 0):
            out = self._with_share(log_sum(self.per_state(log_f) + mass), share)
        else:
            columns = []
            for w in share.T:
                terms, astray = self._terms(log_f, mass, np.broadcast_to(w, log_f.shape[:1]))
                columns.append(np.logaddexp(log_sum(terms), astray))
            out = np.stack(columns, axis=2)
        if self.mute.size:
            out[:, self.mute] = 0.0
        return out

    def _with_share(self, on_comb: FloatArray, share: FloatArray) -> FloatArray:
        """Log likelihood of each state at each share of outliers, in which it is linear."""
        if not np.any(share > 0):
            return np.repeat(on_comb[:, :, None], share.shape[1], axis=2)
        with np.errstate(divide="ignore"):
            off = self._log_outside()[:, None] + np.log(share)[:, None, :]
        return np.logaddexp(on_comb[:, :, None] + np.log1p(-share)[:, None, :], off)

    def _terms(
        self, log_f: FloatArray, mass: FloatArray | float, share: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Log of what each tooth adds (m, J, T), and of a state astray (m, J)."""
        if not np.any(share > 0):
            return self.per_state(log_f) + mass, np.full((share.size, self.states), -np.inf)
        stray, on_comb = self._log_astray(share), log_f + np.log1p(-share)[:, None, None]
        if self.states == self.x.size:
            return on_comb + mass, stray
        astray, off = self.per_state(stray), self.apart
        # By how much likelier than astray: a difference of both would leave no digits far away.
        with np.errstate(divide="ignore", invalid="ignore"):
            each, lone = np.logaddexp(0.0, on_comb - stray[:, :, None]), astray[:, :, None]
            if off.any():
                # Where those on the scale are astray, those off it may be at any tooth.
                lone = lone + self.per_state(each * off[:, None])
                each[:, off] = 0.0
                astray = self.per_state(np.where(off, 0.0, stray)) + self.off_scale(share)[0]
            over = self.per_state(each)
            at_tooth = lone + over + np.log(-np.expm1(-over)) + mass
        return np.where(np.isnan(at_tooth), -np.inf, at_tooth), astray

    def _with_free_weights(self, p: Parameters, share: FloatArray) -> FloatArray:
        teeth = self.teeth_of(p, None)
        log_f = self.densities(p, None, teeth)
        mass = self._log_mass(p, None, teeth)
        count = self.envelope.count(p.unit, self.start(p), self.blur_in_units(p))
        columns = []
        for w in share.T:
            terms, astray = self._terms(log_f, mass, np.broadcast_to(w, p.unit.shape))
            columns.append(log_free_weights(terms, teeth.astype(np.int64), count, astray))
        return np.column_stack(columns)

    def _log_outside(self) -> FloatArray:
        """Log density of each reading as an outlier, shape (n,)."""
        outside = np.full(self.x.size, self.envelope.outside())
        outside[self.kinds.is_beyond] = _HALF
        return outside

    def _log_astray(self, share: FloatArray) -> FloatArray:
        """Log of share times density of an outlier, shape (m, n)."""
        with np.errstate(divide="ignore"):
            return np.log(share)[:, None] + self._log_outside()


def log_free_weights(
    terms: FloatArray, teeth: IntArray, count: FloatArray, astray: FloatArray
) -> FloatArray:
    """Log evidence of teeth with weights of their own, shape (m,): a close lower bound.

    With weights π over the T teeth in view and a Dirichlet prior, 1 each, the sum over all whole
    numbers has no closed form. The variational bound (Bishop, *Pattern Recognition and Machine
    Learning*, Springer 2006, section 10.2, with the components known) replaces it:
    responsibilities r are found by alternating with E log π = ψ(1 + N_k) − ψ(T + N). Where the
    whole numbers are sure it is the Dirichlet-multinomial probability, exactly.

    `terms` (m, J, T) are the log likelihoods of states at `teeth`, without any weight of the
    teeth; `count` (m,) is how many teeth are in view; `astray` (m, J) the log likelihood of a
    state that is at no tooth.
    """
    from scipy.special import digamma, gammaln

    m = terms.shape[0]
    place = teeth - teeth.min(axis=(1, 2), keepdims=True)
    most = int(place.max()) + 1
    place = place + most * np.arange(m)[:, None, None]
    # With no tooth in view every state is astray.
    terms = np.where((count > 0)[:, None, None], terms, -np.inf)
    top = np.maximum(terms.max(axis=2), astray)
    possible = np.isfinite(top).all(axis=1)
    top = np.where(np.isfinite(top), top, 0.0)
    likely = np.exp(terms - top[:, :, None])
    none = np.exp(astray - top)
    r, off = _normalised(likely, none)
    totals = _totals(r, place, most)
    in_view = np.maximum(np.maximum(count, 1.0), np.sum(totals > 0.5, axis=1))
    for _ in range(_ROUNDS):
        log_pi = digamma(1 + totals) - digamma(in_view + totals.sum(axis=1))[:, None]
        r, off = _normalised(likely * np.exp(log_pi).ravel()[place], none)
        totals = _totals(r, place, most)
    with np.errstate(divide="ignore", invalid="ignore"):
        fit = np.sum(np.where(r > 0, r * (terms - np.log(r)), 0.0), axis=(1, 2))
        fit += np.sum(np.where(off > 0, off * (astray - np.log(off)), 0.0), axis=1)
    dirichlet = gammaln(in_view) - gammaln(in_view + totals.sum(axis=1))
    dirichlet += np.sum(gammaln(1 + totals), axis=1)
    return np.where(possible, fit + dirichlet, -np.inf)


def _normalised(at_tooth: FloatArray, none: FloatArray) -> tuple[FloatArray, FloatArray]:
    total = at_tooth.sum(axis=2) + none
    total = np.where(total > 0, total, 1.0)
    return at_tooth / total[:, :, None], none / total


def _totals(r: FloatArray, place: IntArray, most: int) -> FloatArray:
    counts = np.bincount(place.ravel(), weights=r.ravel(), minlength=most * r.shape[0])
    return counts.astype(np.float64).reshape(-1, most)
