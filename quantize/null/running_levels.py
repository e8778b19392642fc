"""Levels anywhere in a window, after every reading: sums over cuts of cells of readings."""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import gammaln

from quantize._support.validation import FloatArray, IntArray
from quantize.null.envelopes import log_falling, log_mean_exp, log_sum_exp
from quantize.null.occupancy import SHARE_NAMES, log_norm, log_seats
from quantize.null.partitions import RESTAURANTS

EXACT = 100
"""Up to so many readings every cut between them is summed; beyond, those between cells ..."""
_FINEST = 4.0
"""... that are no wider than sigma over this ..."""
_DENSE = 400
"""... and, above so many readings, narrower as the root of their number."""
NEGLIGIBLE = 35.0
"""A sigma this far below the best, in natural logarithm, adds nothing, and is left out until the
readings since it was looked at might have raised it."""
_LOG_2PI = float(np.log(2 * np.pi))


class LevelsAnywhere:
    """Levels anywhere in a window of this length, as many as the comb has teeth, or any number.

    The evidence is averaged over `sigma`; `teeth` are those of each unit of the comb.
    """

    def __init__(self, sigma: FloatArray, teeth: IntArray, length: float) -> None:
        self.sigma, self.length = sigma, length
        self.teeth, members = np.unique(teeth, return_counts=True)
        self.log_share = np.log(members / members.sum())
        self._most = np.full((sigma.size, len(SHARE_NAMES) + 1), np.inf)
        self._after = np.zeros(sigma.size, dtype=np.int64)
        # No reading raises the evidence at a sigma by more than its highest density.
        highest = np.maximum(1 / (sigma * np.sqrt(2 * np.pi)), 1 / length)
        self._highest = np.log(highest)

    def log_evidences(self, values: FloatArray, largest: float) -> dict[str, float]:
        """Log evidence of each null, for sorted readings: those of the last call, and more.

        A null that is negligible beside another, whose evidence is `largest`, has the most that
        its evidence can be.
        """
        found = np.full(self._most.shape, -np.inf)
        most = self._most + ((values.size - self._after) * self._highest)[:, None]
        for index in np.argsort(-most.max(axis=1), kind="stable"):
            least = np.maximum(found.max(axis=0), max(largest, found.max()))
            if np.any(most[index] > least - NEGLIGIBLE):
                found[index] = most[index] = self._at(float(self.sigma[index]), values)
                self._most[index], self._after[index] = found[index], values.size
        best = found.max(axis=0)
        # Whether a negligible sigma was looked at depends on when one looked before.
        found[found < best - NEGLIGIBLE] = -np.inf
        exact = best >= max(largest, best.max()) - NEGLIGIBLE
        total = log_sum_exp(np.where(exact, found, most).T) - np.log(self.sigma.size)
        names = (*(f"lumpy: {name}" for name in SHARE_NAMES), "mixed: levels and background")
        return dict(zip(names, total.tolist(), strict=True))

    def _at(self, sigma: float, values: FloatArray) -> FloatArray:
        """Log evidence at one sigma, shape (nulls,)."""
        n = values.size
        most = min(n, int(self.teeth.max()))
        falling = log_falling(self.teeth.astype(float), most)[:, 1:]
        norm = log_norm(self.teeth, n) + self.log_share
        seats = log_seats(n)
        table = np.vstack([seats, np.r_[0.0, gammaln(np.arange(1, n + 1))]])
        cuts = Cuts(values, cell_edges(values, sigma), sigma, self.length, table)
        sums = cuts.by_groups(most)[:, None, :] + falling
        lumpy = log_sum_exp(log_sum_exp(sums) + norm)
        return np.append(lumpy, cuts.any_number())


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
        size = edge[1:, None] - edge[:-1]
        number = np.maximum(size, 1)
        squares = second[1:, None] - second[:-1]
        squares -= np.square(first[1:, None] - first[:-1]) / number
        log_sigma = float(np.log(sigma))
        base = -0.5 * np.maximum(squares, 0.0) - np.log(length) + _inside_cells(edge)
        many = np.arange(self._n + 1.0)
        alone = -(many - 1) * (0.5 * _LOG_2PI + log_sigma) - 0.5 * np.log(np.maximum(many, 1))
        rows = np.where(size > 0, base, -np.inf) + (log_seats + alone)[:, number]
        self._best = _best_cut(rows)
        best = self._best
        self._ways = np.exp(rows + best[:, None, :-1] - best[:, 1:, None])

    def by_groups(self, most: int) -> FloatArray:
        """Log of the sum over the cuts into 1 ... `most` groups, shape (A, most)."""
        ways = self._ways[:-1]
        sums = np.zeros((len(ways), most))
        share = ways[:, :, :1]
        later = np.ascontiguousarray(ways[:, :, 1:])
        for groups in range(min(most, ways.shape[1])):
            if groups:
                share = np.matmul(later, share[:, :-1])
            sums[:, groups] = share[:, -1, 0]
        with np.errstate(divide="ignore"):
            log_sum: FloatArray = np.log(sums) + self._best[:-1, -1:]
        return log_sum

    def any_number(self) -> float:
        """Log of the sum over all cuts, Chinese-restaurant shares averaged."""
        ways = self._ways[-1]
        step = np.zeros_like(ways)
        step[:, :-1] = ways[:, 1:]
        terms = []
        for theta in RESTAURANTS:
            total = solve_triangular(
                -theta * step,
                theta * ways[:, 0],
                lower=True,
                unit_diagonal=True,
                check_finite=False,
            )
            norm = np.log(theta + np.arange(self._n)).sum()
            terms.append(np.log(total[-1]) - norm)
        return float(log_mean_exp(np.array(terms)) + self._best[-1, -1])


def _inside_cells(edge: IntArray) -> FloatArray:
    """Log of the cuts between readings for which the beginning of each group stands."""
    inside = np.diff(edge) - 1.0
    log_cuts: FloatArray = np.append(0.0, np.log1p(0.5 * (inside[1:] + inside[:-1])))
    return log_cuts


def _best_cut(rows: FloatArray) -> FloatArray:
    """Log of the largest product over the cuts of the first cells, shape (A, cells + 1)."""
    best = np.zeros((rows.shape[0], rows.shape[1] + 1))
    for stop in range(1, best.shape[1]):
        best[:, stop] = (rows[:, stop - 1, :stop] + best[:, :stop]).max(axis=1)
    return best
