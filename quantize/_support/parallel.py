"""Long work: shared among processes, and its progress shown."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from typing import Any, Protocol, TypeAlias, TypeVar

from quantize._support import validation
from quantize._support.errors import InputTypeError

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Item = TypeVar("Item")

Progress = bool | Callable[[int, int], object]
"""What `progress` may be: a bar or none, or a function of the pieces done and all of them."""


class Pool(Protocol):
    """Anything with the two methods of a ``concurrent.futures.Executor`` that are used."""

    def submit(self, function: Callable[..., Any], /, *args: Any, **options: Any) -> Any:
        """Begin one call."""

    def map(self, function: Callable[..., Any], /, *tasks: Iterable[Any]) -> Iterable[Any]:
        """Answers in the order of the tasks."""


LikeMap: TypeAlias = Callable[[Callable[..., Any], Sequence[Any]], Iterable[Any]]
Workers: TypeAlias = int | Pool | LikeMap | None
"""What `workers` may be: processes, a pool, or a function like ``map``; None for this process."""


def ordered_map(
    function: Callable[[Task], Answer], tasks: Sequence[Task], workers: Workers = None
) -> Iterator[Answer]:
    """Answers in the order of the tasks.

    `workers` is None or 1 (this process), a whole number (that many spawned processes), a
    ``concurrent.futures.Executor``, or a map-like callable. No pool is started unasked.
    """
    if isinstance(workers, Executor) or hasattr(workers, "submit"):
        return iter(workers.map(function, tasks))  # type: ignore[union-attr]
    if callable(workers):
        return iter(workers(function, tasks))
    number = number_of_processes(workers)
    return map(function, tasks) if number == 1 else _pooled(function, tasks, number)


def number_of_processes(workers: Any) -> int:
    """The number of processes that `workers`, None or a whole number, asks for."""
    if workers is None:
        return 1
    try:
        return validation.count("workers", workers)
    except InputTypeError:
        raise InputTypeError(
            f"`workers` is {workers!r}; give a whole number, a map-like callable or an Executor."
        ) from None


def _pooled(
    function: Callable[[Task], Answer], tasks: Sequence[Task], number: int
) -> Iterator[Answer]:
    with own_pool(number) as pool:
        yield from pool.map(function, tasks, chunksize=max(1, len(tasks) // (8 * number)))


def own_pool(number: int) -> ProcessPoolExecutor:
    """A pool of spawned processes, each with one thread of linear algebra.

    The processes end with this one, even when it is killed.
    """
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(number, mp_context=context, initializer=_begin_worker)
    with _interrupts_held():
        # Each task starts a process. One that an interrupt met before `_begin_worker` could leave
        # the others waiting for ever.
        for _ in range(number):
            pool.submit(os.getpid)
    return pool


@contextlib.contextmanager
def _interrupts_held() -> Iterator[None]:
    """Interrupts from the keyboard wait; processes that are started here never see one."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    # Where it starts by itself it lets interrupts through again.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin_worker() -> None:
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)
    # An interrupt from the keyboard reaches every process; the one that started the pool ends it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


class Steps:
    """Counts finished pieces of work and shows the progress."""

    def __init__(self, progress: Progress, total: int, label: str, done: int = 0) -> None:
        self.total = total
        self.done = done
        self.report = progress if callable(progress) else None
        self.bar: Any = None
        if progress is True:
            with warnings.catch_warnings():
                # A notebook without widgets gets letters.
                warnings.filterwarnings("ignore", "IProgress not found")
                from tqdm.auto import tqdm

            # On standard error a notebook shows them in red.
            file = sys.stdout if "ipykernel" in type(sys.stdout).__module__ else None
            self.bar = tqdm(total=total, desc=label, initial=done, file=file)

    def advance(self, pieces: int = 1) -> None:
        """So many pieces are finished."""
        self.done += pieces
        if self.report is not None:
            self.report(self.done, self.total)
        if self.bar is not None:
            self.bar.update(pieces)

    def left(self, seconds: float | None) -> None:
        """Show the time left as the work itself reckons it."""
        if self.bar is not None and seconds is not None:
            self.bar.set_postfix_str(f"{_clock(seconds)} left")

    def over(self, items: Iterable[Item]) -> Iterator[Item]:
        """The items, each counted when it arrives."""
        for item in items:
            self.advance()
            yield item

    def close(self) -> None:
        """Leave the bar as it stands."""
        if self.bar is not None:
            self.bar.close()


def steps(progress: Progress, total: int, label: str, *, done: int = 0) -> Steps:
    """A counter for `total` pieces of work, of which some may be done already."""
    return Steps(progress, total, label, done)


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"
