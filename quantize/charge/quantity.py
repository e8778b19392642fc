"""A measured quantity: value, standard uncertainty, and how the uncertainty is to be read."""

from __future__ import annotations

import dataclasses
import math
import re
from typing import Any, Literal, cast

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.charge import unit_names

Distribution = Literal["normal", "rectangular", "t"]
Scope = Literal["reading", "state", "particle", "session", "bench", "batch"]
SCOPES: tuple[str, ...] = ("reading", "state", "particle", "session", "bench", "batch")
OWN_SCOPES = ("reading", "state", "particle")  # what no other particle shares

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
_POWER_OF_TEN = r"(?:[eE][+-]?\d+)?"
_PLAIN = re.compile(
    rf"\s*(?P<value>{_NUMBER})(?:\((?P<digits>\d+)\))?(?P<power>{_POWER_OF_TEN})(?P<rest>.*)$",
    re.DOTALL,
)
_SPREAD = re.compile(
    rf"\s*(?:\+/-|\+-|±)\s*(?P<spread>{_NUMBER}{_POWER_OF_TEN})(?P<rest>.*)$", re.DOTALL
)
_WORD = re.compile(
    r"(?P<limit>limits?)$|(?P<standard>standard)$|k=(?P<k>\d+(?:\.\d+)?)$|n=(?P<n>\d+)$"
    r"|dof=(?P<dof>\d+(?:\.\d+)?)$|(?P<scope>" + "|".join(SCOPES) + r")$"
)
_LONGEST = 200
_GRAMMAR = (
    "write 'number unit', 'number +/- number unit' or 'number(n) unit', "
    "for example '3.10 +/- 0.02 mm' or '3.10(2) mm'"
)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Quantity:
    """A quantity in SI units.

    Attributes
    ----------
    value, standard_uncertainty : float
        In the SI unit `unit` (scale divisions count as a unit of their own).
    distribution : {"normal", "rectangular", "t"}
        How the uncertainty is drawn. "t" goes with finite `degrees_of_freedom`.
    degrees_of_freedom : float
        Infinite unless the value came from a few repeats.
    scope : {"reading", "state", "particle", "session", "bench", "batch"}
        What shares one error of this quantity.
    unit : str

    Examples
    --------
    >>> from quantize.charge import Quantity
    >>> gap = Quantity.read("3.10(2) mm", unit="m")
    >>> gap
    <Quantity 0.0031 ± 2e-05 m>
    >>> Quantity.read("3.10 +/- 0.02 mm limit", unit="m").distribution
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
    def read(cls, value: Any, *, unit: str, name: str = "value", scope: str = "bench") -> Quantity:
        """A quantity from whatever a user has.

        Parameters
        ----------
        value : str, float, Quantity, uncertainties value, pint quantity or mapping
            Text follows the grammar ``number [+/- number] unit [words]`` or ``number(n) unit``;
            the ± is a standard uncertainty unless a word says ``limit`` or ``k=2``; ``n=5`` says
            that it is the standard error of five repeats, ``dof=4`` the same in degrees of
            freedom; a scope may follow. A bare number is in SI units.
        unit : str
            The SI unit that the quantity must fit.
        name : str
            What to call it in a message.
        scope : str
            Used when the text names none.

        Raises
        ------
        InputError
            For text outside the grammar, or a unit that measures something else.
        """
        if isinstance(value, dict):
            return _from_mapping(cls, value, unit=unit, name=name, scope=scope)
        if isinstance(value, str):
            return _from_text(cls, value, unit=unit, name=name, scope=scope)
        if isinstance(value, Quantity):
            return _fitting(value, unit=unit, name=name)
        if hasattr(value, "nominal_value") and hasattr(value, "std_dev"):
            return cls(
                value=float(value.nominal_value),
                standard_uncertainty=float(value.std_dev),
                unit=unit,
                scope=cast(Scope, scope),
            )
        if hasattr(value, "magnitude") and hasattr(value, "units"):
            return _from_pint(cls, value, unit=unit, name=name, scope=scope)
        return cls(value=validation.number(name, value), unit=unit, scope=cast(Scope, scope))


def tidy(value: float) -> float:
    """The same number without the last binary digits that a change of unit leaves behind."""
    return float(f"{value:.15g}")


def _fitting(value: Quantity, *, unit: str, name: str) -> Quantity:
    if not unit_names.same_kind(value.unit, unit):
        raise _wrong_kind(name, f"{value.value:g} {value.unit}", value.unit, unit)
    return value


def _wrong_kind(name: str, shown: str, found: str, wanted: str) -> InputError:
    words, example = unit_names.KINDS[wanted]
    kind = unit_names.kind_of(unit_names.unit(found).dimensions)
    return InputError(
        f"`{name}` is {shown!r}, which is {kind}; it must be {words}, for example '{example}'."
    )


def _from_text(cls: type[Quantity], text: str, *, unit: str, name: str, scope: str) -> Quantity:
    shown = text.strip()
    if len(text) > _LONGEST:
        raise InputError(f"`{name}` is text of {len(text)} characters; {_GRAMMAR}.")
    if "," in text:
        raise InputError(
            f"`{name}` is {shown!r}, which holds a comma; use a point for decimals and no "
            "separators between thousands."
        )
    plain = _PLAIN.match(text)
    if plain is None:
        raise InputError(f"`{name}` is {shown!r}, which is no quantity; {_GRAMMAR}.")
    power, rest = plain["power"], plain["rest"]
    value = float(plain["value"] + power)
    spread, stated = 0.0, plain["digits"] is not None
    if plain["digits"] is not None:
        decimals = len(plain["value"].partition(".")[2])
        spread = float(f"{int(plain['digits'])}e{-decimals}") * float(f"1{power or 'e0'}")
    second = _SPREAD.match(rest)
    if second is not None:
        if stated:
            raise InputError(f"`{name}` is {shown!r}, with two uncertainties; {_GRAMMAR}.")
        spread, rest, stated = float(second["spread"]), second["rest"], True
        if spread < 0:
            raise InputError(f"`{name}` is {shown!r}; an uncertainty has no sign.")
    rest = _refuse_arithmetic(name, shown, rest)
    unit_text, words = _split_words(rest)
    try:
        found = unit_names.unit(unit_text)
    except InputError as error:
        raise InputError(f"`{name}` is {shown!r}: {error}") from None
    if found.dimensions != unit_names.unit(unit).dimensions:
        if not unit_text:
            raise InputError(f"`{name}` is {shown!r}, with no unit; {_GRAMMAR}.")
        raise _wrong_kind(name, shown, unit_text, unit)
    if not math.isfinite(value) or not math.isfinite(spread):
        raise InputError(f"`{name}` is {shown!r}, which is too large to be a quantity.")
    return _with_words(
        cls,
        words,
        value=tidy(found.scale * value + found.zero),
        spread=tidy(found.scale * spread),
        stated=stated,
        name=name,
        shown=shown,
        unit=unit,
        scope=scope,
    )


def _refuse_arithmetic(name: str, shown: str, rest: str) -> str:
    tight = rest.lstrip()
    if tight[:1] in "*^+-/(<>=~" and tight:
        raise InputError(f"`{name}` is {shown!r}, which holds an operator or a power; {_GRAMMAR}.")
    if tight[:1].isdigit() or tight[:1] == ".":
        raise InputError(
            f"`{name}` is {shown!r}, with two numbers in a row; write the number without spaces."
        )
    return tight.rstrip()


def _split_words(rest: str) -> tuple[str, list[re.Match[str]]]:
    """The unit, and the words behind it."""
    parts = rest.replace("k = ", "k=").replace("n = ", "n=").split()
    words: list[re.Match[str]] = []
    while parts and (found := _WORD.match(parts[-1].strip("(),;").lower())) is not None:
        words.append(found)
        parts.pop()
    return " ".join(parts), words


def _with_words(
    cls: type[Quantity],
    words: list[re.Match[str]],
    *,
    value: float,
    spread: float,
    stated: bool,
    name: str,
    shown: str,
    unit: str,
    scope: str,
) -> Quantity:
    distribution, degrees, divisor = "normal", math.inf, 1.0
    meanings = 0
    for word in words:
        if word["scope"]:
            scope = word["scope"]
            continue
        if not stated:
            raise InputError(
                f"`{name}` is {shown!r}, where {word[0]!r} speaks of an uncertainty that is not "
                "there; add '+/- number', or leave the word out."
            )
        if word["limit"]:
            distribution, divisor, meanings = "rectangular", math.sqrt(3.0), meanings + 1
        elif word["k"]:
            divisor, meanings = float(word["k"]), meanings + 1
        elif word["n"] or word["dof"]:
            degrees = int(word["n"]) - 1 if word["n"] else float(word["dof"])
            if degrees < 1:
                raise InputError(
                    f"`{name}` is {shown!r}; a standard error needs at least two repeats."
                )
    if meanings > 1 or divisor == 0:
        raise InputError(
            f"`{name}` is {shown!r}, where the words contradict each other; "
            "keep one of 'limit' and 'k=2'."
        )
    if distribution == "normal" and math.isfinite(degrees):
        distribution = "t"
    return cls(
        value=value,
        standard_uncertainty=spread / divisor,
        distribution=cast(Distribution, distribution),
        degrees_of_freedom=degrees,
        scope=cast(Scope, scope),
        unit=unit,
    )


def _from_mapping(
    cls: type[Quantity], table: dict[str, Any], *, unit: str, name: str, scope: str
) -> Quantity:
    """A table ``{value = "...", scope = "batch", degrees_of_freedom = 4}``."""
    allowed = {"value", "scope", "degrees_of_freedom"}
    strange = sorted(set(table) - allowed)
    if strange or "value" not in table:
        problem = f"has the entry {strange[0]!r}" if strange else "has no entry 'value'"
        raise InputError(
            f"`{name}` {problem}; a table may hold value, scope and degrees_of_freedom."
        )
    scope = str(table.get("scope", scope))
    base = cls.read(table["value"], unit=unit, name=name, scope=scope)
    degrees = table.get("degrees_of_freedom")
    if degrees is None:
        return base
    return dataclasses.replace(
        base,
        degrees_of_freedom=validation.positive(f"{name}.degrees_of_freedom", degrees),
        distribution="t" if base.distribution == "normal" else base.distribution,
    )


def _from_pint(cls: type[Quantity], value: Any, *, unit: str, name: str, scope: str) -> Quantity:
    text = f"{value.units:~}".replace(" * ", " ").replace(" ** ", "").replace("Δ", "")
    magnitude = value.magnitude
    spread = float(getattr(magnitude, "std_dev", 0.0))
    number = validation.number(name, getattr(magnitude, "nominal_value", magnitude))
    found = unit_names.unit(text.replace(" / ", "/"))
    if found.dimensions != unit_names.unit(unit).dimensions:
        raise _wrong_kind(name, str(value), text, unit)
    return cls(
        value=found.scale * number + found.zero,
        standard_uncertainty=found.scale * spread,
        unit=unit,
        scope=cast(Scope, scope),
    )


def require_positive(name: str, quantity: Quantity) -> Quantity:
    """The same quantity, or one sentence when it is not above zero."""
    if quantity.value <= 0:
        raise InputError(f"`{name}` is {quantity.value:g} {quantity.unit}; it must be above zero.")
    return quantity
