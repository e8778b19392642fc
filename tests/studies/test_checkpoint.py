"""Nothing is lost: killed, torn, full, locked and foreign checkpoints."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import study_estimators as own
from small_studies import GRID, small_study

import quantize as qz
from quantize.studies import Comparison
from quantize.studies.study import Checkpoint

HELPERS = Path(own.__file__).parent
LONG = """
import sys
import quantize as qz
import study_estimators as own

if __name__ == "__main__":
    qz.compare_estimators(
        own.slow, {"n": [6, 9], "sigma": [0.1, 0.3]}, replicates=150, rng=4,
        workers=int(sys.argv[1]), checkpoint="study.jsonl",
    )
"""


def chunks_in(path: Path) -> int:
    """Whole chunks in a checkpoint so far."""
    return path.read_bytes().count(b"\n") - 1 if path.exists() else -1


def alive(pid: int) -> bool:
    """Whether a process still runs (an ended one that nobody has collected does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def children_of(pid: int) -> list[int]:
    """The processes that a process has started."""
    return [int(part) for part in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="looks at processes through /proc")
@pytest.mark.parametrize("workers", [1, 2])
def test_killed_at_any_moment_the_study_goes_on_to_the_same_table(
    workers: int, tmp_path: Path
) -> None:
    kept = tmp_path / "study.jsonl"
    (tmp_path / "long.py").write_text(LONG)
    process = subprocess.Popen(
        [sys.executable, "long.py", str(workers)],
        cwd=tmp_path,
        env={
            **os.environ,
            "PYTHONPATH": f"{HELPERS}{os.pathsep}{os.environ.get('PYTHONPATH', '')}",
        },
    )
    try:
        until = time.monotonic() + 60
        while chunks_in(kept) < 6 and process.poll() is None and time.monotonic() < until:
            time.sleep(0.02)
        started = children_of(process.pid)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    before = chunks_in(kept)
    assert before >= 6
    grid = {"n": [6, 9], "sigma": [0.1, 0.3]}
    counted: list[int] = []
    resumed = qz.compare_estimators(
        own.slow,
        grid,
        replicates=150,
        rng=4,
        checkpoint=kept,
        progress=lambda done, total: counted.append(done),
    )
    # The first chunk that is reported comes on top of those that were kept.
    assert counted[0] > 2 * before
    assert counted[-1] == 600
    whole = qz.compare_estimators({"slow": own.third_of_median}, grid, replicates=150, rng=4)
    pd.testing.assert_frame_equal(resumed.table, whole.table, check_exact=True)
    until = time.monotonic() + 10
    while any(map(alive, started)) and time.monotonic() < until:
        time.sleep(0.05)
    assert not any(map(alive, started)), "workers outlive a killed study"


def test_a_study_taken_up_when_finished_works_no_more(kept: Path, reference: Comparison) -> None:
    seen: list[int] = []
    again = small_study(checkpoint=kept, progress=lambda done, total: seen.append(done))
    pd.testing.assert_frame_equal(again.table, reference.table, check_exact=True)
    pd.testing.assert_frame_equal(again.timing, small_study(checkpoint=kept).timing)
    assert seen == []


def test_without_a_seed_the_one_of_the_checkpoint_is_taken(tmp_path: Path) -> None:
    kept = tmp_path / "study.jsonl"
    first = small_study(checkpoint=kept, rng=None)
    again = small_study(checkpoint=kept, rng=None)
    assert again.seed["entropy"] == first.seed["entropy"]
    pd.testing.assert_frame_equal(again.table, first.table, check_exact=True)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.999])
def test_a_torn_file_keeps_what_is_whole(share: float, kept: Path, reference: Comparison) -> None:
    data = kept.read_bytes()
    torn = data[: int(share * len(data))]
    kept.write_bytes(torn)
    with pytest.warns(qz.QuantizeWarning, match=r"was torn; \d+ finished chunks are kept"):
        found = small_study(checkpoint=kept)
    pd.testing.assert_frame_equal(found.table, reference.table, check_exact=True)
    # Mended: the next time nothing is missing.
    small_study(checkpoint=kept)
    assert kept.read_bytes().startswith(torn[: torn.rindex(b"\n") + 1])


def test_a_torn_first_line_begins_anew(kept: Path, reference: Comparison) -> None:
    kept.write_bytes(kept.read_bytes()[:40])
    found = small_study(checkpoint=kept)
    pd.testing.assert_frame_equal(found.table, reference.table, check_exact=True)


