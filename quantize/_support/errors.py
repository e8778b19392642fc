"""Every exception and warning that the library raises of its own accord, and their wording."""

from __future__ import annotations

import shlex
import sys
import warnings
from collections.abc import Sequence

_MOST_NAMES, _LONGEST = 20, 40


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


def warn(message: str, *, stacklevel: int = 2) -> None:
    """Issue a `QuantizeWarning` that points at the caller of the public function."""
    warnings.warn(message, QuantizeWarning, stacklevel=stacklevel + 1)


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
