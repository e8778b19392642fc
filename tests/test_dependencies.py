"""What is installed with the package: each dependency has its reason on the page, and a licence."""

from __future__ import annotations

import importlib.metadata
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PAGE = (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8")
PERMISSIVE = re.compile(
    r"\bBSD|\bMIT\b|Apache|\bPSF\b|Python Software Foundation|\bISC\b|\b0BSD\b"
    r"|HPND|CC0|Unlicense|zlib",
    re.IGNORECASE,
)
COPYLEFT = re.compile(r"(?<!L)\bA?GPL|\bMPL\b|Mozilla", re.IGNORECASE)
OF_ITS_FILES = {"tqdm"}
"""Under a licence that asks for the source of changed copies of some files, as the page says."""


def name_of(requirement: str) -> str:
    found = re.match(r"[\w.-]+", requirement)
    assert found
    return re.sub(r"[-_.]+", "-", found[0]).lower()


def runtime_tree() -> list[str]:
    """Every distribution that a plain installation brings along."""
    found: list[str] = []
    waiting = [name_of(r) for r in PROJECT["dependencies"]]
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        try:
            needs = importlib.metadata.requires(name) or []
        except importlib.metadata.PackageNotFoundError:
            continue  # for another platform or Python
        found.append(name)
        waiting += [name_of(r) for r in needs if "extra ==" not in r]
    return found


def licence(name: str) -> str:
    """What the metadata say, from the newest field to the oldest."""
    data = importlib.metadata.metadata(name)
    kinds = [k for k in data.get_all("Classifier") or [] if k.startswith("License ::")]
    return " ".join(
        [data.get("License-Expression") or "", (data.get("License") or "")[:200], *kinds]
    )


@pytest.mark.parametrize("name", runtime_tree())
def test_a_permissive_licence(name: str) -> None:
    said = licence(name)
    assert PERMISSIVE.search(said), f"{name}: {said!r}"
    if name in OF_ITS_FILES:
        assert "MPL-2.0" in said
        assert re.search(rf"`{name}` are under the Mozilla Public License", PAGE)
        return
    assert not COPYLEFT.search(said), f"{name}: {said!r}"


def test_the_tree_is_all_there() -> None:
    assert {"numpy", "scipy", "pandas", "emcee", "arviz", "matplotlib"} <= set(runtime_tree())


@pytest.mark.parametrize(
    "requirement",
    PROJECT["dependencies"]
    + [r for extra in ("large", "cluster") for r in PROJECT["optional-dependencies"][extra]],
)
def test_every_dependency_has_its_reason(requirement: str) -> None:
    assert re.search(rf"^\| `{name_of(requirement)}` \|", PAGE, re.MULTILINE), requirement


def test_nothing_is_required_that_is_not_imported() -> None:
    source = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "quantize").rglob("*.py"))
    for requirement in PROJECT["dependencies"]:
        name = name_of(requirement)
        if name == "h5netcdf":
            continue  # the engine through which xarray writes netCDF; named, never imported
        assert re.search(rf"(?:import|from|import_module\(\")\s*\"?{name}\b", source), name


def test_the_conda_recipe_asks_for_the_same() -> None:
    yaml = pytest.importorskip("yaml")
    recipe = yaml.safe_load((ROOT / "docs" / "recipe.yaml").read_text(encoding="utf-8"))
    renamed = {"matplotlib-base": "matplotlib"}
    wanted = [f"python{PROJECT['requires-python']}", *PROJECT["dependencies"]]
    given = [line.split(" ", 1) for line in recipe["requirements"]["run"]]
    assert [renamed.get(name, name) + bound for name, bound in given] == wanted
    assert recipe["context"]["version"] == PROJECT["version"]
    assert recipe["about"]["license"] == PROJECT["license"]
    assert recipe["about"]["summary"] == PROJECT["description"]
    [entry] = recipe["build"]["python"]["entry_points"]
    assert entry == "quantize = " + PROJECT["scripts"]["quantize"]
