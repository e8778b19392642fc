"""Running tasks in order on whatever the caller offers."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from typing import Any, Protocol, TypeAlias, TypeVar

from quantize._support import validation
from quantize._support.errors import InputTypeError

Task = TypeVar("Task")
Answer = TypeVar("Answer")


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
    if workers is None:
        return map(function, tasks)
    if isinstance(workers, Executor) or hasattr(workers, "submit"):
        return iter(workers.map(function, tasks))  # type: ignore[union-attr]
    if callable(workers):
        return iter(workers(function, tasks))
    try:
        number = validation.count("workers", workers)
    except InputTypeError:
        raise InputTypeError(
            f"`workers` is {workers!r}; give a whole number, a map-like callable or an Executor."
        ) from None
    return map(function, tasks) if number == 1 else _pooled(function, tasks, number)


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
    return ProcessPoolExecutor(number, mp_context=context, initializer=_begin_worker)


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
