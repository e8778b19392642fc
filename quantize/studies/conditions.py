"""Conditions of a study: what is simulated, and the grid of all that shall be tried."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import inspect
import itertools
import types
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.results import jsonable
from quantize._support.validation import FloatArray, IntArray
from quantize.studies.families import family

Draw = Callable[[np.random.Generator, int], ArrayLike]
"""Numbers of one's own: a function of (rng, size)."""
Whole = tuple[int, int] | tuple[Literal["poisson"], float] | tuple[Literal["walk"], int] | Draw
"""Which whole numbers occur."""

LARGEST_CHANGE = 2
"""Units by which the charge changes at most between two states of a walk."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Condition:
    """One way in which readings come about.

    Parameters
    ----------
    n : int
        Readings in a sample, all repeats counted.
    sigma : float
        Standard deviation of the error of a reading, in the unit of the readings.
    unit : float
        The true unit. Where a family has none it is the scale of the values.
    integers : (int, int), ("poisson", mean), ("walk", start) or callable
        The whole numbers that occur. A pair: uniform from the first to the last. "poisson": of
        this mean. "walk": the charge changes by 1 or 2 units, up or down, from each state to the
        next. A callable gets (rng, size) and returns whole numbers.
    offset : float
        What zero units read. Where it is not zero, estimators get it as free.
    repeats : int
        Readings of each charge state. From two on, states are labelled.
    resolution : float, optional
        Step to which readings are rounded.
    outliers : float
        Share of readings that are anywhere within the sample or two units beyond it.
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
    integers: Whole = (1, 8)
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
            family(self.family)
        if self.unit_range is not None:
            put("unit_range", validation.unit_range(self.unit_range))

    @property
    def sigma_over_unit(self) -> float:
        """sigma/unit, what decides how hard it is."""
        return self.sigma / self.unit

    @property
    def states(self) -> int:
        """Charge states in a sample."""
        return -(-self.n // self.repeats)

    @property
    def units_tried(self) -> tuple[float, float] | None:
        """The units to try, in the unit of the readings."""
        if self.unit_range is None:
            return None
        return self.unit_range[0] * self.unit, self.unit_range[1] * self.unit

    def draw_integers(self, rng: np.random.Generator) -> IntArray:
        """A whole number for each state."""
        size = self.states
        if callable(self.integers):
            return _own_integers(self.integers(rng, size), size)
        kind: tuple[Any, Any] = self.integers
        if kind[0] == "poisson":
            return rng.poisson(kind[1], size)
        if kind[0] == "walk":
            steps = rng.integers(1, LARGEST_CHANGE + 1, size) * rng.choice((-1, 1), size)
            steps[0] = 0
            return np.asarray(kind[1] + np.cumsum(steps), dtype=np.int64)
        return rng.integers(kind[0], kind[1] + 1, size)

    def draw_family(self, rng: np.random.Generator) -> FloatArray:
        """A value without a unit for each state."""
        draw: Any = family(self.family) if isinstance(self.family, str) else self.family
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

    def described(self) -> dict[str, Any]:
        """The condition in JSON, functions by their fingerprint."""
        return {
            field.name: fingerprint(value) if callable(value) else jsonable(value)
            for field in dataclasses.fields(self)
            for value in [getattr(self, field.name)]
        }


Conditions = Condition | Mapping[str, Any] | Iterable[Condition | Mapping[str, Any]]
"""What a caller may give."""


def conditions_of(given: Any) -> tuple[Condition, ...]:
    """The conditions of a study; lists in a mapping are run through, each with every other.

    >>> cells = conditions_of({"n": [10, 20], "sigma": [0.1, 0.2]})
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


def name_of(function: Any) -> str:
    """The short name of a callable."""
    if isinstance(function, functools.partial):
        return name_of(function.func)
    return str(getattr(function, "__name__", type(function).__name__))


def fingerprint(function: Any) -> str:
    """Name of a callable and, unless it belongs to this library, a digest of its code.

    The digest changes with the instructions and constants of the function itself, and with the
    arguments of a partial; it does not see what the function calls.

    >>> import quantize as qz
    >>> fingerprint(qz.fit_comb)
    'quantize.comb.least_squares:fit_comb'
    """
    if isinstance(function, functools.partial):
        given = repr((function.args, sorted(function.keywords.items())))
        return f"{fingerprint(function.func)} with {_digest(given)}"
    module = str(getattr(function, "__module__", ""))
    name = f"{module}:{getattr(function, '__qualname__', type(function).__qualname__)}"
    if module.startswith("quantize."):
        return name
    code = getattr(function, "__code__", None)
    if code is None:
        code = getattr(inspect.getattr_static(type(function), "__call__", None), "__code__", None)
        name += f" {vars(function)!r}" if hasattr(function, "__dict__") else ""
    return name if code is None else f"{name} {_digest(_text(code))}"


def _text(code: types.CodeType) -> str:
    constants = [
        _text(item) if isinstance(item, types.CodeType) else repr(item) for item in code.co_consts
    ]
    return repr((code.co_code.hex(), code.co_names, constants))


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]
