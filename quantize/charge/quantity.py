"""A measured quantity: value, standard uncertainty, and how the uncertainty is to be read."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any, Literal, Protocol, Union, cast

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.charge import units
from quantize.charge.units import SCOPES, parse, wrong_kind

Distribution = Literal["normal", "rectangular", "t"]
Scope = Literal["reading", "state", "particle", "session", "bench", "batch"]
OWN_SCOPES = ("reading", "state", "particle")  # what no other particle shares


class UncertaintiesValue(Protocol):
    """What the library ``uncertainties`` calculates with."""

    nominal_value: Any
    std_dev: Any


class PintQuantity(Protocol):
    """What the library ``pint`` calculates with."""

    @property
    def magnitude(self) -> Any:
        """The number."""

    @property
    def units(self) -> Any:
        """Its unit."""


QuantityLike = Union[str, float, "Quantity", Mapping[str, Any], UncertaintiesValue, PintQuantity]
"""What may be given where a measured quantity belongs; see `Quantity.read`."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Quantity:
    """A quantity in SI units.

    Attributes
    ----------
    value : float
        Best estimate, in the SI unit `unit`.
    standard_uncertainty : float
        Its standard uncertainty in the same unit, zero or above.
    distribution : {"normal", "rectangular", "t"}
        How the uncertainty is drawn. "t" goes with finite `degrees_of_freedom`.
    degrees_of_freedom : float
        Infinite unless the value came from a few repeats.
    scope : {"reading", "state", "particle", "session", "bench", "batch"}
        What shares one error of this quantity.
    unit : str
        Name of the SI unit; scale divisions count as a unit of their own, "div".

    Raises
    ------
    InputError
        For numbers that are not finite, an uncertainty below zero and unknown words.

    Examples
    --------
    >>> from quantize.charge.quantity import Quantity
    >>> gap = Quantity.read("4.24(2) mm", unit="m")
    >>> gap
    <Quantity 0.00424 ± 2e-05 m>
    >>> Quantity.read("4.24 +/- 0.02 mm limit", unit="m").distribution
    'rectangular'
    """

    value: float
    standard_uncertainty: float = 0.0
    distribution: Distribution = "normal"
    degrees_of_freedom: float = math.inf
    scope: Scope = "bench"
    unit: str = "1"

    def __post_init__(self) -> None:
        validation.number("value", self.value)
        validation.positive("standard_uncertainty", self.standard_uncertainty, zero=True)
        validation.choice("distribution", self.distribution, ("normal", "rectangular", "t"))
        validation.choice("scope", self.scope, SCOPES)
        if not self.degrees_of_freedom > 0:
            raise InputError(
                f"`degrees_of_freedom` is {self.degrees_of_freedom}; it must be above zero."
            )

    @property
    def relative(self) -> float:
        """Standard uncertainty over value."""
        return self.standard_uncertainty / abs(self.value) if self.value else math.inf

    def __repr__(self) -> str:
        spread = f" ± {self.standard_uncertainty:.3g}" if self.standard_uncertainty else ""
        return f"<Quantity {self.value:.6g}{spread} {self.unit}>"

    @classmethod
    def read(
        cls, value: QuantityLike, *, unit: str, name: str = "value", scope: Scope = "bench"
    ) -> Quantity:
        """Make a quantity from text, a number or what another library calculates with.

        Parameters
        ----------
        value : str, float, Quantity, uncertainties value, pint quantity or mapping
            Text follows the grammar ``number [+/- number] unit [words]`` or ``number(n) unit``;
            the uncertainty may be relative, as in ``number unit +/- number %`` or
            ``number +/- number % unit``, or have a unit of its own. It is a standard uncertainty
            unless a word says ``limit`` or ``k=2``; ``n=5`` says that it is the standard error of
            five repeats, ``dof=4`` the same in degrees of freedom; a scope may follow. A bare
            number is in SI units.
        unit : str
            The SI unit that the quantity must fit.
        name : str
            What to call it in a message.
        scope : {"reading", "state", "particle", "session", "bench", "batch"}
            What shares the error, where the text names nothing.

        Returns
        -------
        Quantity

        Raises
        ------
        InputError
            For text outside the grammar, or a unit that measures something else.
        """
        if isinstance(value, Mapping):
            return _from_mapping(value, unit=unit, name=name, scope=scope)
        if isinstance(value, str):
            return cls(**parse(value, unit=unit, name=name, scope=scope), unit=unit)
        if isinstance(value, Quantity):
            if not units.same_kind(value.unit, unit):
                raise wrong_kind(name, f"{value.value:g} {value.unit}", value.unit, unit)
            return value
        if hasattr(value, "nominal_value") and hasattr(value, "std_dev"):
            return normal(float(value.nominal_value), float(value.std_dev), unit, scope)
        if hasattr(value, "magnitude") and hasattr(value, "units"):
            return _from_pint(value, unit=unit, name=name, scope=scope)
        return cls(value=validation.number(name, value), unit=unit, scope=scope)


