"""The engine: the same to the bit on everything that can work, and hard to bring down."""

from __future__ import annotations

import functools
import multiprocessing
import pickle
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import study_estimators as own
from small_studies import GRID, small_study

import quantize as qz
from quantize._support import chunks
from quantize._support.chunks import Chunk, Schedule
from quantize.studies import Comparison, Condition
from quantize.studies.estimators import estimators_of
from quantize.studies.replicates import LARGEST_PAYLOAD, Cell, answers


def same(one: Comparison, other: Comparison) -> None:
    """Every digit of the tables."""
    pd.testing.assert_frame_equal(one.table, other.table, check_exact=True)
    assert one.errors == other.errors


def backwards(function: Callable[[Any], Any], tasks: list[Any]) -> list[Any]:
    """A map that works from the last task to the first."""
    return [function(task) for task in reversed(tasks)][::-1]


@pytest.mark.parametrize("workers", [1, map, backwards], ids=["one", "map", "backwards"])
def test_workers_change_nothing_in_this_process(workers: Any, reference: Comparison) -> None:
    same(small_study(workers=workers), reference)


@pytest.mark.slow
def test_two_spawned_processes_change_nothing() -> None:
    # The library's own estimators too, whose matrix products must not depend on the number of
    # threads.
    study = functools.partial(
        qz.compare_estimators,
        ["cosine score", "least squares", "verdict", own.third_of_median, own.drawn],
        {"n": 20, "sigma": 0.15},
        replicates=6,
        rng=3,
    )
    same(study(workers=2), study())


def test_threads_change_nothing(reference: Comparison) -> None:
    with ThreadPoolExecutor(3) as pool:
        same(small_study(workers=pool, time_limit=60), reference)


@pytest.mark.slow
def test_an_own_process_pool_changes_nothing(reference: Comparison) -> None:
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        same(small_study(workers=pool), reference)


@pytest.mark.parametrize("seconds", [(1e-9, 1e-9), (9.0, 9.0)], ids=["single samples", "at once"])
def test_the_size_of_chunks_changes_nothing(
    seconds: tuple[float, float], reference: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chunks, "SECONDS", seconds)
    same(small_study(), reference)


def test_a_replicate_depends_on_its_number_alone() -> None:
    cell = Cell(
        condition=Condition(n=7),
        estimators=estimators_of(own.drawn),
        prob=0.95,
        time_limit=None,
    )
    whole = answers(cell, Chunk(cell=2, first=0, count=6), 1, ())
    part = answers(cell, Chunk(cell=2, first=4, count=2), 1, ())
    other = answers(cell, Chunk(cell=3, first=4, count=2), 1, ())
    assert np.array_equal(whole.unit[4:], part.unit)
    assert np.array_equal(whole.bound[4:], part.bound)
    assert len(np.unique(whole.unit)) == 6
    assert not np.any(other.unit == part.unit)


def test_samples_are_done_once_and_in_chunks_of_about_a_second() -> None:
    plan = Schedule(3, 1000)
    sizes = []
    done = np.zeros((3, 1000), dtype=int)
    while (chunk := plan.next()) is not None:
        done[chunk.cell, chunk.first : chunk.first + chunk.count] += 1
        sizes.append(chunk.count)
        plan.finished(chunk, np.full(chunk.count, 0.01))
    assert np.all(done == 1)
    assert sizes[:3] == [chunks.PILOT] * 3
    # Samples of 0.01 s: from 20 to 100 are 0.2 to 1 s.
    assert all(20 <= size <= 100 for size in sizes[3:-1])


def test_chunks_of_one_size_pass_over_what_is_done() -> None:
    plan = Schedule(1, 10, size=4)
    plan.have(Chunk(cell=0, first=5, count=1), np.zeros(1))
    given = [(chunk.first, chunk.count) for chunk in iter(plan.next, None)]
    assert given == [(0, 4), (4, 1), (6, 4)]


def test_a_lost_chunk_is_given_out_again() -> None:
    plan = Schedule(1, 5)
    first = plan.next()
    assert first == Chunk(cell=0, first=0, count=2)
    assert plan.next() is None
    plan.put_back(first)
    assert plan.next() == first


