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

Ways = Callable[[int], FloatArray]
"""t to the log weights of the groups that begin at 0 … t − 1 and end before t, a set in a row."""


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

    Barry and Hartigan, Annals of Statistics 20:260 (1992): product partition models and their
    recursion.
    """
    rows, n = len(variance) * len(log_seats), count.size
    groups = Groups(values, variance)
    running = np.concatenate([[0], np.cumsum(count)])
    # In units of the span few groups and many have sums of a like size; otherwise the sums of
    # those that matter are lost beside those that do not.
    unit = np.log(np.ptp(values)) if np.ptp(values) > 0 else 0.0

    def ways(t: int) -> FloatArray:
        seats = log_seats[:, running[t] - running[:t]]
        return (groups.ending_at(t)[:, None, :] + seats - unit).reshape(rows, t)

    def one_more(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        sums = np.concatenate([np.zeros((rows, 1)), sums[:, :-1]], axis=1)
        return sums, np.maximum(sums.max(axis=1), 1e-300)

    if running[-1] <= ONE_SCALE:
        none = np.zeros((rows, most_groups + 1))
        none[:, 0] = 1.0
        log_sum = _log_over_cuts(ways, none, n, one_more)
    else:
        log_sum = _scale_each(ways, rows, n, most_groups)
    log_sum += unit * np.arange(most_groups + 1)
    return log_sum.reshape(len(variance), len(log_seats), most_groups + 1)


def _log_over_cuts(
    ways: Ways,
    none: FloatArray,
    n: int,
    join: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
) -> FloatArray:
    """Log of sums over the cuts of n items, several sums in a row, all of a like size.

    Those over the cuts of no item are `none` (rows, K). `join` makes, of the sums weighted by the
    last group, those with that group, and says how large they are.
    """
    # share[:, t] times exp(scale[:, t]) are the sums over cuts of the first t items.
    share = np.empty((len(none), n + 1, none.shape[1]))
    scale = np.zeros((len(none), n + 1))
    share[:, 0] = none
    for t in range(1, n + 1):
        exponent = ways(t) + scale[:, :t]
        peak = exponent.max(axis=1)
        weight = np.exp(exponent - peak[:, None])
        sums, size = join(np.matmul(weight[:, None, :], share[:, :t])[:, 0])
        share[:, t] = sums / size[:, None]
        scale[:, t] = peak + np.log(size)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(share[:, n]) + scale[:, n:])


def _scale_each(ways: Ways, rows: int, n: int, most: int) -> FloatArray:
    """Log sums where so many levels are cut that few groups and many have no common scale."""
    log_sum = np.full((rows, n + 1, most + 1), -np.inf)
    log_sum[:, 0, 0] = 0.0
    for t in range(1, n + 1):
        terms = ways(t)[:, :, None] + log_sum[:, :t, :-1]
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

    Pitman, *Combinatorial Stochastic Processes*, Springer 2006, section 3.1.
    """
    groups = Groups(values, variance)
    return _restaurant(lambda stop: groups.ending_at(stop) - np.log(window), len(variance), count)


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

    def averaged(stop: int) -> FloatArray:
        base = groups.ending_at(stop) + running[:, [stop]] - running[:, :stop]
        return log_mean_exp(base, axis=0)[None] - float(np.log(window))

    return float(_restaurant(averaged, 1, count)[0])


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


def widened_span(values: FloatArray, n: int | None = None) -> float:
    """Range of `n` values (all), widened by (n + 1)/(n − 1) as for a uniform sample."""
    n = values.size if n is None else n
    return float(np.ptp(values)) * (n + 1) / max(n - 1, 1)


def _restaurant(group: Ways, sets: int, count: IntArray) -> FloatArray:
    """Any number of groups, averaged over the concentrations; `group` without their shares."""
    n, total = count.size, int(count.sum())
    running = np.concatenate([[0], np.cumsum(count)])
    theta = np.array(RESTAURANTS)
    # Sums for several concentrations have one scale where there are not too many groups.
    together = np.log(theta.max() / theta.min()) * n < 1.5 * UNDERFLOW
    each = theta[None] if together else np.repeat(theta, sets)[:, None]

    def ways(t: int) -> FloatArray:
        table = group(t) + gammaln(running[t] - running[:t])
        return table if together else np.tile(table, (theta.size, 1))

    def one_more(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        sums = each * sums
        return sums, np.sqrt(sums.min(axis=1)) * np.sqrt(sums.max(axis=1))

    none = np.ones((sets, theta.size) if together else (sets * theta.size, 1))
    terms = _log_over_cuts(ways, none, n, one_more)
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

    def ending_at(self, stop: int) -> FloatArray:
        """Those whose last value is that before `stop`, begun at each of 0 … stop − 1."""
        precision = self._weight[:, [stop]] - self._weight[:, :stop]
        squares = self._second[:, [stop]] - self._second[:, :stop]
        squares -= np.square(self._first[:, [stop]] - self._first[:, :stop]) / precision
        return np.asarray(
            -0.5 * (self._logs[:, [stop]] - self._logs[:, :stop])
            - 0.5 * np.log(precision)
            - 0.5 * (stop - np.arange(stop) - 1) * LOG_2PI
            - 0.5 * np.maximum(squares, 0.0)
        )
