"""Whole numbers from a first one to a last one that is unknown and summed over.

Given the last number b, each of the first … b is equally likely for every state. The states then
depend on each other through b alone: the likelihood is Σ_b p(b) Π_i L_i(b), where L_i(b) is the
average over the numbers up to b, and p(b) ∝ 1/b.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.sums import blocks

_BLOCK = 1_000_000
"""Numbers in the largest array."""
_FAINT = 1e-290
"""Sums this far below the largest term of a state are added up as logarithms."""


class LastNumber:
    """The sum over the last number, from `first` + 1 to `most`, for a number of states."""

    def __init__(self, first: int, most: int, states: int) -> None:
        self.first, self.most = first, most
        b = np.arange(first + 1, most + 1, dtype=np.float64)
        self.log_prior = -np.log(b) - np.log(np.sum(1 / b))
        self.log_count = np.log(b - first + 1)
        self.log_tail, self.log_tail_of_others = self._tail(states), self._tail(states - 1)

    def log_likelihood(
        self, terms: FloatArray, teeth: FloatArray, astray: FloatArray
    ) -> FloatArray:
        """Log likelihood of all states together, shape (m,).

        `terms` (m, J, T) are what each tooth adds, without any weight of the teeth, and `astray`
        (m, J) the log likelihood of a state that is at no tooth.
        """
        running = self._running(terms, teeth)
        if np.isfinite(astray).any():
            parts = (self._weights(*each) for each in self._blocks(running, teeth[:, :, 0], astray))
            return np.concatenate([np.logaddexp.reduce(part, axis=1) for part in parts])
        # From the last tooth of every state on, the sum over its teeth stays what it is.
        start = np.maximum(teeth[:, :, 0].max(axis=1), self.first + 1).astype(np.int64)
        some = int(np.max(teeth[:, :, -1].max(axis=1) - start, initial=-1)) + 1
        b = (start[:, None] + np.arange(max(some, 1))).astype(np.float64)
        among = self._given(running, teeth[:, :, 0], b).sum(axis=1) + self._at(self.log_prior, b)
        rest = np.minimum(start + max(some, 1), self.most + 1) - self.first - 1
        tail = running[:, :, -1].sum(axis=1) + self.log_tail[rest]
        return np.asarray(np.logaddexp(np.logaddexp.reduce(among, axis=1), tail))

    def log_mass(self, terms: FloatArray, teeth: FloatArray, astray: FloatArray) -> FloatArray:
        """Log probability of each tooth of a state before it is read, given the other states."""
        out = [np.empty((0, *terms.shape[1:]))]
        some = self._told_apart(teeth, astray)
        at = 0
        for running, first, none in self._blocks(
            self._running(terms, teeth), teeth[:, :, 0], astray, some
        ):
            each = self._each(running, first, none, some)
            with np.errstate(invalid="ignore"):
                others = (each.sum(axis=1) + self.log_prior[:some])[:, None, :] - each
                # From there on the teeth of every state are all counted.
                rest = running[:, :, -1].sum(axis=1, keepdims=True) - running[:, :, -1]
            others = np.where(np.isnan(others), -np.inf, others)
            rest = np.where(np.isnan(rest), -np.inf, rest)
            total = np.logaddexp.reduce(others, axis=2)
            total = np.logaddexp(total, rest + self.log_tail_of_others[some])[:, :, None]
            others -= self.log_count[:some]
            beyond = (rest + self.log_tail[some])[:, :, None]
            above = np.concatenate([others, beyond], axis=2)[:, :, ::-1] - total
            above = np.logaddexp.accumulate(above, axis=2)[:, :, :0:-1]
            whole = teeth[at : at + first.shape[0]]
            place = np.clip(whole - self.first - 1, 0, some - 1)
            mass = np.take_along_axis(above, place.astype(np.int64), axis=2)
            out.append(np.where((whole < self.first) | (whole > self.most), -np.inf, mass))
            at += first.shape[0]
        return np.concatenate(out)

    def each_state(self, terms: FloatArray, teeth: FloatArray, astray: FloatArray) -> FloatArray:
        """Log likelihood of each state, averaged over b given all of them, shape (m, J)."""
        out = [np.empty((0, terms.shape[1]))]
        for part in self._blocks(self._running(terms, teeth), teeth[:, :, 0], astray):
            weight = self._weights(*part)
            weight = weight - np.logaddexp.reduce(weight, axis=1)[:, None]
            out.append(np.logaddexp.reduce(self._each(*part) + weight[:, None, :], axis=2))
        return np.concatenate(out)

    def _tail(self, states: int) -> FloatArray:
        """Log of the sum of p(b)/count^states from each b on."""
        from_here = np.logaddexp.accumulate((self.log_prior - states * self.log_count)[::-1])[::-1]
        return np.append(from_here, -np.inf)

    def _told_apart(self, teeth: FloatArray, astray: FloatArray) -> int:
        """How many last numbers, from the least, differ in more than the count of teeth."""
        every = self.most - self.first
        if np.isfinite(astray).any():
            return every
        return int(np.clip(teeth[:, :, -1].max(initial=-np.inf) - self.first, 1, every))

    def _running(self, terms: FloatArray, teeth: FloatArray) -> FloatArray:
        """Log of the sum over the teeth up to each."""
        allowed = np.where(teeth < self.first, -np.inf, terms)
        top = allowed.max(axis=2, keepdims=True)
        top[~np.isfinite(top)] = 0.0
        sums = np.cumsum(np.exp(allowed - top), axis=2)
        faint = ((sums < _FAINT) & (allowed > -np.inf)).any(axis=2)
        with np.errstate(divide="ignore"):
            running: FloatArray = np.log(sums, out=sums) + top
        running[faint] = np.logaddexp.accumulate(allowed[faint], axis=1)
        return running

    def _given(self, running: FloatArray, first: FloatArray, b: FloatArray) -> FloatArray:
        """Log of the average over the teeth of each state up to b (m, D), shape (m, J, D)."""
        place = (b[:, None, :] - first[:, :, None]).astype(np.int64)
        inside = np.clip(place, 0, running.shape[2] - 1)
        sums = np.take_along_axis(running, inside, axis=2)
        return np.where(place < 0, -np.inf, sums) - self._at(self.log_count, b)[:, None, :]

    def _at(self, values: FloatArray, b: FloatArray) -> FloatArray:
        """The values that belong to b, −inf (and a count of 1) beyond the largest."""
        place = (b - self.first - 1).astype(np.int64)
        beyond = 0.0 if values is self.log_count else -np.inf
        return np.where(place < values.size, values[np.minimum(place, values.size - 1)], beyond)

    def _each(
        self, running: FloatArray, first: FloatArray, astray: FloatArray, some: int | None = None
    ) -> FloatArray:
        """Log likelihood of each state at every b, or at the first `some`, shape (m, J, B)."""
        every = self.first + 1.0 + np.arange(some or self.most - self.first)
        b = np.broadcast_to(every, (first.shape[0], every.size))
        return np.logaddexp(self._given(running, first, b), astray[:, :, None])

    def _weights(self, running: FloatArray, first: FloatArray, astray: FloatArray) -> FloatArray:
        """Log of p(b) times the likelihood of all states, shape (m, B)."""
        return np.asarray(self._each(running, first, astray).sum(axis=1) + self.log_prior)

    def _blocks(
        self, running: FloatArray, first: FloatArray, astray: FloatArray, some: int | None = None
    ) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
        """Rows in parts that need no large arrays, with so many last numbers."""
        most = _BLOCK // (running.shape[1] * (some or self.most - self.first))
        return [(running[i], first[i], astray[i]) for i in blocks(running.shape[0], most)]


def whole_numbers_among(teeth: IntArray) -> tuple[IntArray, IntArray]:
    """Whole numbers with all of `teeth` among them, and the place of each there."""
    least, beyond = int(teeth.min()), int(teeth.max()) + 1
    if beyond - least <= teeth.size:
        return np.arange(least, beyond), teeth - least
    # Far from where they are counted the whole numbers are many, and few of them occur.
    here, place = np.unique(teeth, return_inverse=True)
    return here, place.reshape(teeth.shape)
