"""Running a study: in this process, on a pool, on any executor, with every chunk kept."""

from __future__ import annotations

import contextlib
import os
import uuid
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ThreadPoolExecutor,
    wait,
)
from typing import Any

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.parallel import Progress, own_pool, steps
from quantize.studies.checkpoint import Checkpoint
from quantize.studies.replicates import Chunk, Outcomes, Task, Work, perform, pickled
from quantize.studies.schedule import Schedule
from quantize.studies.study import Study

IN_FLIGHT = 256
"""Chunks handed at once to an executor that does not say how many workers it has."""
_PER_WORKER = 3
_BREAKS = 2

Finished = Iterator[tuple[Chunk, Outcomes]]


def run_study(
    study: Study,
    *,
    workers: Any = None,
    checkpoint: Checkpoint | None = None,
    progress: Progress = False,
) -> list[Outcomes]:
    """The answers to every condition, in the order of the conditions.

    Parameters
    ----------
    study : Study
    workers : None, int, concurrent.futures.Executor or map-like callable
        None and 1 are this process; a number is so many spawned processes.
    checkpoint : Checkpoint, optional
        Where finished chunks are kept, and taken from.
    progress : bool or callable

    Returns
    -------
    list of Outcomes
        The same to the bit whatever the workers, the sizes of the chunks and their order.

    Raises
    ------
    InputError
        When the workers cannot be used, or a checkpoint is of another study or cannot be written.
    """
    if hasattr(workers, "get_executor"):
        # A client of a cluster.
        workers = workers.get_executor(pure=False)
    number = _number_of(workers)
    schedule = Schedule(len(study.conditions), study.replicates, number)
    table = [Outcomes.empty(study.replicates, len(study.estimators)) for _ in study.conditions]
    done = 0
    try:
        if checkpoint is not None:
            for chunk, outcomes in checkpoint.open(study.header()):
                table[chunk.cell].put(chunk.first, outcomes)
                schedule.have(chunk, outcomes)
                done += chunk.count
        make = _task_maker(study, workers, number)
        bar = steps(progress, study.pages, "pages", done=done)
        with _quiet():
            for chunk, outcomes in _finished(schedule, make, workers, number):
                if checkpoint is not None:
                    checkpoint.save(chunk, outcomes)
                table[chunk.cell].put(chunk.first, outcomes)
                bar.advance(chunk.count)
                bar.left(schedule.seconds_left())
        bar.close()
    finally:
        if checkpoint is not None:
            checkpoint.close()
    return table


def _finished(
    schedule: Schedule, make: Callable[[Chunk], Task], workers: Any, number: int
) -> Finished:
    if isinstance(workers, Executor) or hasattr(workers, "submit"):
        return _foreign(schedule, make, workers)
    if callable(workers):
        return _mapped(schedule, make, workers)
    if number > 1:
        return _pooled(schedule, make, number)
    return _here(schedule, make)


def _here(schedule: Schedule, make: Callable[[Chunk], Task]) -> Finished:
    while (chunk := schedule.next()) is not None:
        outcomes = perform(make(chunk))
        schedule.finished(chunk, outcomes)
        yield chunk, outcomes


def _mapped(schedule: Schedule, make: Callable[[Chunk], Task], workers: Any) -> Finished:
    """First one small chunk of each condition, then everything."""
    while True:
        chunks = list(iter(schedule.next, None))
        if not chunks:
            return
        returned = iter(workers(perform, [make(chunk) for chunk in chunks]))
        for chunk in chunks:
            outcomes = next(returned, None)
            if not isinstance(outcomes, Outcomes):
                raise InputTypeError(
                    f"`workers` returned {type(outcomes).__name__} for a task; a map-like callable "
                    "must return the answers themselves, one for each task and in their order."
                )
            schedule.finished(chunk, outcomes)
            yield chunk, outcomes


