"""A check of a run: a number with a sentence and a level, and how the level follows."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Iterable
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.results import Result, jsonable
from quantize._support.validation import FloatArray
from quantize.charge.stated import raised

Level = Literal["good", "doubt", "bad", "unknown"]
DOUBT = 0.01
"""How often a sound run is doubted by a check that stands by itself ..."""
TOGETHER = 0.04
"""... and by any of those that are held against each other."""


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
    p_value : float
        How often chance alone makes as much of it on a sound run; NaN where the check follows a
        rule.
    """

    name: str
    level: Level
    number: float
    sentence: str
    p_value: float = math.nan

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        return {f.name: jsonable(getattr(self, f.name)) for f in dataclasses.fields(self)}


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Checks(Result):
    """Result of `Run.checks`: one `Check` after the other.

    Attributes
    ----------
    checks : tuple of Check
        In the order in which they were made.
    """

    checks: tuple[Check, ...]

    @property
    def table(self) -> pd.DataFrame:
        """Name, level, number and sentence."""
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
        return ", ".join(f"{counts[level]} {level}" for level in get_args(Level))

    def __str__(self) -> str:
        mark = {"good": "ok     ", "doubt": "DOUBT  ", "bad": "BAD    ", "unknown": "unknown"}
        return "\n".join(
            f"{mark[check.level]} {check.name}\n        {raised(check.sentence)}"
            for check in self.checks
        )


@dataclasses.dataclass(frozen=True)
class Graded:
    """A check that rests on a probability, before it is held against the others of its run.

    `cause` is said of one that is not good, `otherwise` of one that is; it is never worse than
    `worst`.
    """

    name: str
    p: float
    number: float
    sentence: str
    cause: str = ""
    otherwise: str = ""
    worst: Level = "bad"

    def at(self, doubt: float, bad: float) -> Check:
        """The check, in doubt or bad where its probability is below."""
        level: Level = "good" if self.p >= doubt else "doubt" if self.p >= bad else self.worst
        sentence = f"{self.sentence}; {self.cause}." if self.cause else f"{self.sentence}."
        if level == "good":
            sentence = self.otherwise or f"{self.sentence}, as chance explains."
        p, number = float(self.p), float(self.number)
        return Check(name=self.name, level=level, number=number, sentence=sentence, p_value=p)

    def alone(self) -> Check:
        """The check by itself: doubt below 1 in 100, bad below 1 in 10,000."""
        return self.at(DOUBT, DOUBT / 100)


def graded_by_t(
    name: str,
    off: float,
    degrees: float,
    sentence: str,
    *,
    number: float | None = None,
    cause: str = "",
) -> Graded:
    """A check of what lies `off` standard errors away, by Student's t on both sides."""
    from scipy.stats import t

    p = 2 * float(t.sf(abs(off), degrees))
    return Graded(name, p, off if number is None else number, sentence, cause)


def held_together(found: Iterable[Check | Graded]) -> Checks:
    r"""Checks of one run, so that a sound run seldom has any in doubt.

    Of m checks that rest on a probability, the one with the i-th smallest is in doubt if it and all
    smaller ones are below :math:`\alpha/(m-i+1)`, whatever goes together with what (S. Holm, Scand.
    J. Stat. 6:65, 1979); bad is what is so at a hundredth of :math:`\alpha`.
    """
    checks = list(found)
    in_order = sorted((c for c in checks if isinstance(c, Graded)), key=lambda c: c.p)
    limits = {}
    for share in (TOGETHER, TOGETHER / 100):
        passed = [share / left for left in range(len(in_order), 0, -1)]
        first = next((i for i, c in enumerate(in_order) if c.p >= passed[i]), len(in_order))
        limits[share] = passed[min(first, len(passed) - 1)] if passed else 0.0
    return Checks(
        checks=tuple(c.at(*limits.values()) if isinstance(c, Graded) else c for c in checks)
    )


def judged(
    name: str, good: bool, number: float, sentence: str, *, otherwise: Level = "doubt"
) -> Check:
    """A check that rests on a rule: good, or else `otherwise`."""
    level: Level = "good" if good else otherwise
    return Check(name=name, level=level, number=float(number), sentence=sentence)


def unknown(name: str, sentence: str) -> Check:
    """A check that could not be made, with what is missing."""
    return Check(name=name, level="unknown", number=math.nan, sentence=sentence)


def least_squares(design: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients, and their standard errors for values of standard deviation 1."""
    inverse = np.linalg.inv(design.T @ design)
    return inverse @ design.T @ values, np.sqrt(np.diag(inverse))
