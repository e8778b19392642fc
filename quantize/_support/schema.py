"""What a kept dictionary says it is, and how an older one is brought up to date."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from quantize._support.errors import InputError

Step = Callable[[dict[str, Any]], dict[str, Any]]


def current(
    name: str, version: int, state: object, *, steps: Mapping[int, Step] | None = None
) -> dict[str, Any]:
    """The dictionary that ``to_dict`` of `name` wrote, as the present version would write it.

    `steps[v]` turns one of version v into one of version v + 1.

    Raises
    ------
    InputError
        For anything else, and for a version that is newer than this library.
    """
    schema = str(state.get("schema")) if isinstance(state, Mapping) else type(state).__name__
    kind, _, number = schema.rpartition("/")
    if not isinstance(state, Mapping) or kind != f"quantize.{name}" or not number.isdecimal():
        raise InputError(
            f"`state` is not what `{name}.to_dict` wrote, but {schema[:60]!r}; hand that in."
        )
    found = dict(state)
    if int(number) > version:
        raise InputError(
            f"`state` has the schema {schema[:60]!r}, which a newer version of this library wrote; "
            f"this one reads up to 'quantize.{name}/{version}', so bring the library up to date."
        )
    for old in range(int(number), version):
        if steps is None or old not in steps:
            raise InputError(
                f"`state` has the schema {schema!r}, which is no longer read; "
                "read it with the version of the library that wrote it."
            )
        found = steps[old](found)
    return found


@contextlib.contextmanager
def reading(name: str) -> Iterator[None]:
    """Whatever goes wrong with an entry within the block becomes one sentence."""
    try:
        yield
    except InputError:
        raise
    except (KeyError, TypeError, ValueError, IndexError) as error:
        what = f"no entry {error}" if isinstance(error, KeyError) else str(error)
        raise InputError(
            f"`state` is not what `{name}.to_dict` wrote ({' '.join(what.split())[:200]}); "
            "hand that in."
        ) from None