class Recorder(Executor):
    """Remembers what it was sent; works at once."""

    def __init__(self) -> None:
        self.sizes: list[int] = []
        self.payloads: set[int] = set()

    def submit(self, function: Any, task: Any) -> Any:  # type: ignore[override]
        from concurrent.futures import Future

        self.sizes.append(len(pickle.dumps((function, task))))
        self.payloads.add(id(task.cell))
        future: Future[Any] = Future()
        future.set_result(function(task))
        return future


def test_tasks_are_small_and_functions_pickled_once() -> None:
    recorder = Recorder()
    qz.compare_estimators(
        ["cosine score", "least squares", "mixture", own.drawn],
        {"n": 9, "sigma": [0.1, 0.3]},
        replicates=8,
        rng=1,
        workers=recorder,
    )
    assert len(recorder.sizes) > 2
    assert max(recorder.sizes) < 10_000
    assert len(recorder.payloads) == 2


def test_a_heavy_function_is_warned_of() -> None:
    data = np.zeros(LARGEST_PAYLOAD)
    heavy = {"heavy": functools.partial(own.drawn, rng=data)}
    with pytest.warns(qz.QuantizeWarning, match="takes 65 kB to send"):
        qz.compare_estimators(heavy, {"n": 9}, replicates=1, rng=1, workers=Recorder())


@pytest.mark.slow
def test_a_dead_worker_is_replaced(reference: Comparison) -> None:
    killed = []

    def kill_one(done: int, total: int) -> None:
        if not killed:
            victim = multiprocessing.active_children()[0]
            killed.append(victim.pid)
            victim.kill()

    same(small_study(workers=2, progress=kill_one), reference)
    assert killed


@pytest.mark.slow
def test_an_estimator_that_brings_workers_down_ends_in_a_message() -> None:
    with pytest.raises(qz.InputError, match=r"`workers` is 2, and its processes die again"):
        qz.compare_estimators(own.brings_down, {"n": 5}, replicates=2, rng=1, workers=2)


def test_a_pool_that_was_shut_down_is_a_message() -> None:
    pool = ThreadPoolExecutor(1)
    pool.shutdown()
    with pytest.raises(qz.InputError, match=r"`workers` is a ThreadPoolExecutor .*shutdown"):
        small_study(workers=pool)


def test_a_pool_of_ones_own_that_breaks_is_a_message_and_the_rest_is_kept(tmp_path: Path) -> None:
    kept = tmp_path / "study.jsonl"
    context = multiprocessing.get_context("spawn")
    with (
        ProcessPoolExecutor(1, mp_context=context) as pool,
        pytest.raises(qz.InputError, match="`workers` is a ProcessPoolExecutor that can take no"),
    ):
        qz.compare_estimators(
            own.brings_down, {"n": 5}, replicates=2, rng=1, workers=pool, checkpoint=kept
        )
    assert kept.read_text().count("\n") == 1


def test_a_map_that_returns_something_else_is_a_message() -> None:
    for wrong in (lambda function, tasks: tasks, lambda function, tasks: []):
        with pytest.raises(TypeError, match="`workers` returned"):
            small_study(workers=wrong)


def test_workers_of_no_kind_are_refused() -> None:
    with pytest.raises(TypeError, match="`workers` is 'two'; give a whole number"):
        small_study(workers="two")
    with pytest.raises(ValueError, match="`workers` is 0; it must be at least 1"):
        small_study(workers=0)


def test_progress_counts_samples_to_the_end() -> None:
    seen: list[tuple[int, int]] = []
    small_study(progress=lambda done, total: seen.append((done, total)))
    assert seen[-1] == (160, 160)
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert len(GRID["n"]) * len(GRID["sigma"]) * 40 == 160


def test_the_bar_shows_the_time_left(capsys: pytest.CaptureFixture[str]) -> None:
    qz.compare_estimators(own.slow, GRID, replicates=10, rng=1, progress=True)
    assert "0:00:0" in capsys.readouterr().err
