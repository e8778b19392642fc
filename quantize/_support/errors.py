"""Every exception and warning that the library raises of its own accord, and their wording."""

from __future__ import annotations

import functools
import inspect
import shlex
import sys
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from types import CodeType
from typing import Any, TypeVar, cast

_MOST_NAMES, _LONGEST = 20, 40
_PACKAGE, _CACHED = Path(__file__).parents[1], functools.__file__
_INSTEAD = {
    "seed": "rng=",
    "random_state": "rng=",
    "n_jobs": "workers=",
    "keep": "checkpoint=",
    "backend": "checkpoint=",
    "offset": "model=MixtureModel(offset=...)",
    "sigma_range": "model=MixtureModel(sigma=...)",
    "integers": "model=MixtureModel(integers=...)",
}
"""What is meant by an option that there is not, where there is the one on the right."""
F = TypeVar("F", bound=Callable[..., Any])


class InputError(ValueError):
    """Something handed in cannot be used; the message names it, its value and the remedy."""


class InputTypeError(InputError, TypeError):
    """Something handed in has the wrong type; also a ``TypeError``."""


class IncompleteError(InputError):
    """Some parts of a large input could not be used; `failed` says which, the others were kept."""

    def __init__(self, message: str, failed: tuple[int, ...] = ()) -> None:
        super().__init__(message)
        self.failed = failed


class MissingDependencyError(ImportError):
    """An optional package is needed; the message names the feature and the pip line."""


class QuantizeWarning(UserWarning):
    """Base of every warning of this library, so that one filter reaches them all."""


def warn(message: str) -> None:
    """Issue a `QuantizeWarning` that points at the line outside the package that led to it."""
    frame, level = sys._getframe(), 1
    while frame.f_back is not None and _is_between(frame.f_code):
        frame, level = frame.f_back, level + 1
    warnings.warn(message, QuantizeWarning, stacklevel=level)


def _is_between(code: CodeType) -> bool:
    """Whether code is the package's, or what a cached property or a dataclass puts between."""
    made = (code.co_filename, code.co_name) == ("<string>", "__init__")
    return made or Path(code.co_filename).is_relative_to(_PACKAGE) or code.co_filename == _CACHED


def missing(feature: str, package: str) -> MissingDependencyError:
    """The error to raise when an optional `package` is absent."""
    return MissingDependencyError(
        f"{feature} needs the package {package}, which is not installed; "
        f"install it with: {pip_install(package)}"
    )


def pip_install(package: str) -> str:
    """The line that installs a package for the Python that is running."""
    return f"{shlex.quote(sys.executable or 'python')} -m pip install {package}"


def one_line(text: str) -> str:
    """Text for a message: control characters out, every run of spaces one."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def listed(names: Sequence[object]) -> str:
    """Names for a message, of very many the first, and of a very long one its beginning."""
    more = len(names) - _MOST_NAMES
    first = map(str, names[:_MOST_NAMES])
    shown = ", ".join(
        name if len(name) <= _LONGEST else name[: _LONGEST - 1] + "…" for name in first
    )
    return shown + (f" and {more} more" if more > 0 else "")


def explained(*more: type) -> Callable[[F], F]:
    """Make a function answer an option that it does not have with the one that is meant.

    `more` are typed dictionaries of the options that it hands on.
    """

    def dressed(function: F) -> F:
        every = inspect.signature(function).parameters.values()
        known = [one.name for one in every if one.kind is not one.VAR_KEYWORD]
        known += [name for kind in more for name in kind.__annotations__]

        @functools.wraps(function)
        def call(*given: Any, **options: Any) -> Any:
            for name in options:
                if name not in known:
                    raise _no_option(function.__qualname__.removesuffix(".__init__"), name, known)
            return function(*given, **options)

        return cast(F, call)

    return dressed


def _no_option(function: str, name: str, known: Sequence[str]) -> InputTypeError:
    import difflib

    meant = _INSTEAD.get(name, "")
    if meant.split("=")[0] not in known:
        close = difflib.get_close_matches(name, known, n=1)
        meant = f"{close[0]}=" if close else f"one of {listed(known)}"
    return InputTypeError(f"{function}() has no option `{one_line(name)[:_LONGEST]}`; use {meant}.")
