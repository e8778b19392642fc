"""Conditions of a study: what is simulated, and the grid of all that shall be tried."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.validation import FloatArray, IntArray
from quantize.studies import families
from quantize.studies.fingerprint import name_of

Draw = Callable[[np.random.Generator, int], Any]

LARGEST_CHANGE = 2
"""Units by which the charge changes at most between two states of a walk."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Condition:
    """One way in which readings come about.

    Parameters
    ----------
    n : int
        Readings on a page, all repeats counted.
    sigma : float
        Standard deviation of the error of a reading, in the unit of the readings.
    unit : float
        The true unit. Where a family has none it is the scale of the values.
    integers : (int, int), ("poisson", mean), ("walk", start) or callable
        A pair: uniform from the first to the last. "poisson": of this mean. "walk": the charge
        changes by 1 or 2 units, up or down, from each state to the next. A callable gets (rng,
        size) and returns whole numbers.
    offset : float
        What zero units read. Where it is not zero, estimators are told that it is free.
    repeats : int
        Readings of each charge state. From two on, states are labelled.
    resolution : float, optional
        Step to which readings are rounded.
    outliers : float
        Share of readings that are anywhere within the page or two units beyond it.
    drift : float
        How far readings have crept from the first to the last.
    tails : float, optional
        Errors are Student t with so many degrees of freedom (above 2), scaled to `sigma`.
    family : str or callable, optional
        Values without a unit in place of a comb: a name out of `quantize.studies.families.NAMED`,
        or a callable of (rng, size). With repeats its values are the levels.
    unit_range : (float, float), optional
        Units that estimators try, as multiples of `unit`. None leaves it to them.

    Raises
    ------
    InputError
        For values that cannot be used.

    Examples
    --------
    >>> Condition(n=12, sigma=0.2, integers=(-4, 4)).sigma_over_unit
    0.2
    """

    n: int = 20
    sigma: float = 0.1
    unit: float = 1.0
    integers: Any = (1, 8)
    offset: float = 0.0
    repeats: int = 1
    resolution: float | None = None
    outliers: float = 0.0
    drift: float = 0.0
    tails: float | None = None
    family: str | Draw | None = None
    unit_range: tuple[float, float] | None = (0.3, 3.0)

    def __post_init__(self) -> None:
        def put(name: str, value: Any) -> None:
            object.__setattr__(self, name, value)

        put("n", validation.count("n", self.n))
        put("repeats", validation.count("repeats", self.repeats))
        put("unit", validation.positive("unit", self.unit))
        put("sigma", validation.positive("sigma", self.sigma, zero=True))
        put("offset", validation.number("offset", self.offset))
        put("drift", validation.number("drift", self.drift))
        put("integers", _integers(self.integers))
        if self.resolution is not None:
            put("resolution", validation.positive("resolution", self.resolution))
        share = validation.positive("outliers", self.outliers, zero=True)
        if share >= 1:
            raise InputError(f"`outliers` is {share:g}; it is a share, so give less than 1.")
        put("outliers", share)
        if self.tails is not None:
            put("tails", validation.positive("tails", self.tails))
            if self.tails <= 2:
                raise InputError(
                    f"`tails` is {self.tails:g}; with 2 degrees of freedom or fewer the errors "
                    "have no standard deviation, so give more."
                )
        if self.family is not None and not callable(self.family):
            families.family(self.family)
        if self.unit_range is not None:
            put("unit_range", validation.unit_range(self.unit_range))

    @property
    def sigma_over_unit(self) -> float:
        """sigma/unit, what decides how hard it is."""
        return self.sigma / self.unit

    @property
    def states(self) -> int:
        """Charge states on a page."""
        return -(-self.n // self.repeats)

    @property
    def band(self) -> tuple[float, float] | None:
        """The units to try, in the unit of the readings."""
        if self.unit_range is None:
            return None
        return self.unit_range[0] * self.unit, self.unit_range[1] * self.unit

    def draw_integers(self, rng: np.random.Generator) -> IntArray:
        """A whole number for each state."""
        size, kind = self.states, self.integers
        if callable(kind):
            return _own_integers(kind(rng, size), size)
        if kind[0] == "poisson":
            return rng.poisson(kind[1], size)
        if kind[0] == "walk":
            steps = rng.integers(1, LARGEST_CHANGE + 1, size) * rng.choice((-1, 1), size)
            steps[0] = 0
            return np.asarray(kind[1] + np.cumsum(steps), dtype=np.int64)
        return rng.integers(kind[0], kind[1] + 1, size)

    def draw_family(self, rng: np.random.Generator) -> FloatArray:
        """A value without a unit for each state."""
        draw: Any = families.family(self.family) if isinstance(self.family, str) else self.family
        values = np.asarray(draw(rng, self.states), dtype=float)
        if values.shape != (self.states,) or not np.isfinite(values).all():
            raise InputError(
                f"`family` {name_of(draw)} returned shape {values.shape} or no finite numbers; "
                f"it must return {self.states} finite numbers."
            )
        return values * self.unit

    def label(self, field: str) -> Any:
        """The value of a field as a table shows it."""
        value = getattr(self, field)
        if callable(value):
            return name_of(value)
        if isinstance(value, tuple):
            return " ".join(str(part) for part in value)
        return value


def conditions_of(given: Any) -> tuple[Condition, ...]:
    """The conditions of a study.

    Parameters
    ----------
    given : Condition, mapping, or sequence of these
        In a mapping, lists, ranges and arrays are run through, every one with every other; what
        is not one of these (numbers, words, pairs) stays fixed.

    Raises
    ------
    InputError
        For names that are no condition, empty lists and values that cannot be used.

    Examples
    --------
    >>> cells = conditions_of({"n": [10, 20], "sigma": [0.1, 0.2], "integers": (-4, 4)})
    >>> [(cell.n, cell.sigma) for cell in cells]
    [(10, 0.1), (10, 0.2), (20, 0.1), (20, 0.2)]
    """
    if isinstance(given, Condition):
        return (given,)
    if isinstance(given, Mapping):
        if not given:
            raise InputError("`conditions` is empty; give at least one setting, such as n.")
        return tuple(_product(given))
    if isinstance(given, (str, bytes)) or not isinstance(given, Iterable):
        raise InputTypeError(
            f"`conditions` is {given!r}; give a mapping such as {{'n': [10, 20]}}, or Conditions."
        )
    found = tuple(cell for part in given for cell in conditions_of(part))
    if not found:
        raise InputError("`conditions` is empty; give at least one condition.")
    return found


def _product(grid: Mapping[str, Any]) -> list[Condition]:
    known = [field.name for field in dataclasses.fields(Condition)]
    varied = []
    for name, value in grid.items():
        if name not in known:
            raise InputError(f"`conditions` names {name!r}; what can be set is {', '.join(known)}.")
        values = list(value) if isinstance(value, (list, range, np.ndarray)) else [value]
        if not values:
            raise InputError(f"`{name}` is an empty list in `conditions`; give at least one value.")
        varied.append(
            [value.item() if isinstance(value, np.generic) else value for value in values]
        )
    return [
        Condition(**dict(zip(grid, choice, strict=True))) for choice in itertools.product(*varied)
    ]


def _integers(value: Any) -> Any:
    if callable(value):
        return value
    wanted = "give (first, last), ('poisson', mean), ('walk', start) or a callable"
    try:
        first, second = value
    except (TypeError, ValueError):
        raise InputTypeError(f"`integers` is {value!r}; {wanted}.") from None
    if first == "poisson":
        return "poisson", validation.positive("integers", second)
    if first == "walk":
        return "walk", validation.count("integers", second, least=-(10**9))
    if isinstance(first, str):
        raise InputError(f"`integers` is {value!r}; {wanted}.")
    low, high = (validation.count("integers", end, least=-(10**9)) for end in (first, second))
    if low > high:
        raise InputError(f"`integers` is ({low}, {high}); the first must not be above the last.")
    return low, high


def _own_integers(drawn: Any, size: int) -> IntArray:
    values = np.asarray(drawn)
    if values.shape != (size,) or not np.all(np.equal(np.mod(values, 1), 0)):
        raise InputError(
            f"`integers` returned shape {values.shape}, or numbers that are not whole; it must "
            f"return {size} whole numbers."
        )
    return values.astype(np.int64)
