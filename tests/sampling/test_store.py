"""The file of a run: readable by others, refused when it is of another run, never lost."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import emcee
import h5py
import numpy as np
import pytest
from two_modes import SIGMA, UNIT_RANGE, VALUES

import quantize as qz
from quantize.sampling.sample import sample_mixture
from quantize.sampling.store import Store

KNOWN = qz.MixtureModel(sigma=SIGMA)


def sample(file: Any, readings: Any = VALUES, unit_range: Any = UNIT_RANGE, **options: Any) -> Any:
    given = {"draws": 40, "chains": 2, "rng": 4, "model": KNOWN} | options
    return sample_mixture(readings, unit_range, checkpoint=file, **given)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("store") / "run.h5"
    sample(file)
    return file


@pytest.fixture(scope="module")
def whole() -> Any:
    """A longer run, kept nowhere."""
    return sample(None, draws=2500)


def test_emcee_reads_the_file(kept: Path) -> None:
    # emcee's own reader of its HDF5 layout.
    backend = emcee.backends.HDFBackend(str(kept), name="ensemble_1", read_only=True)
    assert backend.shape == (100, 1)
    chain = backend.get_chain()
    assert chain.shape == (backend.iteration, 100, 1)
    assert np.log(UNIT_RANGE[0]) <= chain.min() <= chain.max() <= np.log(UNIT_RANGE[1])
    assert len(backend.random_state) == 5


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        (
            {"readings": [*VALUES[:-1], 0.3]},
            r"readings\.values, entry 9, is -0\.31 in the file and 0\.3 now",
        ),
        (
            {"readings": VALUES[:-1]},
            r"readings\.values is a list of 10 in the file and a list of 9 now",
        ),
        (
            {"unit_range": (0.6, 4.1)},
            r"unit_range is \[0\.6, 4\.0\] in the file and \[0\.6, 4\.1\] now",
        ),
        ({"model": qz.MixtureModel(sigma=0.2)}, r"model\.sigma is 0\.3 in the file and 0\.2 now"),
        ({"model": qz.MixtureModel()}, r"model\.sigma is 0\.3 in the file and None now"),
        (
            {"model": qz.MixtureModel(sigma=SIGMA, offset=0.1)},
            r"model\.offset is zero in the file and 0\.1 now",
        ),
        ({"chains": 3}, "chains is 2 in the file and 3 now"),
        ({"rng": 99}, "`rng` is seed 4, child 0 in the file and seed 99, child 0 now"),
    ],
)
def test_a_file_of_another_run_is_refused_and_left_alone(
    kept: Path, changes: dict[str, Any], sentence: str
) -> None:
    before = kept.read_bytes()
    with pytest.raises(qz.InputError, match=sentence) as raised:
        sample(kept, **changes)
    assert is_one_sentence(raised)
    assert "; nothing in it was changed, so " in str(raised.value)
    assert kept.read_bytes() == before
    assert list(kept.parent.iterdir()) == [kept]


def is_one_sentence(raised: pytest.ExceptionInfo[qz.InputError]) -> bool:
    return ". " not in str(raised.value) and str(raised.value).endswith(".")


def test_without_a_seed_a_run_goes_on_with_that_of_the_file(kept: Path, tmp_path: Path) -> None:
    file = tmp_path / "run.h5"
    file.write_bytes(kept.read_bytes())
    again = sample(file, rng=None)
    assert again.settings["seed"] == {"entropy": 4, "spawn_key": [0]}
    np.testing.assert_array_equal(again.kept, sample(file).kept)


def test_a_truncated_file_is_refused_and_left_alone(kept: Path, tmp_path: Path) -> None:
    short = tmp_path / "short.h5"
    whole = kept.read_bytes()
    for size in (len(whole) - 1, len(whole) - 3000, 600, 200, 40):
        short.write_bytes(whole[:size])
        with pytest.raises(
            qz.InputError, match=r"`checkpoint` .* is cut short or damaged"
        ) as raised:
            sample(short)
        assert is_one_sentence(raised)
        assert short.read_bytes() == whole[:size]


def test_a_garbled_copy_is_refused_wherever_the_wrong_bit_is(kept: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.h5"
    whole = kept.read_bytes()
    for place in [30, 513, *np.linspace(600, len(whole) - 1, 12).astype(int)]:
        garbled = bytearray(whole)
        garbled[place] ^= 4
        copy.write_bytes(garbled)
        with pytest.raises(qz.InputError, match="its contents do not match their checksum"):
            sample(copy)
        assert copy.read_bytes() == garbled


def test_files_of_another_kind_are_refused_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("12.5 divisions\n", encoding="utf-8")
    with pytest.raises(qz.InputError, match="is not a file of samples") as raised:
        sample(text)
    assert is_one_sentence(raised)
    assert text.read_text(encoding="utf-8") == "12.5 divisions\n"
    other = tmp_path / "other.h5"
    with h5py.File(other, "w") as file:
        file["temperature"] = [20.0]
    with pytest.raises(qz.InputError, match="is not a file of samples"):
        sample(other)
    with h5py.File(other) as file:
        assert file["temperature"][0] == 20.0


@pytest.mark.parametrize("inside", ["no HDF5", "no header", "5", '{"described": {}}', "[" * 99_999])
def test_a_file_with_the_right_checksum_and_nothing_of_ours_inside(
    tmp_path: Path, inside: str
) -> None:
    image = io.BytesIO(bytes(1000) if inside == "no HDF5" else b"")
    if inside != "no HDF5":
        with h5py.File(image, "w", userblock_size=512) as file:
            if inside != "no header":
                file.attrs.create("header", inside.encode()[:60_000])
    body = bytearray(image.getvalue())
    text = b"quantize samples, 2, sha256 " + hashlib.sha256(body[512:]).hexdigest().encode()
    body[: len(text) + 1] = text + b"\n"
    forged = tmp_path / "forged.h5"
    forged.write_bytes(body)
    with pytest.raises(qz.InputError, match="is not a file of samples") as raised:
        sample(forged)
    assert is_one_sentence(raised)
    assert forged.read_bytes() == body


def test_a_folder_that_is_missing_is_named(tmp_path: Path) -> None:
    with pytest.raises(
        qz.InputError, match=r"`checkpoint` is .*and there is no folder '.*nowhere'; m"
    ):
        sample(tmp_path / "nowhere" / "run.h5")
    with pytest.raises(qz.InputError, match="`checkpoint` is 3; give the name of a file"):
        sample(3)


def test_a_part_that_a_crash_left_is_not_taken_for_the_run(kept: Path, tmp_path: Path) -> None:
    file = tmp_path / "run.h5"
    other = sample(tmp_path / "other.h5", rng=5)
    stale = (tmp_path / "other.h5").read_bytes()
    parts = [tmp_path / name for name in ("run.h5.part", ".run.h5.part", ".0123456789ab.part")]
    for part in parts:
        part.write_bytes(stale)
    found = sample(file)
    assert not np.array_equal(found.kept, other.kept)
    assert file.read_bytes() == kept.read_bytes()
    assert all(part.read_bytes() == stale for part in parts)


def test_a_crash_while_saving_leaves_the_older_samples(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "run.h5"
    file.write_bytes(kept.read_bytes())

    def crash(*_: Any) -> None:
        raise MemoryError("no room")

    with monkeypatch.context() as patch:
        patch.setattr("quantize.sampling.store._write", crash)
        with pytest.raises(MemoryError, match="no room"):
            sample(file, draws=2500)
    assert file.read_bytes() == kept.read_bytes()
    assert list(tmp_path.iterdir()) == [file]


@contextlib.contextmanager
def no_file_above(size: int) -> Iterator[None]:
    """No file can grow above this size, as on a full disk."""
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        # Before the test ends: what it prints may go to a file, too.
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.slow
def test_on_a_full_disk_the_run_goes_on_and_the_older_samples_stay(
    kept: Path, whole: Any, tmp_path: Path
) -> None:
    file = tmp_path / "run.h5"
    file.write_bytes(kept.read_bytes())
    for limit in (1000, file.stat().st_size + 1000):
        with no_file_above(limit), pytest.warns(qz.QuantizeWarning, match=FULL) as warned:
            found = sample(file, draws=2500)
        assert len(warned) == 1
        assert warned[0].filename == __file__
        np.testing.assert_array_equal(found.kept, whole.kept)
        assert file.read_bytes() == kept.read_bytes()
        assert list(tmp_path.iterdir()) == [file]


FULL = (
    r"^`checkpoint` is '.*run\.h5', which cannot be written \(File too large\); it keeps the "
    r"samples of before, and those drawn since are in the result alone until there is room\.$"
)


def test_a_disk_that_is_full_from_the_beginning_is_said_at_once(tmp_path: Path) -> None:
    refused = pytest.raises(
        qz.InputError, match=r"`checkpoint` is .*, which cannot be written \(File"
    )
    with no_file_above(1000), refused:
        sample(tmp_path / "run.h5")
    assert list(tmp_path.iterdir()) == []


HERE = os.environ | {"PYTHONPATH": str(Path(qz.__file__).parents[1])}
HELD = """
import sys
from quantize.sampling.store import Store
with Store("run.h5", {}):
    print("locked", flush=True)
    sys.stdin.read()
