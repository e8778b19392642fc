"""Long work in chunks: in this process, on a pool, on any executor; lost chunks are done again."""

from __future__ import annotations

import dataclasses
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    wait,
)
from typing import Any, Generic, TypeVar

import numpy as np

from quantize._support.errors import InputError, InputTypeError
from quantize._support.parallel import Progress, number_of_processes, own_pool, steps
from quantize._support.validation import FloatArray

Task = TypeVar("Task")
Answer = TypeVar("Answer")

SECONDS = (0.2, 1.0)
"""Shortest and longest chunk aimed at; the shorter ones keep every worker busy to the end."""
PILOT = 2
"""Pieces in the first chunk of a cell, which shows how long one takes."""
MOST = 5000
"""Pieces in a chunk at most."""
IN_FLIGHT = 256
"""Chunks handed at once to an executor that does not say how many workers it has."""
_PER_WORKER = 3
_BREAKS = 2


@dataclasses.dataclass(frozen=True, kw_only=True)
class Chunk:
    """Pieces `first` … `first + count − 1` of one cell of the work."""

    cell: int
    first: int
    count: int


class Schedule:
    """What is still to be done of a table of cells with so many pieces each.

    Each cell is first tried with a small chunk; then chunks take about a second, from the time that
    its pieces took. With a `size` every chunk has so many pieces.
    """

    def __init__(self, cells: int, pieces: int, workers: int = 1, size: int | None = None) -> None:
        self.open = np.ones((cells, pieces), dtype=bool)
        self.rate = np.full(cells, np.nan if size is None else 0.0)
        self.trying: set[int] = set()
        self.workers = workers
        self.size = size
        self.unfinished = np.full(cells, pieces)
        self.worked = 0.0
        self.begin = time.perf_counter()

    def next(self) -> Chunk | None:
        """A chunk to begin with; None when all is given out, or waits for a first one."""
        unfinished = np.flatnonzero(self.open.any(axis=1))
        known = ~np.isnan(self.rate[unfinished])
        for cell in unfinished[~known].tolist():
            if cell not in self.trying:
                self.trying.add(cell)
                return self._take(cell, PILOT)
        for cell in unfinished[known].tolist():
            return self._take(cell, self.size or self._size(cell))
        return None

    def have(self, chunk: Chunk, seconds: FloatArray) -> None:
        """A chunk that an earlier run finished, and the time of each piece."""
        self.open[chunk.cell, chunk.first : chunk.first + chunk.count] = False
        self._learn(chunk, seconds)

    def finished(self, chunk: Chunk, seconds: FloatArray) -> None:
        """A chunk came back."""
        self.worked += float(seconds.sum())
        self._learn(chunk, seconds)

    def put_back(self, chunk: Chunk) -> None:
        """A chunk was lost; it will be given out again."""
        self.open[chunk.cell, chunk.first : chunk.first + chunk.count] = True
        self.trying.discard(chunk.cell)

    def seconds_left(self) -> float | None:
        """Time to the end at the speed so far; None while cells are untried."""
        if np.isnan(self.rate[self.unfinished > 0]).any() or self.worked == 0:
            return None
        speed = self.worked / (time.perf_counter() - self.begin)
        return float(np.nansum(self.unfinished * self.rate)) / speed

    def _learn(self, chunk: Chunk, seconds: FloatArray) -> None:
        ordered = np.sort(seconds)
        # The lower median: the first piece of a process may have imports in it.
        self.rate[chunk.cell] = max(float(ordered[(ordered.size - 1) // 2]), 1e-6)
        self.trying.discard(chunk.cell)
        self.unfinished[chunk.cell] -= chunk.count

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


@dataclasses.dataclass(frozen=True, kw_only=True)
class Work(Generic[Task, Answer]):
    """What there is to do, and what is asked of each answer.

    `perform` runs in a worker; `seconds` is the time that each piece of an answer took, if that is
    known. `died` says, of processes that die again and again, what happened and what to do; `kept`
    where finished work is found then.
    """

    perform: Callable[[Task], Answer]
    task: Callable[[Chunk], Task]
    answer: type[Answer]
    label: str
    died: str
    kept: str
    seconds: Callable[[Answer], FloatArray] | None = None


def carried_out(
    schedule: Schedule, work: Work[Task, Answer], workers: Any, progress: Progress
) -> Iterator[tuple[Chunk, Answer]]:
    """Every chunk that is still to be done, with its answer; InputError when no worker is left."""
    from threadpoolctl import threadpool_limits

    pieces = schedule.open.size
    bar = steps(progress, pieces, work.label, done=int(pieces - schedule.unfinished.sum()))
    with threadpool_limits(1):
        for chunk, answer in _answers(schedule, work, workers):
            seconds = np.zeros(chunk.count) if work.seconds is None else work.seconds(answer)
            schedule.finished(chunk, seconds)
            yield chunk, answer
            bar.advance(chunk.count)
            bar.left(schedule.seconds_left())
    bar.close()


def executor_of(workers: Any) -> Any:
    """`workers`, or the executor of the client of a cluster."""
    return workers.get_executor(pure=False) if hasattr(workers, "get_executor") else workers


def is_executor(workers: Any) -> bool:
    """Whether tasks can be submitted to it."""
    return isinstance(workers, Executor) or hasattr(workers, "submit")


def at_once(workers: Any) -> int:
    """How many chunks are at work at once, as far as is known."""
    if is_executor(workers):
        return int(getattr(workers, "_max_workers", 0) or os.cpu_count() or 1)
    if callable(workers):
        return os.cpu_count() or 1
    return number_of_processes(workers)


def _answers(
    schedule: Schedule, work: Work[Task, Answer], workers: Any
) -> Iterator[tuple[Chunk, Answer]]:
    if is_executor(workers):
        return _foreign(schedule, work, workers)
    if callable(workers):
        return _mapped(schedule, work, workers)
    number = number_of_processes(workers)
    return _pooled(schedule, work, number) if number > 1 else _here(schedule, work)


def _here(schedule: Schedule, work: Work[Task, Answer]) -> Iterator[tuple[Chunk, Answer]]:
    while (chunk := schedule.next()) is not None:
        yield chunk, work.perform(work.task(chunk))


def _mapped(
    schedule: Schedule, work: Work[Task, Answer], workers: Any
) -> Iterator[tuple[Chunk, Answer]]:
    """First one small chunk of each cell, then everything."""
    while chunks := list(iter(schedule.next, None)):
        returned = iter(workers(work.perform, [work.task(chunk) for chunk in chunks]))
        for chunk in chunks:
            answer = next(returned, None)
            if not isinstance(answer, work.answer):
                raise InputTypeError(
                    f"`workers` returned {type(answer).__name__} for a task; a map-like callable "
                    "must return the answers themselves, one for each task and in their order."
                )
            yield chunk, answer


def _pooled(
    schedule: Schedule, work: Work[Task, Answer], number: int
) -> Iterator[tuple[Chunk, Answer]]:
    """A pool of our own, made anew when one of its processes dies."""
    breaks = 0
    while True:
        before = int(schedule.unfinished.sum())
        try:
            with own_pool(number) as pool:
                yield from _on_executor(schedule, work, pool, _PER_WORKER * number)
            return
        except BrokenExecutor as error:
            breaks = breaks + 1 if int(schedule.unfinished.sum()) == before else 1
            if breaks > _BREAKS:
                raise InputError(f"`workers` is {number}, and {work.died.format(error)}.") from None


def _foreign(
    schedule: Schedule, work: Work[Task, Answer], executor: Executor
) -> Iterator[tuple[Chunk, Answer]]:
    """An executor of the caller's, which is the caller's to mend."""
    known = getattr(executor, "_max_workers", None)
    room = _PER_WORKER * known if known else IN_FLIGHT
    try:
        yield from _on_executor(schedule, work, executor, room)
    except (BrokenExecutor, CancelledError, _ShutDown) as error:
        reason = str(error) or type(error).__name__
    except Exception as error:
        # What a cluster raises when a task has brought down several of its workers.
        if type(error).__name__ != "KilledWorker":
            raise
        reason = "KilledWorker"
    else:
        return
    raise InputError(
        f"`workers` is a {type(executor).__name__} that can take no more work ({reason}); what is "
        f"finished is kept where there is {work.kept}, so start again with a new one."
    )


class _ShutDown(Exception):
    """The executor refuses work."""


def _on_executor(
    schedule: Schedule, work: Work[Task, Answer], executor: Executor, room: int
) -> Iterator[tuple[Chunk, Answer]]:
    pending: dict[Future[Answer], Chunk] = {}
    try:
        while True:
            while len(pending) < room and (chunk := schedule.next()) is not None:
                pending[_submit(schedule, work, executor, chunk)] = chunk
            if not pending:
                return
            for future in wait(pending, return_when=FIRST_COMPLETED).done:
                answer = future.result()
                yield pending.pop(future), answer
    finally:
        for future, chunk in pending.items():
            future.cancel()
            schedule.put_back(chunk)


def _submit(
    schedule: Schedule, work: Work[Task, Answer], executor: Executor, chunk: Chunk
) -> Future[Answer]:
    try:
        return executor.submit(work.perform, work.task(chunk))
    except BaseException as error:
        schedule.put_back(chunk)
        if isinstance(error, RuntimeError) and not isinstance(error, BrokenExecutor):
            raise _ShutDown(str(error)) from None
        raise
