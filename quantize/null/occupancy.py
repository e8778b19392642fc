"""How readings choose among equally placed levels: shares of the levels, and occupied teeth."""

from __future__ import annotations

import dataclasses

import numpy as np
from scipy.special import gammaln

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.null.choices import CONCENTRATIONS as CONCENTRATIONS

SHARE_NAMES: tuple[str, ...] = ("equal shares", "flat shares", "few favoured")
"""What they are called in the names of the nulls."""


def log_seats(count: int) -> FloatArray:
    """Occupancy weight of m readings on one level, shape (len(CONCENTRATIONS), count + 1).

    It is log Gamma(a + m)/Gamma(a), and zero for equal shares.
    """
    held = np.arange(count + 1)
    return np.array(
        [
            gammaln(a + held) - gammaln(a) if np.isfinite(a) else np.zeros(count + 1)
            for a in CONCENTRATIONS
        ]
    )


def log_norm(levels: FloatArray | IntArray, readings: int) -> FloatArray:
    """The rest of the Dirichlet-multinomial: shape (len(CONCENTRATIONS),) + levels.shape.

    log Gamma(K a)/Gamma(K a + n), and −n log K for equal shares.

    Johnson, Kotz and Balakrishnan, *Discrete Multivariate Distributions*, Wiley 1997, 35.151.
    """
    return np.array(
        [
            gammaln(a * levels) - gammaln(a * levels + readings)
            if np.isfinite(a)
            else -readings * np.log(levels)
            for a in CONCENTRATIONS
        ]
    )


def log_held(places: IntArray, count: IntArray) -> FloatArray:
    """Sum of the occupancy weights of the places in each row (R, n): (len(CONCENTRATIONS), R).

    `count` says for how many levels each of the n items stands.
    """
    rows, n = places.shape
    order = np.argsort(places, axis=1, kind="stable")
    places = np.take_along_axis(places, order, axis=1)
    starts = np.flatnonzero(np.diff(places, axis=1, prepend=places[:, :1] - 1))
    running = np.concatenate([[0], np.cumsum(count[order])])
    held = np.diff(running[np.append(starts, rows * n)])
    weights = log_seats(int(count.sum()))[:, held]
    return np.array([np.bincount(starts // n, weights=w, minlength=rows) for w in weights])


def log_falling(levels: FloatArray | IntArray, most: int) -> FloatArray:
    """log K!/(K − J)! for J = 0..most, shape levels.shape + (most + 1,); -inf where J > K."""
    levels = np.asarray(levels, float)[..., None]
    return np.asarray(gammaln(levels + 1) - gammaln(levels + 1 - np.arange(most + 1)), float)


def next_share(held: FloatArray, levels: FloatArray | IntArray, seen: int) -> FloatArray:
    """Predictive share of a level that holds `held` of `seen` readings, for each concentration."""
    out = np.empty((*held.shape, len(CONCENTRATIONS)))
    for column, a in enumerate(CONCENTRATIONS):
        out[..., column] = (a + held) / (levels * a + seen) if np.isfinite(a) else 1.0 / levels
    return out


@dataclasses.dataclass(frozen=True)
class Seating:
    """The nearest teeth of sorted readings, for many trial units at once, shape (U,).

    `teeth` are those from the lowest to the highest occupied one, T(u); `log_shares` (A, U) the
    Dirichlet-multinomial probability of these occupancies among them. Of `occupied` levels the
    guard counts distinct non-zero absolute integers with the offset at zero, distinct integers with
    a free one. Unless the integers (their differences, with a free offset) are `coprime`, a
    multiple of the unit explains the same.
    """

    teeth: IntArray
    log_shares: FloatArray
    occupied: IntArray
    coprime: BoolArray


def seat(integers: IntArray, count: IntArray, *, free: bool) -> Seating:
    """Count the teeth; each row of `integers`, shape (U, n), is sorted.

    `count` says for how many levels each of the n items stands.
    """
    teeth = integers[:, -1] - integers[:, 0] + 1
    shares = log_norm(teeth, int(count.sum())) + log_held(integers, count)
    marks = integers - integers[:, :1] if free else np.sort(np.abs(integers), axis=1)
    new = np.diff(marks, axis=1, prepend=-1) > 0
    occupied = (new if free else new & (marks > 0)).sum(axis=1)
    return Seating(teeth, shares, occupied, np.gcd.reduce(marks, axis=1) == 1)
