"""The public face: what is named, what is loaded when, and which way imports run."""

from __future__ import annotations

import ast
import importlib.metadata
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

import quantize as qz

ROOT = Path(__file__).parents[1]
PACKAGE = Path(qz.__file__).parent
MODULES = {
    "counts": ["Histogram", "Spectrum", "fit_counts"],
    "model": ["fit_two_units"],
    "null": ["analyze_counts", "height_for", "p_value_bound", "sensitivity", "without_each_state"],
}
"""What fewer readers need."""
HEAVY = ["scipy", "pandas", "matplotlib", "emcee", "arviz", "h5py", "pint", "jinja2", "click"]

NAMES = [
    "__version__",
    "charge",
    "counts",
    "model",
    "null",
    "Readings",
    "read_readings",
    "periodogram",
    "fit_comb",
    "fit_mixture",
    "sample_mixture",
    "MixtureModel",
    "IncompleteError",
    "compare_null",
    "RunningEvidence",
    "analyze",
    "analyze_groups",
    "simulate",
    "compare_estimators",
    "plan",
    "InputError",
    "InputTypeError",
    "MissingDependencyError",
    "QuantizeWarning",
]


def run(code: str) -> object:
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


def test_public_names_are_those_listed_here() -> None:
    assert sorted(qz.__all__) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_public_name_is_there_and_documented(name: str) -> None:
    thing = getattr(qz, name)
    assert name in dir(qz)
    if callable(thing):
        assert thing.__doc__
        assert thing.__module__.startswith("quantize.")


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'analyse'"):
        _ = qz.analyse  # type: ignore[attr-defined]


@pytest.mark.parametrize("module", MODULES)
def test_names_in_modules_and_what_their_old_places_say(module: str) -> None:
    package = getattr(qz, module)
    assert sorted(package.__all__) == MODULES[module]
    for name in MODULES[module]:
        thing = getattr(package, name)
        assert callable(thing)
        assert thing.__doc__
        assert name in dir(package)
        with pytest.raises(AttributeError) as refused:
            getattr(qz, name)
        sentence = f"`quantize.{name}` has moved; write quantize.{module}.{name}."
        assert str(refused.value) == sentence
        assert not hasattr(qz, name)
    with pytest.raises(AttributeError, match=f"'quantize.{module}' has no attribute 'nothing'"):
        _ = package.nothing


@pytest.mark.parametrize("name", qz.charge._PIECES)
def test_pieces_of_the_adapter_and_what_their_old_place_says(name: str) -> None:
    with pytest.raises(AttributeError, match=f"`quantize.charge.{name}` has moved; write ") as no:
        getattr(qz.charge, name)
    [line] = re.findall("`(from .*)`", str(no.value))
    got: dict[str, object] = {}
    exec(line, got)
    assert got[name].__doc__


def test_what_says_how_a_function_is_written_now() -> None:
    with pytest.raises(AttributeError) as refused:
        _ = qz.running_evidence  # type: ignore[attr-defined]
    said = re.fullmatch(r"`quantize.running_evidence` has moved; write (.*)\.", str(refused.value))
    assert said
    names = {"unit_range": (1.2, 4.0), "window": (0, 20), "readings": [2.1, 3.9, 6.0]}
    found = eval(f"qz.{said[1]}", {"qz": qz} | names)
    assert found.log_evidence.shape == (3,)


def test_dir_holds_the_lazy_names_before_they_are_loaded() -> None:
    names = run("import json, quantize; print(json.dumps(dir(quantize)))")
    assert set(qz.__all__) <= set(names)  # type: ignore[call-overload]


@pytest.mark.parametrize("package", [qz, qz.charge, qz.counts, qz.model, qz.null])
def test_type_checkers_see_the_same_names_as_the_interpreter(package: ModuleType) -> None:
    tree = ast.parse(Path(str(package.__file__)).read_text(encoding="utf-8"))
    [branch] = [
        node
        for node in tree.body
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
    ]
    seen = {
        alias.asname or alias.name
        for node in branch.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert seen == set(package.__all__) - {"__version__"}


def test_import_loads_numpy_and_nothing_heavier() -> None:
    loaded = run(
        "import json, sys, quantize; "
        f"print(json.dumps([m for m in {HEAVY + ['numpy']!r} if m in sys.modules]))"
    )
    assert loaded == ["numpy"]


def test_readings_need_numpy_alone() -> None:
    loaded = run(
        "import json, sys, quantize; quantize.Readings([1.5, 2.5]).levels(); "
        f"print(json.dumps([m for m in {HEAVY!r} if m in sys.modules]))"
    )
    assert loaded == []


def layers() -> list[str]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    [contract] = [one for one in contracts if one["type"] == "layers"]
    names: list[str] = contract["layers"]
    return [part.strip().removeprefix("quantize.") for name in names for part in name.split(":")]


def layer_of(module: str) -> str:
    return module.removeprefix("quantize.").split(".")[0]


def imported_modules(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    # Imports for type checkers alone are no imports when the code runs.
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            node.body = [ast.Pass()]
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} has a relative import"
            found.add(node.module or "")
            if node.module == "quantize":
                found |= {f"quantize.{alias.name}" for alias in node.names}
    return {name for name in found if name.startswith("quantize.")}


def test_imports_run_downwards() -> None:
    order = layers()
    files = sorted(PACKAGE.rglob("*.py"))
    assert len(files) > 10
    for path in files:
        if path == PACKAGE / "__init__.py":
            continue
        own = layer_of(".".join(path.relative_to(PACKAGE).with_suffix("").parts))
        assert own in order, f"{path} belongs to no layer"
        for module in imported_modules(path):
            below = layer_of(module)
            if below in order:
                assert order.index(below) >= order.index(own), f"{path} imports {module}"


def test_version_is_that_of_the_distribution() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert qz.__version__ == settings["project"]["version"]
    assert importlib.metadata.version("quantize-readings") == qz.__version__
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"version: {qz.__version__}" in citation.replace('"', "")


def test_the_package_is_marked_as_typed() -> None:
    assert (PACKAGE / "py.typed").exists()


def test_no_file_of_the_package_is_too_long() -> None:
    lengths = {
        path.name: len(path.read_text(encoding="utf-8").splitlines())
        for path in PACKAGE.rglob("*.py")
    }
    assert {name: n for name, n in lengths.items() if n >= 400} == {}
