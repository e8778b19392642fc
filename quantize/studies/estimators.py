"""Estimators in a study: the library's own by name, and anybody's as a function.

A function of one's own needs three lines::

    def mine(readings, unit_range):
        unit, error = my_code(readings.values, *unit_range)
        return Answer(unit=unit, interval=(unit - 2 * error, unit + 2 * error))
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Literal

import numpy as np

from quantize._support.errors import InputError, InputTypeError
from quantize.comb.least_squares import fit_comb
from quantize.comb.periodogram import periodogram
from quantize.comb.unit_range import unit_range_for
from quantize.model.mixture import fit_mixture, model_of
from quantize.null.verdict import assess
from quantize.readings import Readings
from quantize.studies.conditions import fingerprint, name_of
from quantize.studies.simulate import SimulatedReadings

Offset = Literal["zero", "free"] | float


@dataclasses.dataclass(frozen=True, kw_only=True)
class Answer:
    """What an estimator says about one sample.

    Parameters
    ----------
    unit : float, optional
        The unit it found, in the unit of the readings; NaN where it found none.
    interval : (float, float), array_like of shape (k, 2), or callable, optional
        The set that shall hold the unit; a callable is given the probability asked for.
    p_value : float, optional
        The p-value against data without steps.
    steps : bool, optional
        The decision, where there is no p-value.

    Examples
    --------
    >>> Answer(unit=4.9, interval=(4.8, 5.0)).holds(5.0)
    True
    """

    unit: float = math.nan
    interval: Any = None
    p_value: float | None = None
    steps: bool | None = None

    def holds(self, unit: float) -> bool | None:
        """Whether the interval holds this unit; None where none is stated."""
        if self.interval is None:
            return None
        rows = np.asarray(self.interval, dtype=float).reshape(-1, 2)
        return bool(np.any((rows[:, 0] <= unit) & (unit <= rows[:, 1])))

    @property
    def decision(self) -> float:
        """The p-value; 0 or 1 for a plain yes or no; NaN where nothing is decided."""
        if self.p_value is not None:
            return float(self.p_value)
        return math.nan if self.steps is None else float(not self.steps)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Estimator:
    """A named function of (readings, unit_range).

    Parameters
    ----------
    name : str
        The name under which it stands in the table.
    function : callable
        Gets the readings and the range of units (or None). Where it has parameters `offset` or
        `rng` it gets "zero" or "free", and a Generator of its own. It returns a number, an
        `Answer`, a mapping with the same keys, or a result with `unit`.
    sigma_told : bool
        Whether the readings come with their true sigma.

    Examples
    --------
    >>> import quantize as qz
    >>> Estimator(name="robust", function=qz.fit_comb).takes_offset
    True
    """

    name: str
    function: Callable[..., Any]
    sigma_told: bool = False

    def __post_init__(self) -> None:
        if not callable(self.function):
            raise InputTypeError(
                f"`estimators` has {self.function!r} under {self.name!r}; give a function of "
                "(readings, unit_range)."
            )

    @functools.cached_property
    def _parameters(self) -> frozenset[str]:
        try:
            return frozenset(inspect.signature(self.function).parameters)
        except (TypeError, ValueError):
            return frozenset()

    @property
    def takes_offset(self) -> bool:
        """Whether the function gets the offset, zero or free."""
        return "offset" in self._parameters

    @property
    def takes_rng(self) -> bool:
        """Whether the function draws random numbers."""
        return "rng" in self._parameters

    @property
    def identity(self) -> dict[str, Any]:
        """What must not change between a checkpoint and the study that goes on with it."""
        return {
            "name": self.name,
            "function": fingerprint(self.function),
            "sigma_told": self.sigma_told,
        }

    def ask(self, sample: SimulatedReadings, seed: np.random.SeedSequence) -> Any:
        """Whatever the function returns for a sample; it never sees the truth."""
        condition = sample.truth.condition
        extra: dict[str, Any] = {}
        if self.takes_offset:
            extra["offset"] = "free" if condition.offset else "zero"
        if self.takes_rng:
            extra["rng"] = np.random.default_rng(seed)
        readings = Readings(
            sample.values,
            sigma=condition.sigma if self.sigma_told else None,
            state=sample.state,
            resolution=sample.resolution,
        )
        return self.function(readings, condition.units_tried, **extra)


def as_answer(returned: Any, prob: float) -> Answer:
    """What an estimator returned, in standard form."""
    if isinstance(returned, Answer):
        if callable(returned.interval):
            return dataclasses.replace(returned, interval=returned.interval(prob))
        return returned
    if isinstance(returned, Mapping):
        unknown = set(returned) - {field.name for field in dataclasses.fields(Answer)}
        if unknown:
            raise InputTypeError(
                f"an estimator returned a key {sorted(unknown)[0]!r}; the keys are unit, "
                "interval, p_value and steps."
            )
        return Answer(**returned)
    if returned is None:
        return Answer()
    if hasattr(returned, "unit"):
        interval = getattr(returned, "interval", None)
        verdict = getattr(returned, "verdict", None)
        return Answer(
            unit=float(returned.unit),
            interval=interval(prob) if callable(interval) else interval,
            p_value=None if verdict is not None else getattr(returned, "p_value", None),
            steps=None if verdict is None else verdict == "steps",
        )
    return Answer(unit=float(returned))


Named = str | Estimator | Callable[..., Any]
Estimators = Named | Iterable[Named] | Mapping[str, Estimator | Callable[..., Any]]
"""What a caller may give."""


def estimators_of(given: Estimators) -> tuple[Estimator, ...]:
    """The estimators of a study, each with a name of its own."""
    if isinstance(given, (str, Estimator)) or (callable(given) and not isinstance(given, Mapping)):
        given = [given]
    if isinstance(given, Mapping):
        found = [
            part if isinstance(part, Estimator) else Estimator(name=str(name), function=part)
            for name, part in given.items()
        ]
    elif isinstance(given, Iterable):
        found = [_estimator(part) for part in given]
    else:
        raise InputTypeError(f"`estimators` is {given!r}; give names, functions or a mapping.")
    if not found:
        raise InputError("`estimators` is empty; give at least one.")
    names = [part.name for part in found]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(
            f"`estimators` has two of the name {twice[0]!r}; give them names in a mapping."
        )
    return tuple(found)


def _estimator(given: Any) -> Estimator:
    if isinstance(given, Estimator):
        return given
    if isinstance(given, str):
        if given not in NAMED:
            listed = ", ".join(repr(name) for name in NAMED)
            raise InputError(f"`estimators` names {given!r}; the names are {listed}.")
        return NAMED[given]
    return Estimator(name=name_of(given), function=given)


def cosine_score(
    readings: Readings, unit_range: tuple[float, float] | None, offset: Offset = "zero"
) -> Answer:
    """`periodogram` with the p-value of its largest score over the range.

    For a fixed offset the p-value is bounded by the expected number of up-crossings,
    Q(s) + Δf·sqrt(mean x²)·exp(−s²/2); for a free one see `phase_free_power`.

    Rice, Bell Syst. Tech. J. 24:46 (1945).
    """
    from scipy.special import ndtr

    if offset == "free":
        return phase_free_power(readings, unit_range)
    found = periodogram(readings, unit_range, offset=offset)
    width = 1 / found.unit_range.low - 1 / found.unit_range.high
    s = found.statistic
    rate = width * float(np.sqrt(np.mean(readings.values**2)))
    p = float(ndtr(-s)) + rate * math.exp(-0.5 * s * s)
    return Answer(unit=found.unit, interval=found.interval, p_value=min(p, 1.0))


def phase_free_power(readings: Readings, unit_range: tuple[float, float] | None) -> Answer:
    """`periodogram` with a free offset, and the p-value of its largest power over the range.

    Baluev, MNRAS 385:1279 (2008), for exp(−z) + W·sqrt(z)·exp(−z), W = Δf·sqrt(4π·var x).
    """
    found = periodogram(readings, unit_range, offset="free")
    width = 1 / found.unit_range.low - 1 / found.unit_range.high
    z = found.statistic
    w = width * math.sqrt(4 * math.pi * float(np.var(readings.values)))
    p = math.exp(-z) * (1 + w * math.sqrt(max(z, 0.0)))
    return Answer(unit=found.unit, interval=found.interval, p_value=min(p, 1.0))


def verdict(
    readings: Readings, unit_range: tuple[float, float] | None, offset: Offset = "zero"
) -> Answer:
    """The verdict of `analyze`: its evidence and guards. A sample that a guard blocks has p = 1."""
    found = assess(readings, unit_range_for(readings, unit_range), model_of(offset, None, None))
    return Answer(
        unit=found.mixture.unit,
        interval=found.mixture.interval,
        p_value=1.0 if found.blocked else found.evidence.p_value,
    )


NAMED: dict[str, Estimator] = {
    estimator.name: estimator
    for estimator in (
        Estimator(name="cosine score", function=cosine_score),
        Estimator(name="phase-free power", function=phase_free_power),
        Estimator(name="least squares", function=fit_comb),
        Estimator(name="mixture", function=fit_mixture),
        Estimator(name="mixture, sigma known", function=fit_mixture, sigma_told=True),
        Estimator(name="verdict", function=verdict),
    )
}
"""The library's own, as they can be named in a study."""
