"""The same studies on a cluster of two worker processes on this machine's loopback."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd
import pytest
import study_estimators as own
from local_cluster import two_workers
from small_studies import GRID, small_study

import quantize as qz
from quantize.studies import Comparison

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def client(distributed: ModuleType) -> Iterator[Any]:
    """A client of two worker processes, one thread each."""
    helpers = str(Path(own.__file__).parent)
    before = os.environ.get("PYTHONPATH", "")
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [helpers, before]))
    try:
        with two_workers(distributed) as client:
            yield client
    finally:
        os.environ["PYTHONPATH"] = before


def test_a_cluster_changes_nothing(client: Any, reference: Comparison) -> None:
    found = small_study(workers=client.get_executor(pure=False))
    pd.testing.assert_frame_equal(found.table, reference.table, check_exact=True)


def test_the_client_itself_will_do(client: Any, reference: Comparison) -> None:
    found = small_study(workers=client)
    pd.testing.assert_frame_equal(found.table, reference.table, check_exact=True)


def test_functions_defined_on_the_spot_reach_the_workers(client: Any) -> None:
    def study(workers: Any) -> Comparison:
        return qz.compare_estimators(
            {"mine": lambda readings, unit_range: readings.values[0]},
            {"n": 5},
            replicates=6,
            rng=2,
            workers=workers,
        )

    one, other = study(client.get_executor()), study(None)
    pd.testing.assert_frame_equal(one.table, other.table, check_exact=True)


def test_a_study_run_again_is_worked_again(client: Any, tmp_path: Path) -> None:
    # Even by an executor that takes every task for a pure function of its arguments.
    marks = tmp_path / "marks"
    for _ in range(2):
        qz.compare_estimators(
            {"marks": own.Marks(str(marks))},
            {"n": 5},
            replicates=4,
            rng=2,
            workers=client.get_executor(pure=True),
        )
    assert marks.stat().st_size == 8


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal")
def test_a_worker_killed_in_the_middle_loses_nothing(client: Any, tmp_path: Path) -> None:
    pids = list(client.run(os.getpid).values())
    killed: list[int] = []

    def kill_one(done: int, total: int) -> None:
        if not killed and done >= 8:
            killed.append(pids[0])
            os.kill(pids[0], signal.SIGKILL)

    found = qz.compare_estimators(
        {"slow": own.slow},
        GRID,
        replicates=60,
        rng=4,
        workers=client.get_executor(pure=False),
        checkpoint=tmp_path / "study.jsonl",
        progress=kill_one,
    )
    assert killed
    whole = qz.compare_estimators({"slow": own.third_of_median}, GRID, replicates=60, rng=4)
    pd.testing.assert_frame_equal(found.table, whole.table, check_exact=True)


def test_an_executor_that_was_shut_down_is_a_message(client: Any) -> None:
    executor = client.get_executor()
    executor.shutdown()
    with pytest.raises(qz.InputError, match="`workers` is a ClientExecutor that can take no more"):
        small_study(workers=executor)
