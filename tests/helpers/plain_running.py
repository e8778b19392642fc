"""The running evidence with every sum written out: all noises, all groups, at every reading."""

from __future__ import annotations

from typing import Any

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.null.choices import LEVELS_AT_ZERO
from quantize.null.occupancy import SHARE_NAMES, log_falling, log_norm, log_seats
from quantize.null.partitions import RESTAURANTS, log_mean_exp, log_sum_exp
from quantize.null.running import RunningEvidence

_LOG_2PI = float(np.log(2 * np.pi))


class PlainRunning(RunningEvidence):
    """`RunningEvidence` that keeps nothing from one reading to the next but its readings."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._comb.log_evidence = self._comb_evidence  # type: ignore[method-assign]

    def _comb_evidence(self) -> float:
        comb = self._comb
        occupied = comb._counts > 0
        integer = comb._first[:, None] + np.arange(comb._counts.shape[1])
        levels = np.zeros(comb.unit.size, dtype=np.int64)
        for k in range(1, int(np.abs(integer).max()) + 1):
            levels += np.any(occupied & (np.abs(integer) == k), axis=1)
        enough = levels >= LEVELS_AT_ZERO
        if not enough.any():
            return -np.inf
        terms = comb._log_comb[:, enough].ravel()
        return float(log_sum_exp(terms) - np.log(comb._log_comb[0].size))

    def _level_nulls(self, largest: float = -np.inf) -> dict[str, float]:
        """Levels anywhere in the window, or on one side of zero: all cuts of sorted readings."""
        values = np.sort(np.array(self._values))
        low, high = self._bounds
        unit = self._comb.unit
        above, below = np.floor(high / unit) + 1, np.floor(-low / unit) + 1
        sigma = self._levels.sigma
        every = np.ones(sigma.size, dtype=bool)
        parts = [
            (high - low, above + below - 1, every),
            (high, above, (values[0] >= -4 * sigma) & (8 * sigma <= high)),
            (-low, below, (values[-1] <= 4 * sigma) & (8 * sigma <= -low)),
        ]
        found = [
            np.where(usable, self._by_sigma(values, length, teeth.astype(np.int64)), -np.inf)
            for length, teeth, usable in parts
        ]
        total = log_mean_exp(np.max(found, axis=0), axis=1)
        names = (*(f"lumpy: {name}" for name in SHARE_NAMES), "mixed: levels and background")
        return dict(zip(names, total.tolist(), strict=True))

    def _by_sigma(self, values: FloatArray, length: float, teeth: IntArray) -> FloatArray:
        """Log evidence of each null at each sigma, levels on this length."""
        n = values.size
        ones = np.ones(n, dtype=np.int64)
        different, members = np.unique(teeth, return_counts=True)
        most = int(min(n, different.max()))
        variance = np.repeat(self._levels.sigma[:, None] ** 2, n, axis=1)
        sums = log_partition_sums(values, variance, ones, log_seats(n), most)
        sums -= np.arange(most + 1) * np.log(length)
        weights = np.log(members / members.sum())
        falling, norm = log_falling(different.astype(float), most), log_norm(different, n)
        lumpy = [
            log_sum_exp(log_sum_exp(sums[:, a, None] + falling) + norm[a] + weights)
            for a in range(len(SHARE_NAMES))
        ]
        out: FloatArray = np.array([*lumpy, log_any_number(values, variance, ones, length)])
        return out


def log_partition_sums(
    values: FloatArray,
    variance: FloatArray,
    count: IntArray,
    log_seats: FloatArray,
    most_groups: int,
) -> FloatArray:
    """Log of the sum over all cuts into J groups, shape (S, A, most_groups + 1)."""
    n = values.size
    sigmas, shares = variance.shape[0], log_seats.shape[0]
    rows = sigmas * shares
    group = np.full((sigmas, shares, n + 1, n + 1), -np.inf)
    start, stop, base = segments(values, variance)
    size = _sizes(start, stop, count)
    group[:, :, stop, start] = base[:, None, :] + log_seats[None, :, size]
    # In units of the span few groups and many have sums of a like size; otherwise the sums of
    # those that matter are lost beside those that do not.
    unit = np.log(np.ptp(values)) if np.ptp(values) > 0 else 0.0
    table: FloatArray = group.reshape(rows, n + 1, n + 1) - unit
    # share[:, t, J] times exp(scale[:, t]) is the sum over cuts of the first t readings.
    share = np.zeros((rows, n + 1, most_groups + 1))
    share[:, 0, 0] = 1.0
    scale = np.zeros((rows, n + 1))
    for t in range(1, n + 1):
        exponent = table[:, t, :t] + scale[:, :t]
        peak = exponent.max(axis=1)
        ways = np.exp(exponent - peak[:, None])
        fresh = np.matmul(ways[:, None, :], share[:, :t, :-1])[:, 0, :]
        largest = np.maximum(fresh.max(axis=1), 1e-300)
        share[:, t, 1:] = fresh / largest[:, None]
        scale[:, t] = peak + np.log(largest)
    with np.errstate(divide="ignore"):
        log_sum: FloatArray = np.log(share[:, n, :]) + scale[:, n:]
    log_sum += unit * np.arange(most_groups + 1)
    return log_sum.reshape(sigmas, shares, most_groups + 1)


def log_any_number(
    values: FloatArray, variance: FloatArray, count: IntArray, window: float
) -> FloatArray:
    """Any number of places, uniform on `window`; shape (S,)."""
    start, stop, base = segments(values, variance)
    return _restaurant(start, stop, base - np.log(window), count)


def _restaurant(start: IntArray, stop: IntArray, group: FloatArray, count: IntArray) -> FloatArray:
    n, total_count = count.size, int(count.sum())
    size = _sizes(start, stop, count)
    log_factorial = np.concatenate([[0.0, 0.0], np.cumsum(np.log(np.arange(1, total_count)))])
    theta = np.array(RESTAURANTS)
    sets = group.shape[0]
    rows = theta.size * sets
    full = np.full((theta.size, sets, n + 1, n + 1), -np.inf)
    full[:, :, stop, start] = group + log_factorial[size] + np.log(theta)[:, None, None]
    table: FloatArray = full.reshape(rows, n + 1, n + 1)
    total = np.zeros((rows, n + 1))
    for t in range(1, n + 1):
        exponent = table[:, t, :t] + total[:, :t]
        peak = exponent.max(axis=1)
        total[:, t] = peak + np.log(np.exp(exponent - peak[:, None]).sum(axis=1))
    norm = -np.log(theta[:, None] + np.arange(total_count)).sum(axis=1)
    terms = total[:, n].reshape(theta.size, sets) + norm[:, None]
    best = terms.max(axis=0)
    mean: FloatArray = best + np.log(np.mean(np.exp(terms - best), axis=0))
    return mean


def _sizes(start: IntArray, stop: IntArray, count: IntArray) -> IntArray:
    """Levels in every group."""
    running = np.concatenate([[0], np.cumsum(count)])
    size: IntArray = running[stop] - running[start]
    return size


def segments(values: FloatArray, variance: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
    """First and past-the-last value of every group, and its log likelihood, shape (S, groups)."""
    n = values.size
    weight = 1 / variance
    centred = values - values.mean()
    zero = np.zeros((variance.shape[0], 1))
    total, first, second, logs = (
        np.concatenate([zero, np.cumsum(term, axis=1)], axis=1)
        for term in (weight, weight * centred, weight * centred**2, np.log(variance))
    )
    start, stop = np.triu_indices(n + 1, 1)
    precision = total[:, stop] - total[:, start]
    squares = second[:, stop] - second[:, start]
    squares -= np.square(first[:, stop] - first[:, start]) / precision
    base: FloatArray = (
        -0.5 * (logs[:, stop] - logs[:, start])
        - 0.5 * np.log(precision)
        - 0.5 * (stop - start - 1) * _LOG_2PI
        - 0.5 * np.maximum(squares, 0.0)
    )
    return start, stop, base