def _pooled(schedule: Schedule, make: Callable[[Chunk], Task], number: int) -> Finished:
    """A pool of our own, made anew when one of its processes dies."""
    breaks = 0
    while True:
        before = schedule.worked
        try:
            with own_pool(number) as pool:
                yield from _on_executor(schedule, make, pool, _PER_WORKER * number)
            return
        except BrokenExecutor as error:
            breaks = breaks + 1 if schedule.worked == before else 1
            if breaks > _BREAKS:
                raise InputError(
                    f"`workers` is {number}, and its processes die again and again ({error}); an "
                    "estimator may bring them down, so try it by itself with workers=1."
                ) from None


def _foreign(schedule: Schedule, make: Callable[[Chunk], Task], executor: Executor) -> Finished:
    """An executor of the caller's, which is the caller's to mend."""
    known = getattr(executor, "_max_workers", None)
    room = _PER_WORKER * known if known else IN_FLIGHT
    try:
        yield from _on_executor(schedule, make, executor, room)
    except (BrokenExecutor, CancelledError, _ShutDown) as error:
        raise _lost(executor, str(error) or type(error).__name__) from None
    except Exception as error:
        # What a cluster raises when a task has brought down several of its workers.
        if type(error).__name__ == "KilledWorker":
            raise _lost(executor, "KilledWorker") from None
        raise


def _lost(executor: Executor, reason: str) -> InputError:
    return InputError(
        f"`workers` is a {type(executor).__name__} that can take no more work ({reason}); what is "
        "finished is kept where there is a checkpoint, so start again with a new one."
    )


class _ShutDown(Exception):
    """The executor refuses work."""


def _on_executor(
    schedule: Schedule, make: Callable[[Chunk], Task], executor: Executor, room: int
) -> Finished:
    pending: dict[Future[Outcomes], Chunk] = {}
    try:
        while True:
            while len(pending) < room and (chunk := schedule.next()) is not None:
                pending[_submit(executor, make(chunk), schedule)] = chunk
            if not pending:
                return
            for future in wait(pending, return_when=FIRST_COMPLETED).done:
                outcomes = future.result()
                chunk = pending.pop(future)
                schedule.finished(chunk, outcomes)
                yield chunk, outcomes
    finally:
        for future, chunk in pending.items():
            future.cancel()
            schedule.put_back(chunk)


def _submit(executor: Executor, task: Task, schedule: Schedule) -> Future[Outcomes]:
    try:
        return executor.submit(perform, task)
    except BaseException as error:
        schedule.put_back(task.chunk)
        if isinstance(error, RuntimeError) and not isinstance(error, BrokenExecutor):
            raise _ShutDown(str(error)) from None
        raise


def _task_maker(study: Study, workers: Any, number: int) -> Callable[[Chunk], Task]:
    works = [
        Work(
            condition=condition,
            estimators=study.estimators,
            prob=study.prob,
            time_limit=study.time_limit,
        )
        for condition in study.conditions
    ]
    here = isinstance(workers, ThreadPoolExecutor) or (
        number == 1 and not hasattr(workers, "submit")
    )
    payloads: list[Any] = list(works) if here else pickled(works)
    run = uuid.uuid4().hex

    def make(chunk: Chunk) -> Task:
        return Task(
            chunk=chunk,
            payload=payloads[chunk.cell],
            entropy=study.entropy,
            spawn_key=study.spawn_key,
            home=os.getpid(),
            run=run,
        )

    return make


def _number_of(workers: Any) -> int:
    """How many chunks are at work at once, as far as that can be told."""
    if workers is None:
        return 1
    if isinstance(workers, Executor) or hasattr(workers, "submit"):
        return int(getattr(workers, "_max_workers", 0) or os.cpu_count() or 1)
    if callable(workers):
        return os.cpu_count() or 1
    try:
        return validation.count("workers", workers)
    except InputTypeError:
        raise InputTypeError(
            f"`workers` is {workers!r}; give a whole number, a map-like callable or an Executor."
        ) from None


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """One thread of linear algebra, and no warnings of estimators, while a study runs here."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
