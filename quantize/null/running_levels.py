"""Levels anywhere in a window, after every reading: sums over cuts of cells of readings."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from scipy.linalg import solve_triangular
from scipy.sparse import csr_array
from scipy.special import gammaln

from quantize._support.validation import FloatArray, IntArray
from quantize.null.occupancy import SHARE_NAMES, log_falling, log_norm, log_seats
from quantize.null.partitions import LOG_2PI, RESTAURANTS, UNDERFLOW, log_mean_exp, log_sum_exp
from quantize.null.running_comb import Side

EXACT = 100
"""Up to so many readings every cut between them is summed; beyond, those between cells ..."""
_FINEST = 4.0
"""... that are no wider than sigma over this ..."""
_DENSE = 400
"""... and, above so many readings, narrower as the root of their number."""
NEGLIGIBLE = 35.0
"""A sigma this far below the best, in natural logarithm, adds nothing, and is left out until the
readings since it was looked at might have raised it."""
_STRAY = 4.0
"""Sigmas, at most, by which readings lie beyond the side of the offset that their levels are on."""


class LevelsAnywhere:
    """Levels anywhere in a window, as many as the comb has teeth there, or any number.

    They stand in the whole window or on one side of the offset, whichever has the larger evidence;
    the first of `sides` is the whole. The evidence is averaged over `sigma`.
    """

    def __init__(self, sigma: FloatArray, sides: Sequence[Side]) -> None:
        self.sigma, self.sides = sigma, sides
        self._most = np.full((sigma.size, len(SHARE_NAMES) + 1), np.inf)
        self._after = np.zeros(sigma.size, dtype=np.int64)
        # No reading raises the evidence at a sigma by more than its highest density.
        shortest = min(side.stop - side.start for side in sides)
        self._highest = np.log(np.maximum(1 / (sigma * np.sqrt(2 * np.pi)), 1 / shortest))
        # How many teeth a side may have; by groups and teeth, their share and places.
        self._teeth = []
        for side in sides:
            teeth, members = np.unique(side.teeth, return_counts=True)
            falling = log_falling(teeth, int(sides[0].teeth.max()))[:, 1:].T
            self._teeth.append((teeth, falling + np.log(members / members.sum())))

    def log_evidences(self, values: FloatArray, largest: float) -> dict[str, float]:
        """Log evidence of each null, for sorted readings: those of the last call, and more.

        A null that is negligible beside another, whose evidence is `largest`, has the most that
        its evidence can be.
        """
        found = np.full(self._most.shape, -np.inf)
        most = self._most + ((values.size - self._after) * self._highest)[:, None]
        weights = self._weights(values.size)
        for index in np.argsort(-most.max(axis=1), kind="stable"):
            least = np.maximum(found.max(axis=0), max(largest, found.max()))
            if np.any(most[index] > least - NEGLIGIBLE):
                found[index] = most[index] = self._at(float(self.sigma[index]), values, *weights)
                self._most[index], self._after[index] = found[index], values.size
        best = found.max(axis=0)
        # Whether a negligible sigma was looked at depends on when one looked before.
        found[found < best - NEGLIGIBLE] = -np.inf
        exact = best >= max(largest, best.max()) - NEGLIGIBLE
        total = log_sum_exp(np.where(exact, found, most).T) - np.log(self.sigma.size)
        names = (*(f"lumpy: {name}" for name in SHARE_NAMES), "mixed: levels and background")
        return dict(zip(names, total.tolist(), strict=True))

    def _weights(self, n: int) -> tuple[FloatArray, list[FloatArray]]:
        """Of the numbers in a group; and for each side of so many groups, by teeth and shares."""
        tables = gammaln(np.arange(1, n + 1)) + np.log(max(RESTAURANTS))
        seats = np.vstack([log_seats(n), np.r_[0.0, tables]])
        norms = (log_norm(teeth, n)[:, None] for teeth, _ in self._teeth)
        by_teeth = zip(self._teeth, norms, strict=True)
        return seats, [log_sum_exp(falling + norm) for (_, falling), norm in by_teeth]

    def _at(
        self, sigma: float, values: FloatArray, seats: FloatArray, by_side: list[FloatArray]
    ) -> FloatArray:
        """Log evidence at one sigma, shape (nulls,)."""
        whole = self.sides[0]
        length = whole.stop - whole.start
        cuts = Cuts(values, cell_edges(values, sigma), sigma, length, seats)
        sums = cuts.by_groups(by_side[0].shape[1])
        found = []
        for side, weight in zip(self.sides, by_side, strict=True):
            beyond = max(side.start - values[0], values[-1] - side.stop)
            wide = 2 * _STRAY * sigma > side.stop - side.start
            if side is not whole and (wide or beyond > _STRAY * sigma):
                continue
            shorter = float(np.log(length / (side.stop - side.start)))
            lumpy = log_sum_exp(sums + weight + shorter * np.arange(1, sums.shape[1] + 1))
            found.append(np.append(lumpy, cuts.any_number(shorter)))
        return np.asarray(np.max(found, axis=0))


def cell_edges(values: FloatArray, sigma: float) -> IntArray:
    """Where the cells of the sorted readings begin, and the end of the last: 0, ..., n."""
    n = values.size
    if n <= EXACT:
        return np.arange(n + 1)
    width = sigma / (_FINEST * max(1.0, np.sqrt(n / _DENSE)))
    first = np.r_[True, np.diff(np.floor((values - values[0]) / width)) > 0]
    # The cuts beside a gap are all there, for the likelihood changes fast from one to the next.
    starts = np.flatnonzero(first)
    gap = np.r_[np.inf, values[starts[1:]] - values[starts[1:] - 1], np.inf] > width
    lone = np.repeat(gap[1:] | gap[:-1], np.diff(np.r_[starts, n]))
    return np.asarray(np.append(np.flatnonzero(first | lone), n))


class Cuts:
    """Cuts of the sorted readings into groups that share a level uniform on a length.

    `log_seats` (A, n + 1) has the weights of the numbers in a group; the last row is that of any
    number of groups. Cells are cut at their edges; the group's likelihood is that of its readings.
    An edge stands for the cuts inside the cells on its sides, half of each.
    """

    def __init__(
        self, values: FloatArray, edge: IntArray, sigma: float, length: float, log_seats: FloatArray
    ) -> None:
        self._n, self._cells = values.size, edge.size - 1
        many = np.arange(self._n + 1.0)
        alone = -(many - 1) * (0.5 * LOG_2PI + float(np.log(sigma)))
        alone -= 0.5 * np.log(np.maximum(many, 1)) + np.log(length)
        centred = (values - values.mean()) / sigma
        self._start, self._stop, rows = _groups(centred, edge, (log_seats + alone).T.copy())
        # Of each end the groups that have a part, one after the other.
        self._splits = np.searchsorted(self._stop, np.arange(self._cells + 1))
        best = np.zeros((self._cells + 1, rows.shape[1]))
        for cell, (begin, till) in enumerate(itertools.pairwise(self._splits.tolist())):
            before = best[cell + 1 - (till - begin) : cell + 1]
            np.maximum.reduce(rows[begin:till] + before, axis=0, out=best[cell + 1])
        self._best = best[-1]
        rows += best[self._start] - best[self._stop + 1]
        self._ways = np.exp(rows, out=rows).T

    def by_groups(self, most: int) -> FloatArray:
        """Log of the sum over the cuts into 1 ... `most` groups, shape (A, most)."""
        ways = self._ways[:-1]
        shape = (len(ways), self._cells)
        opening = self._start == 0
        share = np.zeros((min(most, self._cells), *shape))
        share[0][:, self._stop[opening]] = ways[:, opening]
        # A group that begins after a cell follows the cuts that end with it.
        block = np.arange(len(ways))[:, None]
        before = np.maximum(self._start - 1, 0) + self._cells * block
        splits = np.append(self._splits[:-1] + self._splits[-1] * block, ways.size)
        later = np.where(opening, 0.0, ways)
        step = csr_array((later.ravel(), before.ravel(), splits), 2 * (share[0].size,))
        for one, more in itertools.pairwise(share):
            more[:] = (step @ one.ravel()).reshape(shape)
        log_sum = np.full((len(ways), most), -np.inf)
        with np.errstate(divide="ignore"):
            log_sum[:, : len(share)] = np.log(share[:, :, -1]).T + self._best[:-1, None]
        return log_sum

    def any_number(self, shorter: float = 0.0) -> float:
        """Log of the sum over all cuts, Chinese-restaurant shares averaged.

        `shorter` is the log of the length over that on which the levels stand.
        """
        ways = np.exp(shorter) * self._ways[-1]
        opening = self._start == 0
        first = np.zeros(self._cells)
        first[self._stop[opening]] = ways[opening]
        step = np.zeros((self._cells, self._cells))
        step[self._stop[~opening], self._start[~opening] - 1] = -ways[~opening]
        terms = []
        for theta in RESTAURANTS:
            np.fill_diagonal(step, max(RESTAURANTS) / theta)
            total = solve_triangular(step, first, lower=True, check_finite=False)
            norm = np.log(theta + np.arange(self._n)).sum()
            with np.errstate(divide="ignore"):
                terms.append(np.log(total[-1]) - norm)
        return float(log_mean_exp(np.array(terms)) + self._best[-1])


def _groups(
    values: FloatArray, edge: IntArray, table: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """First and last cell of each group that is not zero beside its cells one by one, by the last.

    `table` (n + 1, A) has the log weights of the numbers in a group, whose `values` are measured in
    sigma; with the squares between them they are the log weights of the groups, shape (P, A).
    """
    first, second = (np.r_[0.0, np.cumsum(term)][edge] for term in (values, values**2))
    ends = (first[1:], second[1:], edge[1:].astype(float))
    cells, most, inside = np.arange(edge.size - 1), table.max(axis=1), np.diff(edge) - 1.0
    # Of the cuts between readings for which the beginning of each group stands.
    log_cuts = np.append(0.0, np.log1p(0.5 * (inside[1:] + inside[:-1])))

    def halved_squares(start: IntArray, ends: Sequence[FloatArray]) -> FloatArray:
        squares = np.square(ends[0] - first.take(start)) / (ends[2] - edge.take(start))
        return np.asarray(0.5 * np.maximum(ends[1] - second.take(start) - squares, 0.0))

    alone = log_cuts - halved_squares(cells, ends) + table[np.diff(edge)].min(axis=1)
    running = np.r_[0.0, np.cumsum(alone)]
    # The squares grow with the group; beyond so many nothing that it gains makes up for them.
    largest = most.max() + log_cuts.max() + np.max(np.maximum.accumulate(running) - running)
    low, high = np.zeros_like(cells), cells
    while np.any(low < high):
        middle = (low + high) // 2
        far = (low < high) & (halved_squares(middle, ends) > largest + UNDERFLOW)
        low, high = np.where(far, middle + 1, low), np.where(far, high, middle)
    size = cells + 1 - low
    stop = np.repeat(cells, size)
    start = np.arange(stop.size) - np.repeat(np.cumsum(cells - low), size)
    number = np.repeat(edge[1:], size) - edge.take(start)
    base = log_cuts.take(start) - halved_squares(start, [np.repeat(end, size) for end in ends])
    part = base + most.take(number) + running.take(start) > np.repeat(running[1:], size) - UNDERFLOW
    # A cell by itself always has a part.
    begins = start[part][np.searchsorted(stop[part], cells)]
    kept = np.flatnonzero(start >= np.repeat(begins, size))
    log_weight = base.take(kept)[:, None] + table.take(number.take(kept), axis=0)
    return start.take(kept), stop.take(kept), log_weight
