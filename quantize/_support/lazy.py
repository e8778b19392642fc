"""Names of a package that load on first use, and one sentence where a name has moved."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping


def lazily(
    package: str, home: Mapping[str, str], moved: Mapping[str, str] | None = None
) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    """``__getattr__`` and ``__dir__`` of a package whose names have their homes in its modules.

    A home that is the name itself, behind a dot, is a module. `moved` says of names that there
    were what to write now.
    """
    names = vars(sys.modules[package])

    def find(name: str) -> object:
        if name in home:
            module = importlib.import_module(home[name])
            value = module if home[name] == f"{package}.{name}" else getattr(module, name)
            names[name] = value
            return value
        said = f"module {package!r} has no attribute {name!r}"
        if moved is not None and name in moved:
            said = f"`{package}.{name}` has moved; write {moved[name]}."
        raise AttributeError(said)

    return find, lambda: sorted({*names, *home})
