"""The public face as text: names, signatures, and what each result holds.

``python tests/helpers/interface.py`` renews ``interface.json`` and the JSON Schema of the
results; what it changes is a change of the promise and belongs in the changelog.
"""

from __future__ import annotations

import dataclasses
import functools
import importlib
import inspect
import json
import pkgutil
from pathlib import Path
from typing import Any

import schemas
from one_of_each import MAKERS, one

import quantize as qz
from quantize import charge
from quantize._support.results import Result

FILE = Path(__file__).parents[1] / "promise" / "interface.json"


def signature(thing: Any) -> list[str]:
    """Names, kinds and defaults of the parameters."""
    parameters = inspect.signature(thing).parameters.values()
    return [
        f"{p.kind.description}: {p.name}"
        + ("" if p.default is p.empty else f" = {p.default!r}".replace("quantize.", ""))
        for p in parameters
        if p.name != "self"
    ]


def of_package(package: Any) -> dict[str, Any]:
    """Public names with their signatures; classes with their methods too."""
    return of({name: getattr(package, name) for name in package.__all__})


def pieces_of_charge() -> dict[str, Any]:
    """What stands in the modules of the adapter, under the same head."""
    home = {n: importlib.import_module(f"quantize.charge.{m}") for n, m in charge._PIECES.items()}
    return of({name: getattr(module, name) for name, module in home.items()})


def of(things: dict[str, Any]) -> dict[str, Any]:
    """Signatures by name."""
    found: dict[str, Any] = {}
    for name, thing in sorted(things.items()):
        if inspect.isclass(thing) and issubclass(thing, (Exception, Warning)):
            found[name] = [base.__name__ for base in thing.__mro__[1:-1]]
        elif inspect.isclass(thing):
            methods = {
                key: signature(getattr(thing, key))
                for key in sorted(dir(thing))
                if not key.startswith("_") and callable(getattr(thing, key))
            }
            found[name] = {"made with": signature(thing), "methods": methods}
        elif callable(thing):
            found[name] = signature(thing)
    return found


def results() -> dict[str, Any]:
    """The keys of every result's `to_dict`, with the types of the fields."""
    for module in pkgutil.walk_packages(qz.__path__, "quantize."):
        importlib.import_module(module.name)
    return {
        kind.__name__: {"schema": f"quantize.{kind.__name__}/{kind.schema_version}"}
        | {
            field.name: str(field.type)
            for field in dataclasses.fields(kind)
            if field.name not in kind._private and not field.name.startswith("_")
        }
        for kind in sorted(result_classes(), key=lambda kind: kind.__name__)
    }


@functools.cache
def keys() -> dict[str, list[str]]:
    """The keys of `to_dict`, from one result of every kind."""
    return {name: sorted(one(name).to_dict()) for name in sorted(MAKERS)}


def result_classes() -> list[type[Result]]:
    """Every result of the package."""
    found, waiting = [], list(Result.__subclasses__())
    while waiting:
        kind = waiting.pop()
        waiting += kind.__subclasses__()
        if kind.__module__.startswith("quantize."):
            found.append(kind)
    return found


def interface() -> dict[str, Any]:
    """All of it."""
    return {
        "quantize": of_package(qz),
        "charge": of_package(charge),
        "pieces of charge": pieces_of_charge(),
        "counts": of_package(qz.counts),
        "model": of_package(qz.model),
        "null": of_package(qz.null),
        "results": results(),
        "keys": keys(),
    }


if __name__ == "__main__":
    schemas.FILE.write_text(schemas.written(), encoding="utf-8")
    FILE.write_text(json.dumps(interface(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