"""
KILLED = f"""
import os, signal, quantize as qz
from quantize._support import writing
replace, left = os.replace, [{{saves}}]
def killed(*names):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    replace(*names)
writing.os.replace = killed
options = dict(model=qz.MixtureModel(sigma={SIGMA}), draws=2500, chains=2, rng=4)
qz.sample_mixture({VALUES}, {UNIT_RANGE}, **options, checkpoint="run.h5")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="locks and signals are those of POSIX")
class TestProcesses:
    def test_two_do_not_write_one_file(self, tmp_path: Path) -> None:
        file, link = tmp_path / "run.h5", tmp_path / "link.h5"
        link.symlink_to(file)
        with subprocess.Popen(
            [sys.executable, "-c", HELD],
            cwd=tmp_path,
            env=HERE,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "locked\n"
            for name in (file, link):
                with pytest.raises(qz.InputError, match="is in use by another process") as raised:
                    sample(name)
                assert is_one_sentence(raised)
            assert not file.exists()
            other.kill()
        # The lock went with the process, though its file is still there.
        assert (tmp_path / ".run.h5.lock").exists()
        sample(file)
        assert sorted(tmp_path.iterdir()) == [link, file]

    def test_two_threads_do_not_write_one_file(self, tmp_path: Path) -> None:
        with Store(tmp_path / "run.h5", {}), pytest.raises(qz.InputError, match="is in use"):
            sample(tmp_path / "run.h5")

    @pytest.mark.slow
    def test_a_run_killed_at_any_save_goes_on_to_the_bit(self, whole: Any, tmp_path: Path) -> None:
        for saves in (0, 1):
            code = KILLED.format(saves=saves)
            done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, env=HERE)
            assert done.returncode == -signal.SIGKILL
        left = {path.name for path in tmp_path.iterdir()}
        assert {"run.h5", ".run.h5.lock"} < left  # and the parts that were not put in place
        found = sample(tmp_path / "run.h5", draws=2500)
        np.testing.assert_array_equal(found.kept, whole.kept)


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and modes are those of POSIX")
def test_a_link_stays_a_link_and_a_pipe_is_refused(kept: Path, tmp_path: Path) -> None:
    real, link, pipe = (tmp_path / name for name in ("real.h5", "link.h5", "pipe.h5"))
    real.write_bytes(kept.read_bytes())
    real.chmod(0o600)
    link.symlink_to(real)
    sample(link, draws=2500)
    assert link.is_symlink()
    assert real.stat().st_size > kept.stat().st_size
    assert real.stat().st_mode & 0o777 == 0o600
    os.mkfifo(pipe)
    with pytest.raises(qz.InputError, match="which is no file; give the name of a file"):
        sample(pipe)
    assert pipe.is_fifo()
