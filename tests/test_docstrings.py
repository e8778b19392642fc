"""Docstrings against what they describe: names and order of parameters, exceptions, sections.

The house promises them of everything in ``__all__`` (see ``DEVELOPERS.md``): functions and classes
with parameters, what is returned, what is raised and an example; methods that are more than one
line of prose tell all their parameters too.
"""

from __future__ import annotations

import builtins
import importlib
import inspect
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import quantize as qz
from quantize import charge, studies

PACKAGES = (qz, charge, qz.counts, qz.model, qz.null, studies)
WITHOUT_EXAMPLE = {
    "quantize.charge.run_analysis.RunAnalysis": "made and shown in docs/howto/own-bench.md",
    "quantize.charge.coulombs.UnitInCoulombs": "made and shown by `unit_in_coulombs`",
    "quantize.studies.SimulatedReadings": "made and shown by `simulate_readings`",
    "quantize.studies.Truth": "made and shown by `simulate_readings`",
    "quantize.studies.Comparison": "made and shown by `compare_estimators`",
    "quantize.studies.Plan": "made and shown by `plan`",
}


def sections(text: str) -> dict[str, list[str]]:
    """The lines of each underlined section; those before the first under ""."""
    found: dict[str, list[str]] = {"": []}
    name, lines = "", inspect.cleandoc(text).splitlines()
    for line, after in zip(lines, [*lines[1:], ""], strict=True):
        if line and re.fullmatch(r"-{3,}", after) and len(after) == len(line):
            name = line
            found[name] = []
        elif not re.fullmatch(r"-{3,}", line):
            found[name].append(line)
    return found


def entries(lines: list[str]) -> list[str]:
    """The names that head the entries of a section, several to a line if need be."""
    heads = [line for line in lines if line and not line.startswith(" ")]
    return [name.strip().lstrip("*") for head in heads for name in head.split(" :")[0].split(",")]


def parameters(thing: Any) -> list[str]:
    """Names in the signature, in order."""
    return [name for name in inspect.signature(thing).parameters if name not in ("self", "cls")]


def public() -> Iterator[tuple[str, Any]]:
    """Functions and classes that are public, without exceptions and constants."""
    places = [(package, name) for package in PACKAGES for name in package.__all__]
    for name, module in charge._PIECES.items():
        places.append((importlib.import_module(f"quantize.charge.{module}"), name))
    for package, name in places:
        thing = getattr(package, name)
        error = inspect.isclass(thing) and issubclass(thing, BaseException)
        if (inspect.isfunction(thing) or inspect.isclass(thing)) and not error:
            yield f"{package.__name__}.{name}", thing


def methods() -> Iterator[tuple[str, Any]]:
    """Public methods that are written in the package, each once."""
    seen = set()
    for name, thing in public():
        if not inspect.isclass(thing):
            continue
        for key, value in inspect.getmembers(thing):
            value = inspect.unwrap(value) if callable(value) else value
            if key.startswith("_") or not (inspect.isfunction(value) or inspect.ismethod(value)):
                continue
            if value.__module__.startswith("quantize") and value.__qualname__ not in seen:
                seen.add(value.__qualname__)
                yield f"{name}.{key}", value


FUNCTIONS = [(name, thing) for name, thing in public() if inspect.isfunction(thing)]
CLASSES = [(name, thing) for name, thing in public() if inspect.isclass(thing)]
METHODS = list(methods())
EVERY = [*FUNCTIONS, *CLASSES, *METHODS]


def check_all(check: Callable[[str, Any], None], pairs: list[tuple[str, Any]]) -> None:
    """One test a check: all that fail are told together."""
    wrong = {}
    for name, thing in pairs:
        try:
            check(name, thing)
        except AssertionError as error:
            wrong[name] = str(error) or "see the check"
    assert wrong == {}


def test_the_list_is_not_empty() -> None:
    assert len(FUNCTIONS) > 20
    assert len(CLASSES) > 20
    assert len(METHODS) > 50


def parameters_are_those_of_the_signature(name: str, thing: Any) -> None:
    assert thing.__doc__, f"{name} has no docstring"
    found = sections(thing.__doc__)
    if inspect.isclass(thing) and "Parameters" not in found:
        told = entries(found.get("Attributes", []))
        fields = set(parameters(thing))
        # Results are made by the library: what they hold stands under Attributes.
        assert set(told) <= fields | set(dir(thing)), set(told) - fields - set(dir(thing))
        return
    if "Parameters" in found:
        assert entries(found["Parameters"]) == parameters(thing)
    else:
        assert not parameters(thing) or len(found[""]) <= 6, f"{name} tells no parameters"


def what_is_raised_exists(name: str, thing: Any) -> None:
    for error in entries(sections(thing.__doc__).get("Raises", [])):
        kind = getattr(qz, error, None) or getattr(builtins, error, None)
        assert inspect.isclass(kind), error
        assert issubclass(kind, BaseException), error


def functions_say_what_they_return_and_show_it(name: str, thing: Any) -> None:
    found = sections(thing.__doc__)
    if thing.__annotations__.get("return") not in (None, "None"):
        assert "Returns" in found
    assert ">>>" in thing.__doc__ or name in WITHOUT_EXAMPLE


def classes_show_how_they_are_used(name: str, thing: Any) -> None:
    assert ">>>" in thing.__doc__ or name in WITHOUT_EXAMPLE


def test_parameters_are_those_of_the_signature() -> None:
    check_all(parameters_are_those_of_the_signature, EVERY)


def test_what_is_raised_exists() -> None:
    check_all(what_is_raised_exists, EVERY)


def test_functions_say_what_they_return_and_show_it() -> None:
    check_all(functions_say_what_they_return_and_show_it, FUNCTIONS)


def test_classes_show_how_they_are_used() -> None:
    check_all(classes_show_how_they_are_used, CLASSES)


def test_every_fault_is_told() -> None:
    def wrong(first: int) -> None:
        """One line.

        Parameters
        ----------
        second : int

        Raises
        ------
        NoSuchError
        """

    with pytest.raises(AssertionError, match=r"\{'a': [^}]*'b': "):
        check_all(parameters_are_those_of_the_signature, [("a", wrong), ("b", wrong)])
    with pytest.raises(AssertionError, match="NoSuchError"):
        check_all(what_is_raised_exists, [("a", wrong)])


def seed_is_answered_with_rng(name: str, thing: Any) -> None:
    every = inspect.signature(thing).parameters
    handed_on = any(p.kind is p.VAR_KEYWORD and p.annotation == "Any" for p in every.values())
    if "rng" in every and every["rng"].default is not inspect.Parameter.empty and not handed_on:
        with pytest.raises(qz.InputTypeError, match=r"\(\) has no option `seed`; use rng=\.$"):
            thing(seed=1)


def test_whoever_gives_a_seed_is_told_of_rng() -> None:
    constructors = [(name, thing) for name, thing in CLASSES if "rng" in parameters(thing)]
    dressed = {f"{n}.{k}": f for n, c in CLASSES for k, f in vars(c).items() if k[0] != "_"}
    functions = [(name, f) for name, f in dressed.items() if inspect.isfunction(f)]
    pairs = [*FUNCTIONS, *constructors, *functions]
    check_all(seed_is_answered_with_rng, pairs)
    assert sum("rng" in parameters(thing) for _, thing in pairs) > 15
