"""SharedShift: one error that all readings have in common."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError, InputTypeError
from quantize._support.validation import (
    FloatArray,
    IntArray,
    float_array,
    moderate,
    positive,
    read_only,
)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SharedShift:
    """One error that moves all readings together, such as that of a fall added to each.

    Reading i is moved by ``lever[i]`` times the shift, which has mean zero, standard uncertainty
    `error` and the law of Student's t with `degrees_of_freedom`.
    """

    error: float
    lever: FloatArray
    degrees_of_freedom: float = float("inf")

    def select(self, index: IntArray) -> SharedShift:
        """That of some readings."""
        return dataclasses.replace(self, lever=read_only(self.lever[index]))

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary; degrees of freedom are None where there is no end of them."""
        finite = bool(np.isfinite(self.degrees_of_freedom))
        return {
            "error": self.error,
            "lever": self.lever.tolist(),
            "degrees_of_freedom": self.degrees_of_freedom if finite else None,
        }

    @classmethod
    def checked(cls, shift: Any, n: int) -> SharedShift:
        """The shift for `n` readings, or one sentence.

        Raises
        ------
        InputError
        """
        if not isinstance(shift, SharedShift):
            raise InputTypeError(
                f"`shift` is a {type(shift).__name__}; give a SharedShift, or leave it out."
            )
        lever, degrees = shift.lever, shift.degrees_of_freedom
        lever = float_array("shift.lever", [lever] * n if np.ndim(lever) == 0 else lever)
        if lever.size != n:
            raise InputError(
                f"`shift.lever` has {lever.size} entries and `values` has {n}; give one number for "
                "all, or one for each reading."
            )
        moderate("shift.lever", float(np.abs(lever).max()))
        error = positive("shift.error", shift.error)
        if degrees != np.inf:
            degrees = positive("shift.degrees_of_freedom", degrees)
        return cls(error=error, lever=read_only(lever), degrees_of_freedom=float(degrees))
