"""The work itself: pages of one condition, each put to every estimator. This runs in workers."""

from __future__ import annotations

import ctypes
import dataclasses
import functools
import importlib
import os
import pickle
import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from quantize._support.errors import InputError, warn
from quantize._support.validation import FloatArray, IntArray
from quantize.studies.conditions import Condition
from quantize.studies.estimators import Answer, Estimator, as_answer
from quantize.studies.simulation import SimulatedReadings, draw

ANSWERED, RAISED, NO_NUMBER, TIMED_OUT = range(4)
"""What became of one estimate."""

LARGEST_PAYLOAD = 8_000
"""Bytes of estimators and condition in a task, above which the caller is warned."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Chunk:
    """Replicates `first` … `first + count − 1` of one condition."""

    cell: int
    first: int
    count: int


@dataclasses.dataclass(frozen=True, kw_only=True)
class Task:
    """A chunk with all that a worker needs. `run` differs between runs, so that no cluster
    takes the answer of an earlier one for this one's."""

    chunk: Chunk
    payload: bytes | Work
    entropy: Any
    spawn_key: tuple[int, ...]
    home: int
    run: str


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Outcomes:
    """Answers to a chunk: rows are replicates, columns estimators.

    `bound` is the Cramér–Rao bound of each page; `covered` is −1 where no interval was stated;
    `decision` is the p-value, or 0 and 1 for yes and no. `messages` has, for each estimator that
    had an error, the first replicate with one and its text.
    """

    bound: FloatArray
    unit: FloatArray
    covered: IntArray
    decision: FloatArray
    fate: IntArray
    seconds: FloatArray
    page_seconds: FloatArray
    messages: dict[str, tuple[int, str]]

    @classmethod
    def empty(cls, count: int, estimators: int) -> Outcomes:
        """Room for `count` replicates."""
        shape = (count, estimators)
        return cls(
            bound=np.full(count, np.nan),
            unit=np.full(shape, np.nan),
            covered=np.full(shape, -1, dtype=np.int64),
            decision=np.full(shape, np.nan),
            fate=np.zeros(shape, dtype=np.int64),
            seconds=np.zeros(shape),
            page_seconds=np.zeros(count),
            messages={},
        )

    def put(self, first: int, other: Outcomes) -> None:
        """Write the replicates of `other` from row `first` on."""
        rows = slice(first, first + len(other.bound))
        for field in dataclasses.fields(self):
            if field.name != "messages":
                getattr(self, field.name)[rows] = getattr(other, field.name)
        for name, message in other.messages.items():
            self.messages[name] = min(message, self.messages.get(name, message))


@dataclasses.dataclass(frozen=True, kw_only=True)
class Work:
    """What is pickled once for a condition and sent with each of its tasks."""

    condition: Condition
    estimators: tuple[Estimator, ...]
    prob: float
    time_limit: float | None


def pickled(works: list[Work]) -> list[bytes]:
    """Each work pickled once; functions that live in no module go by value where they can.

    Raises
    ------
    InputError
        For a function that cannot be sent to another process.
    """
    try:
        dumps = importlib.import_module("cloudpickle").dumps
    except ImportError:
        dumps = pickle.dumps
    try:
        payloads: list[bytes] = [dumps(work) for work in works]
    except Exception as error:
        raise InputError(
            f"`estimators` or `conditions` hold a function that cannot be sent to a worker "
            f"({error}); define it at the top of a module."
        ) from None
    largest = max(map(len, payloads))
    if largest > LARGEST_PAYLOAD:
        warn(
            f"A task of this study takes {largest / 1000:.0f} kB to send; define the functions "
            "at the top of a module, and keep data out of them.",
            stacklevel=5,
        )
    return payloads


@functools.lru_cache(maxsize=256)
def _unpacked(payload: bytes) -> Work:
    try:
        work: Work = pickle.loads(payload)
    except (ImportError, AttributeError) as error:
        raise InputError(
            f"`estimators` or `conditions` hold a function that a worker cannot load ({error}); "
            "make its module importable there."
        ) from None
    return work


