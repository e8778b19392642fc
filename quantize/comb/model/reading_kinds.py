"""Which reading is measured how, and the log density that belongs to it."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.model import reading_density as density
from quantize.readings import Readings


class ReadingKinds:
    """Readings in the order `order`, sorted by kind: sharp, rounded, off the scale, changing."""

    def __init__(self, readings: Readings, order: IntArray, rounding: bool) -> None:
        n = len(readings)
        zero = np.zeros(n, dtype=np.int64)
        beyond = (zero if readings.beyond is None else readings.beyond)[order]
        changed = (zero > 0 if readings.changed is None else readings.changed)[order]
        ends = (zero + 1 if readings.ends is None else readings.ends)[order]
        step = np.zeros(n)
        if rounding and readings.resolution is not None:
            step = readings.resolution[order]
        self.step = step
        self.beyond = beyond.astype(np.float64)
        plain = (beyond == 0) & ~changed
        self.is_beyond = np.flatnonzero(beyond != 0)
        self.is_changed = np.flatnonzero(changed & (beyond == 0))
        self.is_rounded = np.flatnonzero(plain & (step > 0) & (ends == 1))
        self.is_rounded_twice = np.flatnonzero(plain & (step > 0) & (ends == 2))
        self.is_sharp = np.flatnonzero(plain & (step == 0))
        self.all_sharp = self.is_sharp.size == n
        self.reach = float(np.max(np.where(plain, 0.5 * step * ends, 0.0)))
        """How far from its tooth a reading can be rounded."""

    def log_density(
        self, d: FloatArray, variance: FloatArray, least: FloatArray, unit: FloatArray
    ) -> FloatArray:
        """Log density at distances `d` (m, n, T) from the teeth; `d` is overwritten.

        `variance` has shape (m, n, 1 or T) and `unit` (m,). Where `least` is smaller than the
        variance, it is an upper bound for all variances between the two.
        """
        if self.all_sharp:
            return density.log_normal_in_place(d, variance, least)
        given, variance = variance, np.broadcast_to(variance, d.shape)
        sd = np.sqrt(variance)
        step = self.step[:, None]
        if (i := self.is_sharp).size:
            d[:, i] = density.log_normal(d[:, i], sd[:, i])
        if (i := self.is_rounded).size:
            d[:, i] = density.log_rounded(d[:, i], sd[:, i], step[i])
        if (i := self.is_rounded_twice).size:
            d[:, i] = density.log_rounded_twice(d[:, i], sd[:, i], step[i])
        if (i := self.is_beyond).size:
            d[:, i] = density.log_beyond(d[:, i], sd[:, i], self.beyond[i][:, None])
        if (i := self.is_changed).size:
            d[:, i] = density.log_changed(d[:, i], sd[:, i], unit[:, None, None])
        if least is not given:
            # A normal density of deviation s is nowhere above (s'/s) times that of s' > s.
            d += 0.5 * np.log(variance / least)
        return d

    def nearer(self, d: FloatArray, move: FloatArray) -> FloatArray:
        """Distances when every tooth may come nearer by `move`: no density is higher."""
        near = np.abs(d)
        near -= move
        np.maximum(near, 0.0, out=near)
        if (i := self.is_beyond).size:
            near[:, i] = d[:, i] - self.beyond[i][:, None] * np.broadcast_to(move, d.shape)[:, i]
        return near
