"""Every way of cutting sorted levels into groups that share a place, summed in O(n²)."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray

RESTAURANTS = (0.5, 2.0, 8.0, 30.0)
_LOG_2PI = float(np.log(2 * np.pi))


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

    >>> x, one = np.array([1.0, 1.0]), np.ones(2, dtype=int)
    >>> log_partition_sums(x, np.full((1, 2), 0.01), one, np.zeros((1, 3)), 2).round(4) + 0.0
    array([[[  -inf, 1.0371, 0.    ]]])
    """
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
    """Places without limit of number (Chinese-restaurant shares), uniform on `window`; shape (S,).

    Averaged over the concentrations in `RESTAURANTS`. Levels that sit alone are a background.

    References
    ----------
    Pitman, *Combinatorial Stochastic Processes*, Springer 2006, section 3.1.
    """
    start, stop, base = segments(values, variance)
    return _restaurant(start, stop, base - np.log(window), count)


def log_own_widths(
    values: FloatArray, count: IntArray, inner: FloatArray, width: FloatArray, window: float
) -> float:
    """As `log_any_number`, but every group is a lump with its own width from the grid `width`.

    `inner` (n,) is the sum of squares of the levels of each item about its mean.
    """
    variance = np.square(width)[:, None] / count
    start, stop, base = segments(values, variance)
    within = -0.5 * (
        (count - 1) * (_LOG_2PI + 2 * np.log(width)[:, None]) + inner / np.square(width)[:, None]
    )
    within -= 0.5 * np.log(count)
    running = np.concatenate([np.zeros((width.size, 1)), np.cumsum(within, axis=1)], axis=1)
    base = base + running[:, stop] - running[:, start]
    peak = base.max(axis=0)
    mean = peak + np.log(np.mean(np.exp(base - peak), axis=0)) - np.log(window)
    return float(_restaurant(start, stop, mean[None], count)[0])


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