def perform(task: Task) -> Outcomes:
    """The answers to a task; the same to the bit wherever it runs."""
    if os.getpid() != task.home:
        one_thread()
    load_libraries()
    work = task.payload if isinstance(task.payload, Work) else _unpacked(task.payload)
    return answers(work, task.chunk, task.entropy, task.spawn_key)


@functools.cache
def load_libraries() -> None:
    """Load what estimators load when first used, so that it counts against no time limit."""
    for name in ("comb.periodogram", "comb.least_squares", "model.mixture", "null.evidence"):
        importlib.import_module(f"quantize.{name}")
    for name in ("pandas", "scipy.integrate", "scipy.optimize", "scipy.special", "scipy.stats"):
        importlib.import_module(name)


@functools.cache
def one_thread() -> None:
    """Keep the linear algebra of this process to one thread."""
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)


def answers(work: Work, chunk: Chunk, entropy: Any, spawn_key: tuple[int, ...]) -> Outcomes:
    """Draw each replicate from a seed of its own and ask every estimator."""
    out = Outcomes.empty(chunk.count, len(work.estimators))
    for row in range(chunk.count):
        begin = time.perf_counter()
        seed = np.random.SeedSequence(
            entropy, spawn_key=(*spawn_key, chunk.cell, chunk.first + row)
        )
        page_seed, *own_seeds = seed.spawn(1 + len(work.estimators))
        page = draw(work.condition, np.random.default_rng(page_seed))
        out.bound[row] = page.truth.bound()
        for column, estimator in enumerate(work.estimators):
            start = time.perf_counter()
            question = functools.partial(_answer, estimator, page, own_seeds[column], work.prob)
            fate, answer = _ask(question, work.time_limit)
            out.seconds[row, column] = round(time.perf_counter() - start, 6)
            out.fate[row, column] = fate
            if isinstance(answer, str):
                out.messages.setdefault(estimator.name, (chunk.first + row, answer))
                continue
            out.unit[row, column] = answer.unit
            out.decision[row, column] = answer.decision
            holds = answer.holds(work.condition.unit) if page.truth.unit is not None else None
            out.covered[row, column] = -1 if holds is None else int(holds)
        out.page_seconds[row] = round(time.perf_counter() - begin, 6)
    return out


def _answer(
    estimator: Estimator, page: SimulatedReadings, seed: np.random.SeedSequence, prob: float
) -> Answer:
    return as_answer(estimator.ask(page, seed), prob)


def _ask(question: Callable[[], Answer], limit: float | None) -> tuple[int, Answer | str]:
    """The fate of one estimate, with the answer or the message."""
    try:
        answer = question() if limit is None else _within(limit, question)
    except TimeoutError:
        return TIMED_OUT, f"no answer within {limit:g} s"
    except Exception as error:
        return RAISED, f"{type(error).__name__}: {error}"[:300]
    if not np.isfinite(answer.unit):
        return NO_NUMBER, answer
    return ANSWERED, answer


def _within(limit: float, question: Callable[[], Answer]) -> Answer:
    """Ask in a thread of its own, and give up after `limit` seconds.

    A thread that runs Python is then stopped; one that hangs in foreign code is left behind.
    """
    box: list[Answer | BaseException] = []

    def run() -> None:
        try:
            box.append(question())
        except BaseException as error:
            box.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(limit)
    if not box:
        ctypes.pythonapi.PyThreadState_SetAsyncExc(
            ctypes.c_ulong(thread.ident or 0), ctypes.py_object(SystemExit)
        )
        raise TimeoutError
    [answer] = box
    if isinstance(answer, SystemExit | KeyboardInterrupt):
        raise RuntimeError(f"the estimator left with {type(answer).__name__}")
    if isinstance(answer, BaseException):
        # A TimeoutError of the estimator's own is an error like any other.
        raise RuntimeError(str(answer)) if isinstance(answer, TimeoutError) else answer
    return answer