def _from_mapping(table: Mapping[str, Any], *, unit: str, name: str, scope: Scope) -> Quantity:
    """A table ``{value = "...", scope = "batch", degrees_of_freedom = 4}``."""
    strange = sorted(set(table) - {"value", "scope", "degrees_of_freedom"})
    if strange or "value" not in table:
        problem = f"has the entry {strange[0]!r}" if strange else "has no entry 'value'"
        raise InputError(
            f"`{name}` {problem}; a table may hold value, scope and degrees_of_freedom."
        )
    scope = cast(Scope, str(table.get("scope", scope)))
    base = Quantity.read(table["value"], unit=unit, name=name, scope=scope)
    degrees = table.get("degrees_of_freedom")
    if degrees is None:
        return base
    return dataclasses.replace(
        base,
        degrees_of_freedom=validation.positive(f"{name}.degrees_of_freedom", degrees),
        distribution="t" if base.distribution == "normal" else base.distribution,
    )


def _from_pint(value: PintQuantity, *, unit: str, name: str, scope: Scope) -> Quantity:
    text = f"{value.units:~}".replace(" * ", " ").replace(" ** ", "").replace("Δ", "")
    magnitude = value.magnitude
    spread = float(getattr(magnitude, "std_dev", 0.0))
    number = validation.number(name, getattr(magnitude, "nominal_value", magnitude))
    found = units.unit(text.replace(" / ", "/"))
    if found.dimensions != units.unit(unit).dimensions:
        raise wrong_kind(name, str(value), text, unit)
    return normal(found.scale * number + found.zero, found.scale * spread, unit, scope)


def normal(value: float, error: float, unit: str, scope: Scope = "bench") -> Quantity:
    """A value and its standard uncertainty, by the normal law."""
    return Quantity(value=value, standard_uncertainty=error, unit=unit, scope=scope)


def from_repeats(
    value: float, error: float, degrees: float, *, scope: Scope, unit: str
) -> Quantity:
    """What repeats say, by Student's t; by the normal law where they leave no degree of freedom."""
    return Quantity(
        value=value,
        standard_uncertainty=error,
        distribution="t" if degrees else "normal",
        degrees_of_freedom=degrees or math.inf,
        scope=scope,
        unit=unit,
    )


def within(value: float, half: float, unit: str = "1") -> Quantity:
    """A value with a limit of `half` either way, any error between being equally likely."""
    return Quantity(
        value=value, standard_uncertainty=half / math.sqrt(3), distribution="rectangular", unit=unit
    )


def positive(name: str, given: QuantityLike, unit: str) -> Quantity:
    """A quantity as `Quantity.read` makes it, or one sentence when it is not above zero."""
    read = Quantity.read(given, unit=unit, name=name)
    if read.value <= 0:
        raise InputError(f"`{name}` is {read.value:g} {read.unit}; it must be above zero.")
    return read


def put(owner: object, **fields: object) -> None:
    """Set fields of a frozen object while it is made."""
    for name, value in fields.items():
        object.__setattr__(owner, name, value)
