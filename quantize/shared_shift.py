"""Errors that move all readings together."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError, InputTypeError
from quantize._support.validation import (
    FloatArray,
    IntArray,
    dimensions,
    float_array,
    moderate,
    one_for_each,
    positive,
    read_only,
)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SharedShift:
    """One error that moves all readings together, such as that of a fall added to each.

    Reading i is moved by ``lever[i]`` times the shift, which has mean zero, standard uncertainty
    `error` and the law of Student's t with `degrees_of_freedom`. `also` is a second such error,
    independent of the first: that of a drift, for one.
    """

    error: float
    lever: FloatArray
    degrees_of_freedom: float = float("inf")
    also: SharedShift | None = None

    def __setstate__(self, state: dict[str, Any]) -> None:
        # A pickled array forgets that it was read-only.
        state["lever"].setflags(write=False)
        self.__dict__.update(state)

    def select(self, index: IntArray) -> SharedShift:
        """That of some readings."""
        also = None if self.also is None else self.also.select(index)
        return dataclasses.replace(self, lever=read_only(self.lever[index]), also=also)

    def scaled(self, factor: float) -> SharedShift:
        """That of the readings times a factor."""
        also = None if self.also is None else self.also.scaled(factor)
        return dataclasses.replace(self, error=self.error * factor, also=also)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary; degrees of freedom are None where there is no end of them."""
        finite = bool(np.isfinite(self.degrees_of_freedom))
        return {
            "error": self.error,
            "lever": self.lever.tolist(),
            "degrees_of_freedom": self.degrees_of_freedom if finite else None,
            "also": None if self.also is None else self.also.to_dict(),
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> SharedShift:
        """The shift that `to_dict` wrote."""
        degrees, also = state["degrees_of_freedom"], state.get("also")
        return cls(
            error=state["error"],
            lever=np.asarray(state["lever"], float),
            degrees_of_freedom=float("inf") if degrees is None else degrees,
            also=None if also is None else cls.from_dict(also),
        )

    def columns(self, name: str = "shift") -> dict[str, Any]:
        """Columns of a table, one row a reading."""
        parts = (("_lever", self.lever), ("_error", self.error), ("_dof", self.degrees_of_freedom))
        own = {name + part: of for part, of in parts}
        return own if self.also is None else own | self.also.columns(f"also_{name}")

    @classmethod
    def of_columns(cls, table: Any, name: str = "shift") -> SharedShift | None:
        """The shift in a table with such `columns`; None in one without."""
        if f"{name}_lever" not in table:
            return None
        error, degrees = (np.unique(table[name + part]) for part in ("_error", "_dof"))
        if error.size > 1 or degrees.size > 1:
            raise InputError(f"`{name}` has several errors; what moves all readings has one.")
        parts = {"error": float(error[0]), "degrees_of_freedom": float(degrees[0])}
        lever = np.asarray(table[f"{name}_lever"], float)
        return cls(**parts, lever=lever, also=cls.of_columns(table, f"also_{name}"))

    @classmethod
    def checked(cls, shift: Any, n: int) -> SharedShift:
        """The shift for `n` readings, or an `InputError` of one sentence."""
        if not isinstance(shift, SharedShift):
            raise InputTypeError(
                f"`shift` is a {type(shift).__name__}; give a SharedShift, or leave it out."
            )
        lever, degrees = shift.lever, shift.degrees_of_freedom
        of_each: Any = [lever] * n if dimensions(lever) == 0 else lever
        lever = float_array("shift.lever", of_each, written=True)
        one_for_each("shift.lever", lever, n)
        moderate("shift.lever", float(np.abs(lever).max()))
        error = positive("shift.error", shift.error)
        if degrees != np.inf:
            degrees = positive("shift.degrees_of_freedom", degrees)
        return cls(
            error=error,
            lever=read_only(lever),
            degrees_of_freedom=float(degrees),
            also=None if shift.also is None else cls.checked(shift.also, n),
        )
