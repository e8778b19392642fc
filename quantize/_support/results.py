"""The base of every result: frozen, read-only, able to draw itself, to JSON and back."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import math
from collections.abc import Callable, Iterator, Mapping
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, ClassVar, Self

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.rendering import renderer
from quantize._support.validation import FloatArray

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

Step = Callable[[dict[str, Any]], dict[str, Any]]
"""From the dictionary of one version to that of the next."""


class Later(functools.partial[Any]):
    """What a field of a result may be instead of its value: the work that gives it when asked."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Result:
    """Base of the frozen results.

    Fields whose name is in `_private` stay out of `to_dict`; one that is given as `Later` is worked
    out when first looked at.
    """

    schema_version: ClassVar[int] = 1
    _private: ClassVar[tuple[str, ...]] = ()

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):
            value = getattr(self, field.name)
            if isinstance(value, Later):
                self.__dict__.setdefault("_later", {})[field.name] = self.__dict__.pop(field.name)
            elif isinstance(value, np.ndarray) and value.flags.writeable:
                frozen = value.copy()
                frozen.setflags(write=False)
                object.__setattr__(self, field.name, frozen)

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            later = self.__dict__.get("_later", {}).get(name)
            if later is None:
                raise AttributeError(f"{type(self).__name__!r} object has no attribute {name!r}")
            self.__dict__[name] = value = later()
            return value

    def _fields(self) -> dict[str, Any]:
        """The fields by name; what is not yet worked out stays so."""
        given = self.__dict__.get("_later", {}) | self.__dict__
        return {field.name: given[field.name] for field in dataclasses.fields(self)}

    def _with(self, **changes: Any) -> Self:
        """The same with other values of some fields."""
        return type(self)(**(self._fields() | changes))

    def __setstate__(self, state: dict[str, Any]) -> None:
        # A pickled array forgets that it was read-only.
        self.__dict__.update(frozen_arrays(state))

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary with stable keys; NaN and infinity become None."""
        head = {"schema": f"quantize.{type(self).__name__}/{self.schema_version}"}
        body = {
            field.name: jsonable(getattr(self, field.name))
            for field in dataclasses.fields(self)
            if field.name not in self._private and not field.name.startswith("_")
        }
        return head | body

    def plot(self, ax: Axes | None = None, **options: Any) -> Axes:
        """Draw this result on `ax`, or on a new figure; returns the axes.

        `InputError` where a result has no picture.
        """
        drawn: Axes = renderer("plot", self)(self, ax=ax, **options)
        return drawn

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self._headline()}>"

    def _headline(self) -> str:
        return ""

    def __str__(self) -> str:
        text: str = renderer("text", self)(self)
        return text

    def _repr_html_(self) -> str:
        html: str = renderer("html", self)(self)
        return html


class NormalUnit:
    """Of a result whose unit has a normal error."""

    unit: float
    unit_err: float

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Normal interval for the unit, one row (low, high)."""
        half = NormalDist().inv_cdf(0.5 + validation.fraction("prob", prob) / 2) * self.unit_err
        return np.array([[self.unit - half, self.unit + half]])


def taken(source: Any, *names: str) -> dict[str, Any]:
    """Fields of another result, by name, for one that has them as well."""
    return {name: getattr(source, name) for name in names}


def frozen_arrays(state: dict[str, Any]) -> dict[str, Any]:
    """What an object is made of, its arrays read-only."""
    for value in state.values():
        if isinstance(value, np.ndarray):
            value.setflags(write=False)
    return state


def jsonable(value: Any) -> Any:
    """The nearest thing that JSON can hold."""
    if isinstance(value, Result):
        return value.to_dict()
    if isinstance(value, dict):
        return {str(key): jsonable(item) for key, item in value.items()}
    if hasattr(value, "to_dict") and hasattr(value, "columns"):
        return _frame_records(value)
    if isinstance(value, np.ndarray):
        return jsonable(value.tolist())
    if isinstance(value, np.generic):
        return jsonable(value.item())
    if isinstance(value, (list, tuple)):
        return [jsonable(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        if hasattr(value, "to_dict"):
            return value.to_dict()
        return {f.name: jsonable(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    return str(value)


def _frame_records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    columns = {str(name): frame[name].tolist() for name in frame.columns}
    return [
        {name: jsonable(values[i]) for name, values in columns.items()} for i in range(len(frame))
    ]


def up_to_date(
    name: str, version: int, state: object, *, steps: Mapping[int, Step] | None = None
) -> dict[str, Any]:
    """The dictionary that ``to_dict`` of `name` wrote, as the present version would write it.

    `steps[v]` turns one of version v into one of version v + 1.

    `InputError` for anything else, and for a version that is newer than this library.
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
def reading_back(name: str) -> Iterator[None]:
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
