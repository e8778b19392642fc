"""Every way of cutting sorted levels into groups that share a place, summed in O(n²)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.null.choices import RESTAURANTS as RESTAURANTS

UNDERFLOW = 745.0
"""Terms this far below the largest, in natural logarithm, are zero in double precision."""
_LOG_2PI = float(np.log(2 * np.pi))
ONE_SCALE = 1000
"""Up to so many levels the sums over few groups and over many are numbers of one scale."""


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

    Parameters
    ----------
    values : array, shape (n,), sorted
    variance : array, shape (S, n)
    count : array, shape (n,)
        Levels for which each value stands.
    log_seats : array, shape (A, count.sum() + 1)
    most_groups : int
        Largest J kept.

    Returns
    -------
    array, shape (S, A, most_groups + 1)
        Entry J belongs to J groups (entry 0 is -inf).

    References
    ----------
    Barry and Hartigan, Annals of Statistics 20:260 (1992): product partition models and their
    recursion.

    Examples
    --------
    Two readings at distance zero: one group, or two.

    >>> x, one, variance = np.ones(2), np.ones(2, dtype=int), np.full((1, 2), 0.01)
    >>> log_partition_sums(x, variance, one, np.zeros((1, 3)), 2).round(4) + 0.0
    array([[[  -inf, 1.0371, 0.    ]]])
    """
    sigmas, shares = variance.shape[0], log_seats.shape[0]
    rows = sigmas * shares
    groups = Groups(values, variance)
    running = np.concatenate([[0], np.cumsum(count)])
    # In units of the span few groups and many have sums of a like size; otherwise the sums of
    # those that matter are lost beside those that do not.
    unit = np.log(np.ptp(values)) if np.ptp(values) > 0 else 0.0

    def ways(t: int, first: int) -> FloatArray:
        seats = log_seats[:, running[t] - running[first:t]]
        group = groups.ending_at(t, first)[:, None, :] + seats - unit
        return group.reshape(rows, t - first)

    summed = _one_scale if running[-1] <= ONE_SCALE else _scale_each
    log_sum: FloatArray = summed(ways, rows, count, most_groups)
    log_sum += unit * np.arange(most_groups + 1)
    return log_sum.reshape(sigmas, shares, most_groups + 1)


def _one_scale(
    ways: Callable[[int, int], FloatArray], rows: int, count: IntArray, most: int
) -> FloatArray:
    """Log sums over cuts into 0 … `most` groups, the sums for all numbers of groups of a like size.

    `ways` (t, first) gives the log weights of the groups first … t − 1, each up to t.
    """
    n = count.size
    # share[:, t, J] times exp(scale[:, t]) is the sum over cuts of the first t readings.
    share = np.zeros((rows, n + 1, most + 1))
    share[:, 0, 0] = 1.0
    scale = np.zeros((rows, n + 1))
    first, far = 0, _never_again(count)
    for t in range(1, n + 1):
        exponent = ways(t, first) + scale[:, first:t]
        peak = exponent.max(axis=1)
        skipped = int(np.argmax((exponent > peak[:, None] - far).any(axis=0)))
        first += skipped
        weight = np.exp(exponent[:, skipped:] - peak[:, None])
        fresh = np.matmul(weight[:, None, :], share[:, first:t, :-1])[:, 0, :]
        largest = np.maximum(fresh.max(axis=1), 1e-300)
        share[:, t, 1:] = fresh / largest[:, None]
        scale[:, t] = peak + np.log(largest)
    with np.errstate(divide="ignore"):
        log_sum: FloatArray = np.log(share[:, n, :]) + scale[:, n:]
    return log_sum


