"""The same bits from threads, forked and spawned processes, and in any surroundings."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from every_answer import PAGE, everything

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def alone() -> list[str]:
    return [everything(seed) for seed in range(3)]


def test_threads_at_once(alone: list[str]) -> None:
    settings = np.geterr()
    np.random.seed(7)  # noqa: NPY002  (the global state must not be touched)
    before = np.random.get_state()[1].tolist()  # noqa: NPY002
    with ThreadPoolExecutor(3) as pool:
        assert list(pool.map(everything, range(3))) == alone
    assert np.geterr() == settings
    assert np.random.get_state()[1].tolist() == before  # noqa: NPY002


@pytest.mark.parametrize("method", multiprocessing.get_all_start_methods())
@pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning")
def test_processes(method: str, alone: list[str]) -> None:
    context = multiprocessing.get_context(method)
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        assert list(pool.map(everything, range(2))) == alone[:2]


SURROUNDINGS = {
    "no locale": {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    "a locale that is not there": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "a time zone half an hour off": {"TZ": "Asia/Kolkata"},
    "another order of hashes": {"PYTHONHASHSEED": "4711"},
    "two threads for linear algebra": {"OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2"},
    "no home": {"HOME": "/nowhere", "XDG_CACHE_HOME": "/nowhere", "MPLCONFIGDIR": "/nowhere"},
}


def surrounded(*names: str) -> dict[str, str]:
    """The environment with all of these."""
    changes = [SURROUNDINGS[name].items() for name in names]
    return {**os.environ, **dict(change for one in changes for change in one)}


def test_surroundings(alone: list[str], tmp_path: Path) -> None:
    everywhere = surrounded(*SURROUNDINGS)
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parents[1] / 'helpers')!r})\n"
        "from every_answer import everything\n"
        "sys.stdout.write(everything(0))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=everywhere,
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == alone[0]


@pytest.mark.parametrize("names", [("no locale", "no home"), ("a locale that is not there",)])
def test_files_with_letters_of_other_alphabets(names: tuple[str, ...], tmp_path: Path) -> None:
    page = tmp_path / "käse.csv"
    page.write_text("Größe;Tröpfchen\n" + "\n".join(f"{x};ä" for x in PAGE), encoding="utf-8")
    code = "from quantize.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "analyze", page.name, "--json"],
        env=surrounded(*names),
        capture_output=True,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["schema"].startswith("quantize.")
