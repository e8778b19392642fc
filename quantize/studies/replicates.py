"""The work itself: samples of one condition, each put to every estimator. Runs in workers."""

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

from quantize._support.chunks import Chunk
from quantize._support.errors import InputError, warn
from quantize._support.results import jsonable
from quantize._support.validation import FloatArray, IntArray
from quantize.studies.conditions import Condition
from quantize.studies.estimators import Answer, Estimator, as_answer
from quantize.studies.simulate import SimulatedReadings, draw

ANSWERED, RAISED, NO_NUMBER, TIMED_OUT = range(4)
"""What became of one estimate."""

LARGEST_PAYLOAD = 8_000
"""Bytes of estimators and condition in a task, above which the caller is warned."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Cell:
    """A condition with what is asked of it; pickled once and sent with each task."""

    condition: Condition
    estimators: tuple[Estimator, ...]
    prob: float
    time_limit: float | None


@dataclasses.dataclass(frozen=True, kw_only=True)
class Task:
    """A chunk with all that a worker needs. `run` differs between runs, so that no cluster
    takes the answer of an earlier one for this one's."""

    chunk: Chunk
    cell: bytes | Cell
    entropy: Any
    spawn_key: tuple[int, ...]
    home: int
    run: str


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Outcomes:
    """Answers to a chunk: rows are replicates, columns estimators.

    `bound` is the Cramér–Rao bound of each sample; `covered` is −1 where no interval was stated;
    `decision` is the p-value, or 0 and 1 for yes and no. `messages` has, for each estimator that
    had an error, the first replicate with one and its text.
    """

    bound: FloatArray
    unit: FloatArray
    covered: IntArray
    decision: FloatArray
    fate: IntArray
    seconds: FloatArray
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
            messages={},
        )

    def put(self, first: int, other: Outcomes) -> None:
        """Write the replicates of `other` from row `first` on."""
        rows = slice(first, first + len(other.bound))
        for name in ARRAYS:
            getattr(self, name)[rows] = getattr(other, name)
        for name, message in other.messages.items():
            self.messages[name] = min(message, self.messages.get(name, message))

    def to_json(self) -> dict[str, Any]:
        """JSON-ready; floats keep every digit, NaN is null."""
        return {name: jsonable(getattr(self, name)) for name in ARRAYS} | {
            "messages": self.messages
        }

    @classmethod
    def of_json(cls, body: dict[str, Any]) -> Outcomes:
        """Read back what `to_json` gave."""
        kinds = {"covered": np.int64, "fate": np.int64}
        arrays = {name: np.array(body[name], dtype=kinds.get(name, float)) for name in ARRAYS}
        messages = {name: (int(row), str(text)) for name, (row, text) in body["messages"].items()}
        return cls(**arrays, messages=messages)

    @property
    def seconds_each(self) -> FloatArray:
        """The time that each replicate took."""
        return np.asarray(self.seconds.sum(axis=1))


ARRAYS = ("bound", "unit", "covered", "decision", "fate", "seconds")
"""The arrays of `Outcomes`."""


def pickled(cells: list[Cell]) -> list[bytes]:
    """Each cell pickled once; functions that live in no module go by value where they can."""
    try:
        dumps = importlib.import_module("cloudpickle").dumps
    except ImportError:
        dumps = pickle.dumps
    try:
        payloads: list[bytes] = [dumps(cell) for cell in cells]
    except Exception as error:
        raise InputError(
            f"`estimators` or `conditions` hold a function that cannot be sent to a worker "
            f"({error}); define it at the top of a module."
        ) from None
    largest = max(map(len, payloads))
    if largest > LARGEST_PAYLOAD:
        warn(
            f"A task of this study takes {largest / 1000:.0f} kB to send; define the functions "
            "at the top of a module, and keep data out of them."
        )
    return payloads


@functools.lru_cache(maxsize=256)
def _unpickled(payload: bytes) -> Cell:
    try:
        cell: Cell = pickle.loads(payload)
    except (ImportError, AttributeError) as error:
        raise InputError(
            f"`estimators` or `conditions` hold a function that a worker cannot load ({error}); "
            "make its module importable there."
        ) from None
    return cell


def perform(task: Task) -> Outcomes:
    """The answers to a task; the same to the bit wherever it runs."""
    if os.getpid() != task.home:
        one_thread()
    load_libraries()
    cell = task.cell if isinstance(task.cell, Cell) else _unpickled(task.cell)
    return answers(cell, task.chunk, task.entropy, task.spawn_key)


@functools.cache
def load_libraries() -> None:
    """Load what estimators load when first used, so that it counts against no time limit."""
    for name in ("pandas", "scipy.integrate", "scipy.optimize", "scipy.special", "scipy.stats"):
        importlib.import_module(name)


@functools.cache
def one_thread() -> None:
    """Keep the linear algebra of this process to one thread."""
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)


def answers(cell: Cell, chunk: Chunk, entropy: Any, spawn_key: tuple[int, ...]) -> Outcomes:
    """Draw each replicate from a seed of its own and ask every estimator."""
    out = Outcomes.empty(chunk.count, len(cell.estimators))
    for row in range(chunk.count):
        number = chunk.first + row
        seed = np.random.SeedSequence(entropy, spawn_key=(*spawn_key, chunk.cell, number))
        sample_seed, *own_seeds = seed.spawn(1 + len(cell.estimators))
        sample = draw(cell.condition, np.random.default_rng(sample_seed))
        out.bound[row] = sample.truth.bound()
        for column, estimator in enumerate(cell.estimators):
            start = time.perf_counter()
            question = functools.partial(_answer, estimator, sample, own_seeds[column], cell.prob)
            fate, answer = _ask(question, cell.time_limit)
            out.seconds[row, column] = round(time.perf_counter() - start, 6)
            out.fate[row, column] = fate
            if isinstance(answer, str):
                out.messages.setdefault(estimator.name, (number, answer))
                continue
            out.unit[row, column] = answer.unit
            out.decision[row, column] = answer.decision
            holds = answer.holds(cell.condition.unit) if sample.truth.unit is not None else None
            out.covered[row, column] = -1 if holds is None else int(holds)
    return out


def _answer(
    estimator: Estimator, sample: SimulatedReadings, seed: np.random.SeedSequence, prob: float
) -> Answer:
    return as_answer(estimator.ask(sample, seed), prob)


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