def _scale_each(
    ways: Callable[[int, int], FloatArray], rows: int, count: IntArray, most: int
) -> FloatArray:
    """The same where so many levels are cut that few groups and many have no common scale."""
    n = count.size
    log_sum = np.full((rows, n + 1, most + 1), -np.inf)
    log_sum[:, 0, 0] = 0.0
    for t in range(1, n + 1):
        terms = ways(t, 0)[:, :, None] + log_sum[:, :t, :-1]
        peak = terms.max(axis=1)
        peak = np.where(np.isfinite(peak), peak, 0.0)
        np.exp(terms - peak[:, None], out=terms)
        with np.errstate(divide="ignore"):
            log_sum[:, t, 1:] = np.log(terms.sum(axis=1)) + peak
    found: FloatArray = log_sum[:, n]
    return found


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
        base: FloatArray = groups.ending_at(stop, first) - np.log(window)
        return base

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
        (count - 1) * (_LOG_2PI + 2 * np.log(width)[:, None]) + inner / np.square(width)[:, None]
    )
    within -= 0.5 * np.log(count)
    running = np.concatenate([np.zeros((width.size, 1)), np.cumsum(within, axis=1)], axis=1)

    def averaged(stop: int, first: int) -> FloatArray:
        base = groups.ending_at(stop, first) + running[:, [stop]] - running[:, first:stop]
        peak = base.max(axis=0)
        mean: FloatArray = peak + np.log(np.mean(np.exp(base - peak), axis=0)) - np.log(window)
        return mean[None]

    return float(_restaurant(averaged, 1, count, np.inf)[0])


def most_probable_groups(values: FloatArray, factor: FloatArray, sigma: float) -> IntArray:
    """Group of each of the sorted values under the single most probable cut, shape (n,).

    Levels are uniform on the range of the values, shares those of the second Chinese restaurant.

    Examples
    --------
    >>> most_probable_groups(np.array([1.0, 1.1, 4.0, 4.1]), np.ones(4), 0.1).tolist()
    [0, 0, 1, 1]
    """
    n = values.size
    window = widened_span(values)
    groups_of = Groups(values, sigma**2 * factor[None, :])
    log_factorial = np.concatenate([[0.0, 0.0], np.cumsum(np.log(np.arange(1, n)))])
    log_share = np.log(RESTAURANTS[1]) - np.log(window)
    best = np.zeros(n + 1)
    came_from = np.zeros(n + 1, dtype=np.int64)
    for t in range(1, n + 1):
        seats = log_factorial[t - np.arange(t)]
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


def _restaurant(
    group: Callable[[int, int], FloatArray], sets: int, count: IntArray, far: float
) -> FloatArray:
    """`group` (stop, first) gives the log likelihoods of the groups that end there, one a set."""
    n, total_count = count.size, int(count.sum())
    running = np.concatenate([[0], np.cumsum(count)])
    log_factorial = np.concatenate([[0.0, 0.0], np.cumsum(np.log(np.arange(1, total_count)))])
    theta = np.array(RESTAURANTS)[:, None]
    # Sums for several concentrations have one scale where there are not too many groups.
    apart = float(np.log(theta.max() / theta.min())) * n
    together = apart < 1.5 * UNDERFLOW
    theta = theta.reshape(1 if together else theta.size, -1, 1)
    far += apart if together else 0.0
    # share[..., t] times exp(scale[:, :, t]) is the sum over cuts of the first t.
    share = np.ones((*theta.shape[:2], sets, n + 1))
    scale = np.zeros((len(theta), sets, n + 1))
    first = 0
    for t in range(1, n + 1):
        table = group(t, first) + log_factorial[running[t] - running[first:t]]
        exponent = table + scale[:, :, first:t]
        peak = exponent.max(axis=2)
        skipped = int(np.argmax((exponent > peak[:, :, None] - far).any(axis=(0, 1))))
        first += skipped
        ways = np.exp(exponent[:, :, skipped:] - peak[:, :, None])
        fresh = theta * np.einsum("psf,pasf->pas", ways, share[:, :, :, first:t])
        middle = np.sqrt(fresh.min(axis=1)) * np.sqrt(fresh.max(axis=1))
        share[:, :, :, t] = fresh / middle[:, None]
        scale[:, :, t] = peak + np.log(middle)
    terms = (np.log(share[..., n]) + scale[:, None, :, n]).reshape(-1, sets)
    terms -= np.log(theta.reshape(-1, 1) + np.arange(total_count)).sum(axis=1, keepdims=True)
    best = terms.max(axis=0)
    mean: FloatArray = best + np.log(np.mean(np.exp(terms - best), axis=0))
    return mean


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
            - 0.5 * (stop - np.arange(first, stop) - 1) * _LOG_2PI
            - 0.5 * np.maximum(squares, 0.0)
        )
        return base
