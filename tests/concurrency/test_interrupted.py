"""A signal at any moment of a long call leaves files whole, and no process behind."""

from __future__ import annotations

import functools
import json
import os
import random
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path

import pytest

import quantize as qz
from quantize._support.parallel import own_pool
from quantize.show.terminal import no_interrupt_lost

pytestmark = pytest.mark.slow

PAGE = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9, 16.1, 6.1]
UNIT_RANGE = (1.2, 4.0)
SAMPLING = f"""
import quantize as qz
print("begun", flush=True)
qz.sample_mixture(
    {PAGE}, {UNIT_RANGE}, model=qz.MixtureModel(sigma=0.1), draws=400, chains=2, rng=3,
    checkpoint="kept.h5",
)
"""
STUDY = """
import quantize as qz
print("begun", flush=True)
qz.compare_estimators(
    ["cosine score"], {"n": [6, 9], "sigma": [0.1, 0.2]}, replicates=200, rng=3,
    checkpoint="kept.jsonl", workers=2,
)
"""


class Last:
    """What is interrupted while it is thrown away, where Python ignores that."""

    def __del__(self) -> None:
        raise KeyboardInterrupt


def throw_one_away(seconds: float) -> None:
    last = Last()
    del last
    time.sleep(seconds)


def test_an_interrupt_in_a_destructor_comes_again(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(KeyboardInterrupt), no_interrupt_lost():
        throw_one_away(20)
    assert capfd.readouterr().err == ""


def test_other_complaints_of_destructors_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", said.append)
    monkeypatch.setattr(Last, "__del__", lambda self: 1 / 0)
    with no_interrupt_lost():
        throw_one_away(0)
    assert len(said) == 1
    assert sys.unraisablehook == said.append


def interrupted(
    code: str, folder: Path, after: float, how: int
) -> tuple[subprocess.Popen[str], str]:
    """Run, and send the signal to it and its workers `after` seconds from its beginning.

    The process when it has ended, and its complaints.
    """
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(after)
    os.killpg(process.pid, how)
    return process, process.communicate(timeout=60)[1]


def group_is_empty(leader: int) -> bool:
    """Whether no process of the group is left (a moment is allowed to end)."""
    for _ in range(100):
        try:
            os.killpg(leader, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.1)
    return False


MOMENTS = [random.Random(9).uniform(0, 1.5) for _ in range(3)]
"""Seconds; a call takes one to two."""


@pytest.mark.skipif(sys.platform == "win32", reason="signals to groups are those of POSIX")
class TestSignals:
    def test_sampling_goes_on_to_the_bit(self, tmp_path: Path) -> None:
        known = qz.MixtureModel(sigma=0.1)
        options = {"model": known, "draws": 400, "chains": 2, "rng": 3}
        whole = qz.sample_mixture(PAGE, UNIT_RANGE, **options)
        for moment in MOMENTS[:2]:
            done, _ = interrupted(SAMPLING, tmp_path, moment, signal.SIGINT)
            assert group_is_empty(done.pid)
        found = qz.sample_mixture(PAGE, UNIT_RANGE, **options, checkpoint=tmp_path / "kept.h5")
        assert found.unit == whole.unit
        assert json.dumps(found.to_dict()) == json.dumps(whole.to_dict())

    def test_no_process_of_a_pool_sees_an_interrupt_while_it_starts(self) -> None:
        before = signal.pthread_sigmask(signal.SIG_BLOCK, [])
        held = functools.partial(signal.pthread_sigmask, signal.SIG_BLOCK, [])
        with own_pool(2) as pool:
            assert len(pool._processes) == 2
            masks = [future.result() for future in [pool.submit(held) for _ in range(6)]]
        assert all(signal.SIGINT in mask for mask in masks)
        assert signal.pthread_sigmask(signal.SIG_BLOCK, []) == before

    def test_a_study_goes_on_to_the_same_table(self, tmp_path: Path) -> None:
        options = {"replicates": 200, "rng": 3}
        grid = {"n": [6, 9], "sigma": [0.1, 0.2]}
        for moment, how in zip(MOMENTS[:2], [signal.SIGINT, signal.SIGTERM], strict=True):
            done, _ = interrupted(STUDY, tmp_path, moment, how)
            assert group_is_empty(done.pid)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", qz.QuantizeWarning)
            found = qz.compare_estimators(
                ["cosine score"], grid, **options, checkpoint=tmp_path / "kept.jsonl"
            )
        whole = qz.compare_estimators(["cosine score"], grid, **options)
        assert found.table.equals(whole.table)

    @pytest.mark.parametrize("moment", MOMENTS[1:])
    def test_the_command_line_says_one_line(self, moment: float, tmp_path: Path) -> None:
        old = tmp_path / "page.html"
        old.write_text("the old report", encoding="utf-8")
        page = tmp_path / "page.csv"
        page.write_text("x\n" + "\n".join(f"{x + 0.01 * i:.2f}" for i in range(9) for x in PAGE))
        code = (
            "import sys\nfrom quantize.cli import main\nprint('begun', flush=True)\n"
            "sys.argv = ['quantize', 'analyze', 'page.csv', '--report', 'page.html']\nmain()\n"
        )
        process, error = interrupted(code, tmp_path, 0.5 + moment, signal.SIGINT)
        report = old.read_text(encoding="utf-8")
        assert report == "the old report" or report.rstrip().endswith("</html>")
        assert "Traceback" not in error
        assert process.returncode in (0, 1, 130)
        assert len(error.strip().splitlines()) <= 2, error
