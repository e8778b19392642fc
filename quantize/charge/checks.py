"""A check of a run: a number with a sentence and a level, and how the level follows."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray

if TYPE_CHECKING:
    import pandas as pd

Level = Literal["good", "doubt", "bad", "unknown"]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Check:
    """One check of a run.

    Attributes
    ----------
    name : str
        What is checked.
    level : {"good", "doubt", "bad", "unknown"}
        What came out; "unknown" when the check could not be made.
    number : float
        The number on which it rests, named in the sentence; NaN when it could not be made.
    sentence : str
        What was found and, unless all is well, what could be behind it.
    """

    name: str
    level: Level
    number: float
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        plain = dataclasses.asdict(self)
        plain["number"] = None if math.isnan(self.number) else self.number
        return plain


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Checks(Result):
    """Result of `Run.checks`: one `Check` after the other.

    Attributes
    ----------
    checks : tuple of Check
        In the order in which they were made.
    """

    _private: ClassVar[tuple[str, ...]] = ()

    checks: tuple[Check, ...]

    @property
    def table(self) -> pd.DataFrame:
        """Name, level, number and sentence."""
        import pandas as pd

        return pd.DataFrame([dataclasses.asdict(check) for check in self.checks])

    @property
    def sound(self) -> bool:
        """Whether none of the checks that could be made is bad."""
        return all(check.level != "bad" for check in self.checks)

    def of(self, name: str) -> Check:
        """Find the first check whose name begins with `name`.

        Parameters
        ----------
        name : str
            The name of a check, or how it begins.

        Raises
        ------
        InputError
            When no check begins like that.
        """
        for check in self.checks:
            if check.name.startswith(name):
                return check
        raise InputError(
            f"`name` is {name!r}; the checks are {', '.join(c.name for c in self.checks)}."
        )

    def _headline(self) -> str:
        counts = Counter(check.level for check in self.checks)
        levels: tuple[Level, ...] = ("good", "doubt", "bad", "unknown")
        return ", ".join(f"{counts[level]} {level}" for level in levels)

    def __str__(self) -> str:
        mark = {"good": "ok     ", "doubt": "DOUBT  ", "bad": "BAD    ", "unknown": "unknown"}
        return "\n".join(
            f"{mark[check.level]} {check.name}\n        {check.sentence}" for check in self.checks
        )


def graded(name: str, p: float, number: float, sentence: str, *, cause: str = "") -> Check:
    """A check that rests on a probability: doubt below 1 in 100, bad below 1 in 10,000."""
    level: Level = "good" if p >= 0.01 else "doubt" if p >= 1e-4 else "bad"
    tail = f"; {cause}." if cause and level != "good" else "."
    if level == "good":
        tail = ", as chance explains."
    return Check(name=name, level=level, number=float(number), sentence=sentence + tail)


def graded_by_t(
    name: str, off: float, degrees: float, number: float, sentence: str, *, cause: str = ""
) -> Check:
    """A check of what lies `off` standard errors away, by Student's t on both sides."""
    from scipy.stats import t

    return graded(name, 2 * float(t.sf(abs(off), degrees)), number, sentence, cause=cause)


def judged(
    name: str, good: bool, number: float, sentence: str, *, otherwise: Level = "doubt"
) -> Check:
    """A check that rests on a rule: good, or else `otherwise`."""
    level: Level = "good" if good else otherwise
    return Check(name=name, level=level, number=float(number), sentence=sentence)


def unknown(name: str, sentence: str) -> Check:
    """A check that could not be made, with what is missing."""
    return Check(name=name, level="unknown", number=math.nan, sentence=sentence)


def rows_named(rows: list[int], most: int | None = None) -> str:
    """The numbers of rows in a sentence, the first `most` of them."""
    return f"row {', '.join(map(str, rows[:most]))}"


def least_squares(design: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients, and their standard errors for values of standard deviation 1."""
    inverse = np.linalg.inv(design.T @ design)
    return inverse @ design.T @ values, np.sqrt(np.diag(inverse))
