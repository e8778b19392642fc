"""Every way of cutting sorted levels into groups that share a place, summed in O(n²)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import gammaln

from quantize._support.validation import FloatArray, IntArray
from quantize.null.choices import RESTAURANTS as RESTAURANTS

UNDERFLOW = 745.0
"""Terms this far below the largest, in natural logarithm, are zero in double precision."""
LOG_2PI = float(np.log(2 * np.pi))
ONE_SCALE = 1000
"""Up to so many levels the sums over few groups and over many are numbers of one scale."""

Ways = Callable[[int, int], FloatArray]
"""(t, first) to the log weights of the groups first … t − 1 to t, one set in each row."""


def log_sum_exp(terms: FloatArray, axis: int = -1) -> FloatArray:
    """Log of the sum of the exponentials along an axis."""
    peak = np.max(terms, axis=axis, keepdims=True)
    peak = np.where(np.isfinite(peak), peak, 0.0)
    with np.errstate(divide="ignore"):
        out = np.log(np.sum(np.exp(terms - peak), axis=axis))
    return np.asarray(out + np.squeeze(peak, axis=axis))


def log_mean_exp(terms: FloatArray, axis: int = -1) -> FloatArray:
    """Log of the mean of the exponentials along an axis."""
    return log_sum_exp(terms, axis) - float(np.log(terms.shape[axis]))


def log_partition_sums(
    values: FloatArray,
    variance: FloatArray,
    count: IntArray,
    log_seats: FloatArray,
    most_groups: int,
) -> FloatArray:
    r"""Log of the sum, over all cuts into J groups, of the products of the groups' likelihoods.

    A group of m neighbours that share one place, the place integrated over the whole line, has
    the likelihood (common variance)

    .. math:: (2\pi\sigma^2)^{-(m-1)/2}\, m^{-1/2}\, e^{-SS/2\sigma^2} ,

    SS the sum of squares about the group's mean. It is multiplied by the occupancy weight of the
    levels in it, ``exp(log_seats[a, m])``. Dividing the sum for J groups by R**J puts the places
    uniformly on a length R. Groups that interleave are left out; that is the one approximation.

    Each of the sorted `values` (n,) stands for `count` levels with `variance` (S, n); `log_seats`
    is (A, count.sum() + 1). The shape is (S, A, most_groups + 1); entry 0, of no group, is -inf.

    References
    ----------
    Barry and Hartigan, Annals of Statistics 20:260 (1992): product partition models and their
    recursion.
    """
    rows, n = len(variance) * len(log_seats), count.size
    groups = Groups(values, variance)
    running = np.concatenate([[0], np.cumsum(count)])
    # In units of the span few groups and many have sums of a like size; otherwise the sums of
    # those that matter are lost beside those that do not.
    unit = np.log(np.ptp(values)) if np.ptp(values) > 0 else 0.0

    def ways(t: int, first: int) -> FloatArray:
        seats = log_seats[:, running[t] - running[first:t]]
        group = groups.ending_at(t, first)[:, None, :] + seats - unit
        return group.reshape(rows, t - first)

    def one_more(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        sums = np.concatenate([np.zeros((rows, 1)), sums[:, :-1]], axis=1)
        return sums, np.maximum(sums.max(axis=1), 1e-300)

    if running[-1] <= ONE_SCALE:
        none = np.zeros((rows, most_groups + 1))
        none[:, 0] = 1.0
        log_sum = _log_over_cuts(ways, none, n, one_more, _never_again(count))
    else:
        log_sum = _scale_each(ways, rows, n, most_groups)
    log_sum += unit * np.arange(most_groups + 1)
    return log_sum.reshape(len(variance), len(log_seats), most_groups + 1)


def _log_over_cuts(
    ways: Ways,
    none: FloatArray,
    n: int,
    join: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    far: float,
) -> FloatArray:
    """Log of sums over the cuts of n items, several sums in a row, all of a like size.

    Those over the cuts of no item are `none` (rows, K). `join` makes, of the sums weighted by the
    last group, those with that group, and says how large they are. Groups that are `far` below the
    likeliest, in natural logarithm, have no part from there on.
    """
    # share[:, t] times exp(scale[:, t]) are the sums over cuts of the first t items.
    share = np.empty((len(none), n + 1, none.shape[1]))
    scale = np.zeros((len(none), n + 1))
    share[:, 0], first = none, 0
    for t in range(1, n + 1):
        exponent = ways(t, first) + scale[:, first:t]
        peak = exponent.max(axis=1)
        skipped = int(np.argmax((exponent > peak[:, None] - far).any(axis=0)))
        first += skipped
        weight = np.exp(exponent[:, skipped:] - peak[:, None])
        sums, size = join(np.matmul(weight[:, None, :], share[:, first:t])[:, 0])
        share[:, t] = sums / size[:, None]
        scale[:, t] = peak + np.log(size)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(share[:, n]) + scale[:, n:])


def _scale_each(ways: Callable[[int, int], FloatArray], rows: int, n: int, most: int) -> FloatArray:
    """Log sums where so many levels are cut that few groups and many have no common scale."""
    log_sum = np.full((rows, n + 1, most + 1), -np.inf)
    log_sum[:, 0, 0] = 0.0
    for t in range(1, n + 1):
        terms = ways(t, 0)[:, :, None] + log_sum[:, :t, :-1]
        peak = terms.max(axis=1)
        peak = np.where(np.isfinite(peak), peak, 0.0)
        np.exp(terms - peak[:, None], out=terms)
        with np.errstate(divide="ignore"):
            log_sum[:, t, 1:] = np.log(terms.sum(axis=1)) + peak
    return np.asarray(log_sum[:, n])


def log_any_number(
    values: FloatArray, variance: FloatArray, count: IntArray, window: float
) -> FloatArray:
    """Places without limit of number (Chinese-restaurant shares), uniform on `window`; shape (S,).

    Averaged over the concentrations in `RESTAURANTS`. Levels that sit alone are a background.

    References
    ----------
    Pitman, *Combinatorial Stochastic Processes*, Springer 2006, section 3.1.
    """
    groups = Groups(values, variance)

    def on_window(stop: int, first: int) -> FloatArray:
        return np.asarray(groups.ending_at(stop, first) - np.log(window))

    return _restaurant(on_window, len(variance), count, _never_again(count))


def log_own_widths(
    values: FloatArray, count: IntArray, inner: FloatArray, width: FloatArray, window: float
) -> float:
    """As `log_any_number`, but every group is a lump with its own width from the grid `width`.

    `inner` (n,) is the sum of squares of the levels of each item about its mean.
    """
    variance = np.square(width)[:, None] / count
    groups = Groups(values, variance)
    within = -0.5 * (
        (count - 1) * (LOG_2PI + 2 * np.log(width)[:, None]) + inner / np.square(width)[:, None]
    )
    within -= 0.5 * np.log(count)
    running = np.concatenate([np.zeros((width.size, 1)), np.cumsum(within, axis=1)], axis=1)

    def averaged(stop: int, first: int) -> FloatArray:
        base = groups.ending_at(stop, first) + running[:, [stop]] - running[:, first:stop]
        mean: FloatArray = log_mean_exp(base, axis=0) - np.log(window)
        return mean[None]

    return float(_restaurant(averaged, 1, count, np.inf)[0])


def most_probable_groups(values: FloatArray, factor: FloatArray, sigma: float) -> IntArray:
    """Group of each of the sorted values under the single most probable cut, shape (n,).

    Levels are uniform on the range of the values, shares those of the second Chinese restaurant.
    """
    n = values.size
    window = widened_span(values)
    groups_of = Groups(values, sigma**2 * factor[None, :])
    log_share = np.log(RESTAURANTS[1]) - np.log(window)
    best = np.zeros(n + 1)
    came_from = np.zeros(n + 1, dtype=np.int64)
    for t in range(1, n + 1):
        seats = gammaln(t - np.arange(t))
        candidates = best[:t] + groups_of.ending_at(t)[0] + seats + log_share
        came_from[t] = int(np.argmax(candidates))
        best[t] = candidates[came_from[t]]
    groups = np.empty(n, dtype=np.int64)
    t, label = n, 0
    while t > 0:
        groups[came_from[t] : t] = label
        t, label = int(came_from[t]), label + 1
    return label - 1 - groups


def _never_again(count: IntArray) -> float:
    """How far below the largest term a group has no part in any later sum."""
    # Beside the groups that it is split into, one that grows to the right gets ever less likely:
    # by the squares between their means, but for what the shares favour: a factor of two a level.
    return UNDERFLOW + float(np.log(2)) * float(count.sum())


def widened_span(values: FloatArray, n: int | None = None) -> float:
    """Range of `n` values (all), widened by (n + 1)/(n − 1) as for a uniform sample."""
    n = values.size if n is None else n
    return float(np.ptp(values)) * (n + 1) / max(n - 1, 1)


def _restaurant(group: Ways, sets: int, count: IntArray, far: float) -> FloatArray:
    """Any number of groups, averaged over the concentrations; `group` without their shares."""
    n, total = count.size, int(count.sum())
    running = np.concatenate([[0], np.cumsum(count)])
    theta = np.array(RESTAURANTS)
    # Sums for several concentrations have one scale where there are not too many groups.
    apart = float(np.log(theta.max() / theta.min())) * n
    together = apart < 1.5 * UNDERFLOW
    each = theta[None] if together else np.repeat(theta, sets)[:, None]

    def ways(t: int, first: int) -> FloatArray:
        table = group(t, first) + gammaln(running[t] - running[first:t])
        return table if together else np.tile(table, (theta.size, 1))

    def one_more(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        sums = each * sums
        return sums, np.sqrt(sums.min(axis=1)) * np.sqrt(sums.max(axis=1))

    none = np.ones((sets, theta.size) if together else (sets * theta.size, 1))
    terms = _log_over_cuts(ways, none, n, one_more, far + apart * together)
    terms = terms.T if together else terms.reshape(theta.size, sets)
    norm = np.log(theta[:, None] + np.arange(total)).sum(axis=1)
    return log_mean_exp(terms - norm[:, None], axis=0)


class Groups:
    """Log likelihoods of runs of the sorted values that share a place, anywhere on the line."""

    def __init__(self, values: FloatArray, variance: FloatArray) -> None:
        weight = 1 / variance
        centred = values - values.mean()
        zero = np.zeros((variance.shape[0], 1))
        self._weight, self._first, self._second, self._logs = (
            np.concatenate([zero, np.cumsum(term, axis=1)], axis=1)
            for term in (weight, weight * centred, weight * centred**2, np.log(variance))
        )

    def ending_at(self, stop: int, first: int = 0) -> FloatArray:
        """Those whose last value is that before `stop`, begun at each of `first` … stop − 1."""
        start = slice(first, stop)
        precision = self._weight[:, [stop]] - self._weight[:, start]
        squares = self._second[:, [stop]] - self._second[:, start]
        squares -= np.square(self._first[:, [stop]] - self._first[:, start]) / precision
        base: FloatArray = (
            -0.5 * (self._logs[:, [stop]] - self._logs[:, start])
            - 0.5 * np.log(precision)
            - 0.5 * (stop - np.arange(first, stop) - 1) * LOG_2PI
            - 0.5 * np.maximum(squares, 0.0)
        )
        return base