def test_a_digit_that_changed_on_the_disk_is_noticed(kept: Path, reference: Comparison) -> None:
    lines = kept.read_text().splitlines(keepends=True)
    chunk = json.loads(lines[2])
    chunk["unit"][0][0] += 1e-9
    lines[2] = json.dumps(chunk) + "\n"
    kept.write_text("".join(lines))
    with pytest.warns(qz.QuantizeWarning, match="was torn"):
        found = small_study(checkpoint=kept)
    pd.testing.assert_frame_equal(found.table, reference.table, check_exact=True)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rng": 12}, r"the seed was 11 and is 12\. Restore that"),
        ({"replicates": 41}, "replicates was 40 and is 41"),
        ({"time_limit": 5}, r"time limit was None and is 5\.0"),
        ({"prob": 0.9}, r"interval was 0\.95 and is 0\.9"),
    ],
)
def test_another_study_is_refused_and_told_why(
    change: dict[str, Any], message: str, kept: Path
) -> None:
    data = kept.read_bytes()
    with pytest.raises(qz.InputError, match=message):
        small_study(checkpoint=kept, **change)
    assert kept.read_bytes() == data


def test_another_grid_estimator_or_version_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "study.jsonl"

    def study(estimator: Any, **grid: Any) -> None:
        qz.compare_estimators(
            {"mine": estimator}, GRID | grid, replicates=2, rng=1, checkpoint=kept
        )

    study(lambda readings, unit_range: 1.0)
    with pytest.raises(qz.InputError, match=r"in the conditions, sigma was 0\.3 and is 0\.4"):
        study(lambda readings, unit_range: 1.0, sigma=[0.1, 0.4])
    with pytest.raises(qz.InputError, match="there were 4 conditions and are 2"):
        study(lambda readings, unit_range: 1.0, sigma=[0.1])
    # The same function by name, but its code has changed.
    with pytest.raises(qz.InputError, match="in the estimators, function was"):
        study(lambda readings, unit_range: 2.0)
    monkeypatch.setattr(qz, "__version__", "9.9")
    with pytest.raises(qz.InputError, match=r"the version of quantize was .* and is 9\.9"):
        study(lambda readings, unit_range: 1.0)


def test_a_file_of_something_else_is_left_alone(tmp_path: Path) -> None:
    kept = tmp_path / "notes.txt"
    kept.write_text("my notes\n")
    with pytest.raises(qz.InputError, match="which no study has written; choose another file"):
        small_study(checkpoint=kept)
    assert kept.read_text() == "my notes\n"


def test_a_place_that_cannot_be_written_is_one_message(tmp_path: Path) -> None:
    with pytest.raises(
        qz.InputError, match=r"there is no folder .*; make it first or choose another"
    ):
        small_study(checkpoint=tmp_path / "nowhere" / "study.jsonl")
    with pytest.raises(qz.InputError, match="a folder; give the name of a file in it"):
        small_study(checkpoint=tmp_path)


def test_a_full_disk_keeps_what_is_finished(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reference: Comparison
) -> None:
    kept = tmp_path / "study.jsonl"
    write, written = os.write, []

    def almost_full(file: int, data: bytes) -> int:
        written.append(len(data))
        if len(written) == 4:
            return write(file, data[:50])
        if len(written) > 4:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(file, data)

    monkeypatch.setattr(os, "write", almost_full)
    with pytest.raises(qz.InputError, match=r"No space left.*the 2 finished chunks .* are kept"):
        small_study(checkpoint=kept)
    monkeypatch.undo()
    assert chunks_in(kept) == 2
    # The half-written chunk was taken back, so nothing is torn.
    found = small_study(checkpoint=kept)
    pd.testing.assert_frame_equal(found.table, reference.table, check_exact=True)


@pytest.mark.skipif(sys.platform == "win32", reason="no limits on the size of files")
def test_a_limit_of_the_system_is_one_message(tmp_path: Path, reference: Comparison) -> None:
    import resource

    kept = tmp_path / "study.jsonl"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (6000, hard))
        with pytest.raises(qz.InputError, match=r"cannot be written \(File too large\)"):
            small_study(checkpoint=kept)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert kept.read_bytes().endswith(b"\n")
    found = small_study(checkpoint=kept)
    pd.testing.assert_frame_equal(found.table, reference.table, check_exact=True)


@pytest.mark.skipif(sys.platform == "win32", reason="no such locks")
def test_two_studies_do_not_share_a_file(kept: Path) -> None:
    holder = Checkpoint(kept)
    header = holder.header()
    assert header is not None
    holder.open(header)
    with pytest.raises(qz.InputError, match="is in use by another process"):
        small_study(checkpoint=kept)
    holder.close()
    small_study(checkpoint=kept)


def test_the_file_is_text_and_holds_no_pickle(kept: Path) -> None:
    lines = [json.loads(line) for line in kept.read_text(encoding="ascii").splitlines()]
    assert lines[0]["schema"] == "quantize.study/1"
    assert sum(line["count"] for line in lines[1:]) == 160
