"""What is still to be done, cut into chunks of about a second."""

from __future__ import annotations

import time

import numpy as np

from quantize.studies.replicates import Chunk, Outcomes

SECONDS = (0.2, 1.0)
"""Shortest and longest chunk aimed at; the shorter ones keep every worker busy to the end."""
PILOT = 2
"""Replicates of the first chunk of a condition, which tells how long one takes."""
MOST = 5000
"""Replicates of a chunk at most."""


class Schedule:
    """Chunks of a study, each condition first tried with a small one.

    Parameters
    ----------
    cells, replicates : int
    workers : int
        Chunks that can be at work at once.
    """

    def __init__(self, cells: int, replicates: int, workers: int = 1) -> None:
        self.open = np.ones((cells, replicates), dtype=bool)
        self.rate = np.full(cells, np.nan)
        self.trying: set[int] = set()
        self.workers = workers
        self.worked = 0.0
        self.begin = time.perf_counter()
        self._unfinished = np.full(cells, replicates)

    def have(self, chunk: Chunk, outcomes: Outcomes) -> None:
        """A chunk that an earlier run finished."""
        self.open[chunk.cell, chunk.first : chunk.first + chunk.count] = False
        self._unfinished[chunk.cell] -= chunk.count
        self._learn(chunk, outcomes)

    def next(self) -> Chunk | None:
        """A chunk to begin with; None when all is given out, or waits for a first one."""
        unfinished = np.flatnonzero(self.open.any(axis=1))
        known = ~np.isnan(self.rate[unfinished])
        for cell in unfinished[~known].tolist():
            if cell not in self.trying:
                self.trying.add(cell)
                return self._take(cell, PILOT)
        for cell in unfinished[known].tolist():
            return self._take(cell, self._size(cell))
        return None

    def finished(self, chunk: Chunk, outcomes: Outcomes) -> None:
        """A chunk came back."""
        self.worked += float(outcomes.page_seconds.sum())
        self._unfinished[chunk.cell] -= chunk.count
        self._learn(chunk, outcomes)

    def put_back(self, chunk: Chunk) -> None:
        """A chunk was lost; it will be given out again."""
        self.open[chunk.cell, chunk.first : chunk.first + chunk.count] = True
        self.trying.discard(chunk.cell)

    def seconds_left(self) -> float | None:
        """Time to the end at the speed so far; None while conditions are untried."""
        if np.isnan(self.rate[self._unfinished > 0]).any() or self.worked == 0:
            return None
        speed = self.worked / (time.perf_counter() - self.begin)
        return float(np.nansum(self._unfinished * self.rate)) / speed

    def _learn(self, chunk: Chunk, outcomes: Outcomes) -> None:
        ordered = np.sort(outcomes.page_seconds)
        # The lower median: the first page of a process may have imports in it.
        self.rate[chunk.cell] = max(float(ordered[(ordered.size - 1) // 2]), 1e-6)
        self.trying.discard(chunk.cell)

    def _size(self, cell: int) -> int:
        shortest, longest = SECONDS
        left = float(np.nansum(self.open.sum(axis=1) * self.rate)) / (4 * self.workers)
        wanted = min(max(left, shortest), longest)
        return min(max(round(wanted / float(self.rate[cell])), 1), MOST)

    def _take(self, cell: int, size: int) -> Chunk:
        row = self.open[cell]
        first = int(np.argmax(row))
        closed = np.flatnonzero(~row[first : first + size])
        count = int(closed[0]) if closed.size else min(size, row.size - first)
        row[first : first + count] = False
        return Chunk(cell=cell, first=first, count=count)
