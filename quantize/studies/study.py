"""A study: declared once, carried out on whatever can work, kept, and taken up again."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import uuid
import warnings
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from typing import Any

from quantize._support import randomness, validation
from quantize._support.chunks import (
    Chunk,
    Schedule,
    Work,
    at_once,
    carried_out,
    executor_of,
    is_executor,
)
from quantize._support.journal import Journal, changed, versions
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.results import jsonable
from quantize.studies.conditions import Condition
from quantize.studies.estimators import Estimator
from quantize.studies.replicates import Cell, Outcomes, Task, perform, pickled

Workers = int | Executor | Callable[..., Any] | None
"""Who does the work: a number of processes, an executor or the client of a cluster, a map."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Study:
    """Conditions by estimators, so many replicates each, from one seed.

    Replicate r of condition c has the child (c, r) of the seed.
    """

    conditions: tuple[Condition, ...]
    estimators: tuple[Estimator, ...]
    replicates: int
    entropy: Any
    spawn_key: tuple[int, ...]
    prob: float
    time_limit: float | None

    def header(self) -> dict[str, Any]:
        """What a checkpoint says of the study, JSON-ready."""
        return {
            "schema": Checkpoint.schema,
            "versions": versions(),
            "seed": {"entropy": jsonable(self.entropy), "spawn_key": list(self.spawn_key)},
            "replicates": self.replicates,
            "interval": self.prob,
            "time limit": self.time_limit,
            "estimators": [estimator.identity for estimator in self.estimators],
            "conditions": [condition.described() for condition in self.conditions],
        }

    def tasks(self, *, elsewhere: bool) -> Callable[[Chunk], Task]:
        """What makes the task of a chunk; `elsewhere` for one that leaves this process."""
        cells = [
            Cell(
                condition=condition,
                estimators=self.estimators,
                prob=self.prob,
                time_limit=self.time_limit,
            )
            for condition in self.conditions
        ]
        ready = pickled(cells) if elsewhere else cells
        run = uuid.uuid4().hex

        def task(chunk: Chunk) -> Task:
            return Task(
                chunk=chunk,
                cell=ready[chunk.cell],
                entropy=self.entropy,
                spawn_key=self.spawn_key,
                home=os.getpid(),
                run=run,
            )

        return task


class Checkpoint(Journal):
    """The file behind a study: a line for each finished chunk."""

    schema = "quantize.study/1"

    def open(self, header: dict[str, Any]) -> list[tuple[Chunk, Outcomes]]:
        """Begin or go on; returns the chunks that are finished."""
        return self.begin(header, _differences, _kept_chunk)

    def save(self, chunk: Chunk, outcomes: Outcomes) -> None:
        """Write a finished chunk through to the disk."""
        self.add(dataclasses.asdict(chunk) | outcomes.to_json())


def _kept_chunk(body: dict[str, Any]) -> tuple[Chunk, Outcomes]:
    chunk = Chunk(cell=body["cell"], first=body["first"], count=body["count"])
    return chunk, Outcomes.of_json(body)


def _differences(kept: dict[str, Any], wanted: dict[str, Any]) -> list[str]:
    """What differs between two headers, in words."""
    settings = ("schema", "replicates", "interval", "time limit")
    found = changed(kept, wanted, {name: wanted[name] for name in settings})
    for name in ("estimators", "conditions"):
        found += _different_rows(name, kept.get(name, []), wanted[name])
    return found


def _different_rows(name: str, kept: list[Any], wanted: list[Any]) -> list[str]:
    if kept == wanted:
        return []
    if len(kept) != len(wanted):
        return [f"there were {len(kept)} {name} and are {len(wanted)}"]
    for old, new in zip(kept, wanted, strict=True):
        for key in new:
            if old.get(key) != new[key]:
                return [f"in the {name}, {key} was {old.get(key)!r} and is {new[key]!r}"]
    return [f"the {name} are others"]


def declare(
    conditions: tuple[Condition, ...],
    estimators: tuple[Estimator, ...],
    *,
    replicates: int,
    prob: float,
    time_limit: float | None,
    rng: RngLike,
    checkpoint: Checkpoint | None,
) -> tuple[Study, dict[str, Any]]:
    """The study with its seed: the one given, that of the checkpoint, or a fresh one."""
    kept = checkpoint.header() if checkpoint is not None and rng is None else None
    if kept is not None:
        entropy, spawn_key = kept["seed"]["entropy"], tuple(kept["seed"]["spawn_key"])
        seed = {"entropy": entropy, "spawn_key": list(spawn_key), "children_spawned": 0}
    else:
        generator = randomness.generator(rng)
        seed = randomness.record(generator)
        own = randomness.own_seed(rng, generator)
        entropy, spawn_key = own.entropy, own.spawn_key
    study = Study(
        conditions=conditions,
        estimators=estimators,
        replicates=validation.count("replicates", replicates),
        entropy=entropy,
        spawn_key=spawn_key,
        prob=validation.fraction("prob", prob),
        time_limit=None if time_limit is None else validation.positive("time_limit", time_limit),
    )
    return study, seed


def run_study(
    study: Study,
    *,
    workers: Workers = None,
    checkpoint: Checkpoint | None = None,
    progress: Progress = False,
) -> list[Outcomes]:
    """The answers to every condition, in their order; the same to the bit whoever works."""
    workers = executor_of(workers)
    number = at_once(workers)
    schedule = Schedule(len(study.conditions), study.replicates, number)
    table = [Outcomes.empty(study.replicates, len(study.estimators)) for _ in study.conditions]
    here = isinstance(workers, ThreadPoolExecutor) or (number == 1 and not is_executor(workers))
    with contextlib.ExitStack() as stack:
        if checkpoint is not None:
            stack.callback(checkpoint.close)
            for chunk, outcomes in checkpoint.open(study.header()):
                table[chunk.cell].put(chunk.first, outcomes)
                schedule.have(chunk, outcomes.seconds_each)
        work = Work(
            perform=perform,
            task=study.tasks(elsewhere=not here),
            answer=Outcomes,
            label="samples",
            died="its processes die again and again ({}); an estimator may bring them down, so try "
            "it by itself with workers=1",
            kept="a checkpoint",
            seconds=lambda outcomes: outcomes.seconds_each,
        )
        stack.enter_context(warnings.catch_warnings())
        warnings.simplefilter("ignore")
        for chunk, outcomes in carried_out(schedule, work, workers, progress):
            if checkpoint is not None:
                checkpoint.save(chunk, outcomes)
            table[chunk.cell].put(chunk.first, outcomes)
    return table
