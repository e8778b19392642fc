"""Levels anywhere in a window, after every reading: sums over cuts of cells of readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import solve_triangular
from scipy.sparse import csr_array
from scipy.special import gammaln

from quantize._support.validation import FloatArray, IntArray
from quantize.null.envelopes import log_falling, log_mean_exp, log_sum_exp
from quantize.null.occupancy import SHARE_NAMES, log_norm, log_seats
from quantize.null.partitions import RESTAURANTS, UNDERFLOW
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
_LOG_2PI = float(np.log(2 * np.pi))


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
        most = min(n, int(self.sides[0].teeth.max()))
        by_side = []
        for side in self.sides:
            teeth, members = np.unique(side.teeth, return_counts=True)
            norm = log_norm(teeth, n) + np.log(members / members.sum())
            falling = log_falling(teeth.astype(float), most)[:, 1:]
            by_side.append(log_sum_exp(np.moveaxis(falling + norm[:, :, None], 1, 2)))
        return seats, by_side

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
        largest: FloatArray = np.max(found, axis=0)
        return largest


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
    edges: IntArray = np.append(np.flatnonzero(first | lone), n)
    return edges


class Cuts:
    """Cuts of the sorted readings into groups that share a level uniform on a length.

    `log_seats` (A, n + 1) has the weights of the numbers in a group; the last row is that of any
    number of groups. Cells are cut at their edges; the group's likelihood is that of its readings.
    An edge stands for the cuts inside the cells on its sides, half of each.
    """

    def __init__(
        self, values: FloatArray, edge: IntArray, sigma: float, length: float, log_seats: FloatArray
    ) -> None:
        self._n = values.size
        centred = (values - values.mean()) / sigma
        first, second = (np.r_[0.0, np.cumsum(term)][edge] for term in (centred, centred**2))
        # Rows are the ends of the groups, columns their beginnings.
        number = np.maximum(edge[1:, None] - edge[:-1], 1)
        squares = second[1:, None] - second[:-1]
        squares -= np.square(first[1:, None] - first[:-1]) / number
        log_sigma = float(np.log(sigma))
        base = -0.5 * np.maximum(squares, 0.0) - np.log(length) + _inside_cells(edge)
        many = np.arange(self._n + 1.0)
        alone = -(many - 1) * (0.5 * _LOG_2PI + log_sigma) - 0.5 * np.log(np.maximum(many, 1))
        table = log_seats + alone
        begins = _first_of_any_part(base, number, table)
        cells = np.arange(len(base))
        # Of each end the groups that have a part, one after the other.
        self._splits = np.r_[0, np.cumsum(cells + 1 - begins)]
        self._stop = np.repeat(cells, cells + 1 - begins)
        self._start = np.arange(self._splits[-1]) - (self._splits[:-1] - begins)[self._stop]
        rows = base[self._stop, self._start] + table[:, number[self._stop, self._start]]
        best = np.zeros((len(table), len(base) + 1))
        for cell in cells:
            part = rows[:, self._splits[cell] : self._splits[cell + 1]]
            best[:, cell + 1] = (part + best[:, begins[cell] : cell + 1]).max(axis=1)
        self._best = best
        self._ways = np.exp(rows + best[:, self._start] - best[:, self._stop + 1])

    def by_groups(self, most: int) -> FloatArray:
        """Log of the sum over the cuts into 1 ... `most` groups, shape (A, most)."""
        ways = self._ways[:-1]
        kinds, cells = len(ways), len(self._splits) - 1
        opening = self._start == 0
        share = np.zeros((kinds, cells))
        share[:, self._stop[opening]] = ways[:, opening]
        # A group that begins after a cell follows the cuts that end with it.
        block = np.arange(kinds)[:, None]
        before = np.maximum(self._start - 1, 0) + cells * block
        splits = np.append(self._splits[:-1] + self._splits[-1] * block, ways.size)
        later = np.where(opening, 0.0, ways)
        step = csr_array((later.ravel(), before.ravel(), splits), 2 * (kinds * cells,))
        sums = np.zeros((kinds, most))
        for groups in range(min(most, cells)):
            sums[:, groups] = share[:, -1]
            share = (step @ share.ravel()).reshape(kinds, cells)
        with np.errstate(divide="ignore"):
            log_sum: FloatArray = np.log(sums) + self._best[:-1, -1:]
        return log_sum

    def any_number(self, shorter: float = 0.0) -> float:
        """Log of the sum over all cuts, Chinese-restaurant shares averaged.

        `shorter` is the log of the length over that on which the levels stand.
        """
        cells = len(self._splits) - 1
        step = np.zeros((cells, cells + 1))
        terms = []
        for theta in RESTAURANTS:
            step[self._stop, self._start] = (
                theta / max(RESTAURANTS) * np.exp(shorter) * self._ways[-1]
            )
            total = solve_triangular(
                -step[:, 1:], step[:, 0], lower=True, unit_diagonal=True, check_finite=False
            )
            norm = np.log(theta + np.arange(self._n)).sum()
            with np.errstate(divide="ignore"):
                terms.append(np.log(total[-1]) - norm)
        return float(log_mean_exp(np.array(terms)) + self._best[-1, -1])


def _first_of_any_part(base: FloatArray, number: IntArray, table: FloatArray) -> IntArray:
    """First beginning, for each end, of a group that is not zero beside its cells one by one."""
    alone = base.diagonal() + table[:, number.diagonal()].min(axis=0)
    running = np.r_[0.0, np.cumsum(alone)]
    most = base + table.max(axis=0)[number] - (running[1:, None] - running[:-1])
    # A cell by itself always has a part.
    first: IntArray = np.argmax(most > -UNDERFLOW, axis=1)
    return first


def _inside_cells(edge: IntArray) -> FloatArray:
    """Log of the cuts between readings for which the beginning of each group stands."""
    inside = np.diff(edge) - 1.0
    log_cuts: FloatArray = np.append(0.0, np.log1p(0.5 * (inside[1:] + inside[:-1])))
    return log_cuts
