"""The file of a run: readable by others, refused when it is of another run, never lost."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import emcee
import h5py
import numpy as np
import pytest
from two_modes import BAND, SIGMA, VALUES

import quantize as qz
from quantize.sampling.sample import sample_mixture


def sample(file: Any, readings: Any = VALUES, band: Any = BAND, **options: Any) -> Any:
    given = {"draws": 40, "chains": 2, "rng": 4, "sigma_range": SIGMA} | options
    return sample_mixture(readings, band, backend=file, **given)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("store") / "run.h5"
    sample(file)
    return file


def test_emcee_reads_the_file(kept: Path) -> None:
    # emcee's own reader of its HDF5 layout.
    backend = emcee.backends.HDFBackend(str(kept), name="ensemble_1", read_only=True)
    assert backend.shape == (100, 1)
    chain = backend.get_chain()
    assert chain.shape == (backend.iteration, 100, 1)
    assert np.log(BAND[0]) <= chain.min() <= chain.max() <= np.log(BAND[1])
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
        ({"band": (0.6, 4.1)}, r"unit_range is \[0\.6, 4\.0\] in the file and \[0\.6, 4\.1\] now"),
        ({"sigma_range": 0.2}, r"model\.sigma is 0\.3 in the file and 0\.2 now"),
        ({"sigma_range": None}, r"model\.sigma is 0\.3 in the file and None now"),
        ({"offset": 0.1}, r"model\.offset is zero in the file and 0\.1 now"),
        ({"chains": 3}, "chains is 2 in the file and 3 now"),
    ],
)
def test_a_file_of_another_run_is_refused_and_left_alone(
    kept: Path, changes: dict[str, Any], sentence: str
) -> None:
    before = kept.read_bytes()
    with pytest.raises(qz.InputError, match=sentence) as raised:
        sample(kept, **changes)
    assert str(raised.value).count(". ") == 1
    assert "samples were left as they are" in str(raised.value)
    assert kept.read_bytes() == before


def test_a_truncated_file_is_refused_and_left_alone(kept: Path, tmp_path: Path) -> None:
    short = tmp_path / "short.h5"
    short.write_bytes(kept.read_bytes()[:-3000])
    before = short.read_bytes()
    with pytest.raises(qz.InputError, match=r"`backend` .* is cut short or not a file of samples"):
        sample(short)
    assert short.read_bytes() == before


def test_files_of_another_kind_are_refused_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("12.5 divisions\n", encoding="utf-8")
    with pytest.raises(qz.InputError, match="cut short or not a file of samples"):
        sample(text)
    assert text.read_text(encoding="utf-8") == "12.5 divisions\n"
    other = tmp_path / "other.h5"
    with h5py.File(other, "w") as file:
        file["temperature"] = [20.0]
    with pytest.raises(qz.InputError, match="is a file of another kind"):
        sample(other)
    with h5py.File(other) as file:
        assert file["temperature"][0] == 20.0


def test_a_folder_that_is_missing_is_named(tmp_path: Path) -> None:
    with pytest.raises(
        qz.InputError, match=r"`backend` is .*and there is no folder '.*nowhere'; m"
    ):
        sample(tmp_path / "nowhere" / "run.h5")
    with pytest.raises(qz.InputError, match="`backend` is 3; give the name of a file"):
        sample(3)


def test_a_crash_while_saving_leaves_the_older_samples(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "run.h5"
    file.write_bytes(kept.read_bytes())

    def crash(*_: Any) -> None:
        raise OSError("disk full")

    with monkeypatch.context() as patch:
        patch.setattr("quantize.sampling.store._append", crash)
        with pytest.raises(OSError, match="disk full"):
            sample(file, draws=300)
    assert file.read_bytes() == kept.read_bytes()
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.skipif(sys.platform == "win32", reason="no limits on the size of files")
def test_a_full_disk_leaves_the_older_samples(kept: Path, tmp_path: Path) -> None:
    import resource

    file = tmp_path / "run.h5"
    file.write_bytes(kept.read_bytes())
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    for limit in (1000, file.stat().st_size + 1000):
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
            with pytest.raises(qz.InputError, match=r"`backend` is .*, which cannot be written \("):
                sample(file, draws=300)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert file.read_bytes() == kept.read_bytes()
        assert list(tmp_path.iterdir()) == [file]


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and modes are those of POSIX")
def test_a_link_stays_a_link_and_a_pipe_is_refused(kept: Path, tmp_path: Path) -> None:
    real, link, pipe = (tmp_path / name for name in ("real.h5", "link.h5", "pipe.h5"))
    real.write_bytes(kept.read_bytes())
    real.chmod(0o600)
    link.symlink_to(real)
    sample(link, draws=300)
    assert link.is_symlink()
    assert real.stat().st_size > kept.stat().st_size
    assert real.stat().st_mode & 0o777 == 0o600
    os.mkfifo(pipe)
    with pytest.raises(qz.InputError, match="which is no file; give the name of a file"):
        sample(pipe)
    assert pipe.is_fifo()
