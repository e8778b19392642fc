"""Old names that still work for a while, and say what has taken their place.

The policy is in ``docs/promise.md``: an old name lives for two minor versions at least.
"""

from __future__ import annotations

import functools
import importlib
import warnings
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, ParamSpec, TypeVar

from quantize._support.errors import InputError

P = ParamSpec("P")
R = TypeVar("R")


class Moved(NamedTuple):
    """Where an old public name has gone, since which version, and with which it ends."""

    module: str
    name: str
    since: str
    until: str


def renamed_argument(
    old: str, new: str, *, since: str, until: str
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Let a function take the keyword `old` for `new`, with a warning.

    Examples
    --------
    >>> import warnings
    >>> @renamed_argument("limits", "unit_range", since="0.2", until="0.4")
    ... def width(*, unit_range):
    ...     return unit_range[1] - unit_range[0]
    >>> with warnings.catch_warnings(record=True) as seen:
    ...     warnings.simplefilter("always")
    ...     width(limits=(1, 3))
    2
    >>> print(seen[0].message)
    `limits` is called `unit_range` since 0.2; the old name goes with 0.4.
    """

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        @functools.wraps(function)
        def with_old_name(*args: P.args, **kwargs: P.kwargs) -> R:
            if old in kwargs:
                if new in kwargs:
                    raise InputError(f"`{old}` and `{new}` are one argument; give `{new}` alone.")
                warnings.warn(
                    f"`{old}` is called `{new}` since {since}; the old name goes with {until}.",
                    DeprecationWarning,
                    stacklevel=2,
                )
                kwargs[new] = kwargs.pop(old)
            return function(*args, **kwargs)

        return with_old_name

    return decorate


def moved_name(package: str, name: str, moved: Mapping[str, Moved]) -> Any:
    """The thing behind an old name of `package`, with a warning."""
    if name not in moved:
        raise AttributeError(f"module {package!r} has no attribute {name!r}")
    to = moved[name]
    warnings.warn(
        f"`{package}.{name}` is called `{package}.{to.name}` since {to.since}; "
        f"the old name goes with {to.until}.",
        DeprecationWarning,
        stacklevel=3,
    )
    return getattr(importlib.import_module(to.module), to.name)
