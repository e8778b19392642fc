"""Each optional package hidden in turn, and all of them, in a process of its own.

The main job must not notice; a call that needs the package says what to install; where another way
exists, it is taken and gives the same.
"""

from __future__ import annotations

import functools
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]
NEEDED: dict[str, list[str]] = {
    "pyarrow": ["readings.parquet", "run.parquet", "stream"],
    "dask": ["cluster"],
    "distributed": [],
    "finufft": [],
}
"""The calls that need each package."""
IMPLIED = "cloudpickle"
"""Used where it is there; it comes with dask, which does not start without it."""
PROGRAM = '''
import importlib, importlib.resources, importlib.util, json, pkgutil, sys

hidden, folder = set(sys.argv[1].split(",")), sys.argv[2]


class Blind:
    """A finder that does not see the hidden packages."""

    def __init__(self, finder):
        self.finder = finder

    def __getattr__(self, name):
        return getattr(self.finder, name)

    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] not in hidden:
            return self.finder.find_spec(name, path, target)


sys.meta_path[:] = [Blind(finder) for finder in sys.meta_path]
import quantize as qz
from quantize import charge

if len(hidden) > 1:
    for module in pkgutil.walk_packages(qz.__path__, "quantize."):
        importlib.import_module(module.name)
data = importlib.resources.files("quantize.data")
page = qz.read_readings(data / "thirteen_charges.csv")
run = charge.read_run(data / "invented_run.csv", data / "invented_apparatus.toml")
many = [float(x) for x in page.values for _ in range(300)]


def spectrum():
    return qz.counts.Spectrum((0.0, 100.0), (2.0, 20.0))


def collection():
    if "dask" in hidden:
        return []
    import dask.array
    return dask.array.from_array(page.values, chunks=5)


def answer(call):
    try:
        call()
    except qz.MissingDependencyError as error:
        return str(error)
    return "works"


print(json.dumps({
    "seen": sorted(hidden & {name.split(".")[0] for name in sys.modules}),
    "unit": qz.fit_comb(page, (3.0, 8.0)).unit,
    "evidence": qz.fit_mixture(page, (3.0, 8.0)).log_bayes_factor,
    "divisions": float(run.readings().values.sum()),
    "power": float(spectrum().update(many).power.max()),
    "calls": {
        "readings.xlsx": answer(lambda: qz.read_readings(f"{folder}/page.xlsx")),
        "readings.parquet": answer(lambda: qz.read_readings(f"{folder}/page.parquet")),
        "run.xlsx": answer(lambda: charge.read_run(f"{folder}/page.xlsx")),
        "run.parquet": answer(lambda: charge.read_run(f"{folder}/page.parquet")),
        "stream": answer(lambda: spectrum().read_parquet(f"{folder}/page.parquet", "div")),
        "cluster": answer(lambda: spectrum().add_dask(collection())),
    },
}))
'''


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One page as a workbook and as parquet."""
    where = tmp_path_factory.mktemp("pages")
    frame = pd.DataFrame({"div": [10.1, 19.9, 30.2, 50.1, 69.8]})
    frame.to_excel(where / "page.xlsx", index=False)
    frame.to_parquet(where / "page.parquet")
    return where


@functools.cache
def without(names: str, folder: Path) -> dict[str, Any]:
    """What a process finds in which some packages cannot be imported."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, names, str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_every_optional_package_is_on_the_list() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = {
        re.match(r"[\w-]+", line).group()  # type: ignore[union-attr]
        for extra in ("large", "cluster")
        for line in project["optional-dependencies"][extra]
    }
    assert named == set(NEEDED)


@pytest.mark.parametrize("name", [*NEEDED, "all"])
def test_without_a_package(name: str, folder: Path) -> None:
    hidden = [*NEEDED, IMPLIED] if name == "all" else [name]
    found, whole = without(",".join(hidden), folder), without("none_such", folder)
    assert found["seen"] == []
    for number in ("unit", "evidence", "divisions"):
        assert found[number] == whole[number], number
    # Without finufft the sums are made another way, to the accuracy that is promised for both.
    assert found["power"] == pytest.approx(whole["power"], rel=1e-6)
    needed = {call: package for package in NEEDED if package in hidden for call in NEEDED[package]}
    for call, answer in found["calls"].items():
        if call in needed:
            assert answer.endswith(f"-m pip install {needed[call]}"), call
        else:
            assert answer == "works", call
    assert set(whole["calls"].values()) == {"works"}
