"""Which function is meant, and whether it is still the same one."""

from __future__ import annotations

import functools
import hashlib
import inspect
import types
from typing import Any


def name_of(function: Any) -> str:
    """The short name of a callable."""
    if isinstance(function, functools.partial):
        return name_of(function.func)
    return str(getattr(function, "__name__", type(function).__name__))


def fingerprint(function: Any) -> str:
    """Name of a callable and, unless it belongs to this library, a digest of its code.

    The digest changes with the instructions and constants of the function itself, and with the
    arguments of a partial; it does not see what the function calls.

    Examples
    --------
    >>> import quantize as qz
    >>> fingerprint(qz.fit_comb)
    'quantize.comb.least_squares:fit_comb'
    """
    if isinstance(function, functools.partial):
        given = repr((function.args, sorted(function.keywords.items())))
        return f"{fingerprint(function.func)} with {_digest(given)}"
    module = str(getattr(function, "__module__", ""))
    name = f"{module}:{getattr(function, '__qualname__', type(function).__qualname__)}"
    if module.startswith("quantize."):
        return name
    code = getattr(function, "__code__", None)
    if code is None:
        code = getattr(inspect.getattr_static(type(function), "__call__", None), "__code__", None)
        name += f" {vars(function)!r}" if hasattr(function, "__dict__") else ""
    return name if code is None else f"{name} {_digest(_text(code))}"


def _text(code: types.CodeType) -> str:
    constants = [
        _text(item) if isinstance(item, types.CodeType) else repr(item) for item in code.co_consts
    ]
    return repr((code.co_code.hex(), code.co_names, constants))


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]
