"""Units and the text of a quantity: a number, its uncertainty, a unit, and words about them.

The library ``pint`` is asked for single names only ("mm", "hPa"). How names are joined is read
here, because a general expression parser takes far too much for a unit.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import re
from collections import Counter
from typing import Any

from quantize._support.errors import InputError

Dimensions = tuple[tuple[str, float], ...]
Words = list[re.Match[str]]

_FACTOR = re.compile(r"([A-Za-zµμΩ°%]+)(?:\^?([+-]?\d))?$")
_SUPERSCRIPTS = str.maketrans({"²": "2", "³": "3", "⁻": "-", "¹": "1"})
_OWN_NAMES = {"%": "percent", "division": "div", "divisions": "div", "statC": "esu"}
_STATCOULOMB = 3.3356409519815204e-10  # coulombs, 1/(10 c) with c in m/s

# SI unit in which the library keeps each kind of quantity: (what it is, an example).
KINDS: dict[str, tuple[str, str]] = {
    "1": ("a plain number", "0.45"),
    "m": ("a length", "4.24 +/- 0.02 mm"),
    "s": ("a time", "10.0 +/- 0.1 s"),
    "V": ("a voltage", "227 +/- 1 V"),
    "N": ("a force", "5.15e-14 +/- 0.08e-14 N"),
    "m/s": ("a speed", "0.15 +/- 0.01 mm/s"),
    "kg/m3": ("a density", "1055 +/- 5 kg/m3"),
    "K": ("a temperature", "21.5 +/- 0.5 degC"),
    "Pa": ("a pressure", "1013 +/- 2 hPa"),
    "Pa s": ("a viscosity", "18.2 +/- 0.1 uPa s"),
    "m/s2": ("an acceleration", "9.81 m/s2"),
    "rad": ("an angle", "1.0 +/- 0.5 deg"),
    "div": ("a number of scale divisions", "55.2 +/- 0.4 div"),
    "div/s": ("divisions per second", "5.5 +/- 0.1 div/s"),
    "m/div": ("a length per division", "25.0 +/- 0.1 um/div"),
    "C": ("a charge", "9.6e-19 C"),
}

SCOPES: tuple[str, ...] = ("reading", "state", "particle", "session", "bench", "batch")
GRAMMAR = (
    "write 'number unit', 'number +/- number unit' or 'number(n) unit', "
    "for example '4.24 +/- 0.02 mm', '4.24(2) mm' or '4.24 mm +/- 0.5 %'"
)

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)"
_POWER_OF_TEN = r"(?:[eE][+-]?\d+)?"
_PLAIN = re.compile(
    rf"\s*(?P<value>{_NUMBER})(?:\((?P<digits>\d+)\))?(?P<power>{_POWER_OF_TEN})(?P<rest>.*)$",
    re.DOTALL,
)
_SIGN = re.compile(r"\+/-|\+-|±")
_SPREAD = re.compile(rf"\s*(?P<spread>{_NUMBER}{_POWER_OF_TEN})(?P<rest>.*)$", re.DOTALL)
_SHARE = re.compile(r"\s*(?P<sign>%|(?:percent|ppm)(?![A-Za-z]))(?P<rest>.*)$", re.DOTALL)
_SHARES = {"%": 1e-2, "percent": 1e-2, "ppm": 1e-6}
_WORD = re.compile(
    r"(?P<limit>limits?)$|(?P<standard>standard)$|k=(?P<k>\d+(?:\.\d+)?)$|n=(?P<n>\d+)$"
    r"|dof=(?P<dof>\d+(?:\.\d+)?)$|(?P<scope>" + "|".join(SCOPES) + r")$"
)
_LONGEST = 200
_AMBIGUOUS = 2.0  # a plain number below it may be meant as it stands, whatever % follows


@dataclasses.dataclass(frozen=True)
class Unit:
    """A unit as a straight line onto SI: ``SI value = scale * value + zero``."""

    text: str
    scale: float
    zero: float
    dimensions: Dimensions


@functools.lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(cache_folder=None)
    registry.define("scale_division = [scale_division] = div")
    return registry


@functools.lru_cache(maxsize=512)
def _single(name: str) -> Unit:
    """One bare name, as pint knows it."""
    if name in ("esu", "statC", "statcoulomb"):
        return dataclasses.replace(_single("C"), text=name, scale=_STATCOULOMB)
    registry = _registry()
    try:
        unit = registry.Unit(_OWN_NAMES.get(name, name))
    except Exception:
        raise InputError(
            f"the unit {name!r} is not known; write an SI unit or one of its usual fractions, "
            "such as mm, um, V, s, N, kg/m3, degC, hPa, cmHg, div."
        ) from None
    zero = float(registry.Quantity(0.0, unit).to_base_units().magnitude)
    scale = float(registry.Quantity(1.0, unit).to_base_units().magnitude) - zero
    if zero:
        scale = round(scale, 9)
    dimensions = tuple(
        sorted((str(d), float(p)) for d, p in unit.dimensionality.items() if float(p))
    )
    return Unit(name, scale, zero, dimensions)


@functools.lru_cache(maxsize=512)
def unit(text: str) -> Unit:
    """Read a unit such as ``mm``, ``kg/m3``, ``m/s^2``, ``uPa s``, ``um/div`` or ``1``.

    InputError for unknown names, powers of powers, brackets or anything else that is no plain unit.

    >>> unit("g/cm3").scale, unit("degC").zero
    (1000.0, 273.15)
    """
    cleaned = text.strip().translate(_SUPERSCRIPTS).replace("·", " ")
    if cleaned in ("", "1"):
        return Unit("1", 1.0, 0.0, ())
    if "*" in cleaned or "(" in cleaned:
        raise InputError(
            f"the unit {text!r} holds an operator or a bracket; write a plain unit, "
            "such as kg/m3 or m/s2."
        )
    scale, powers, zero, factors = 1.0, Counter[str](), 0.0, 0
    for position, group in enumerate(cleaned.split("/")):
        names = group.split()
        if not names and not (position == 0 and group == ""):
            raise InputError(f"the unit {text!r} has an empty part beside '/'.")
        for name in names:
            if name == "1" and position == 0:
                continue
            found = _FACTOR.match(name)
            if found is None:
                raise InputError(
                    f"the unit {text!r} cannot be read at {name!r}; write a plain unit, "
                    "such as mm, kg/m3 or degC."
                )
            single = _single(found.group(1))
            if not single.dimensions and cleaned != found.group(1):
                raise InputError(
                    f"the unit {text!r} joins {name!r}, a plain number, to another unit; write an "
                    "uncertainty as in '4.24 mm +/- 0.5 %'."
                )
            power = int(found.group(2) or 1) * (1 if position == 0 else -1)
            scale *= single.scale**power
            zero, factors = single.zero, factors + 1
            powers.update({d: exponent * power for d, exponent in single.dimensions})
    dimensions = tuple(sorted((d, p) for d, p in powers.items() if p))
    return Unit(text.strip(), float(f"{scale:.14g}"), zero if factors == 1 else 0.0, dimensions)


def same_kind(first: str, second: str) -> bool:
    """Whether two units measure the same kind of quantity."""
    return unit(first).dimensions == unit(second).dimensions


def kind_of(dimensions: Dimensions) -> str:
    """What a unit measures, in words."""
    for name, (words, _) in KINDS.items():
        if unit(name).dimensions == dimensions:
            return words
    return "a quantity of another kind"


def wrong_kind(name: str, shown: str, found: str, wanted: str) -> InputError:
    """One sentence for a unit that measures something else."""
    words, example = KINDS[wanted]
    kind = kind_of(unit(found).dimensions)
    return InputError(
        f"`{name}` is {shown!r}, which is {kind}; it must be {words}, for example '{example}'."
    )


def parse(text: str, *, unit: str, name: str, scope: str) -> dict[str, Any]:
    """The fields of a quantity in the SI unit, from text; the `scope` where it names none.

    InputError for text outside the grammar, or with two readings; messages call it `name`.
    """
    return _Text(text, unit, name, scope).parsed()


class _Text:
    """One text on its way to numbers."""

    def __init__(self, text: str, wanted: str, name: str, scope: str) -> None:
        self.text, self.wanted, self.name, self.scope = text, wanted, name, scope
        self.shown = text.strip()

    def fault(self, what: str) -> InputError:
        return InputError(f"`{self.name}` is {self.shown!r}{what}")

    def parsed(self) -> dict[str, Any]:
        if len(self.text) > _LONGEST:
            raise InputError(f"`{self.name}` is text of {len(self.text)} characters; {GRAMMAR}.")
        if "," in self.text:
            raise self.fault(
                ", which holds a comma; use a point for decimals and no separators between "
                "thousands."
            )
        plain = _PLAIN.match(self.text)
        if plain is None:
            raise self.fault(f", which is no quantity; {GRAMMAR}.")
        value = float(plain["value"] + plain["power"])
        before, *after = _SIGN.split(plain["rest"])
        if len(after) + (plain["digits"] is not None) > 1:
            raise self.fault(f", with two uncertainties; {GRAMMAR}.")
        unit_text, words = self._split_words(before)
        if after:
            found, spread, words = self._spread(value, unit_text, words, after[0])
        else:
            found = self._unit(unit_text)
            decimals = len(plain["value"].partition(".")[2])
            spread = float(f"{int(plain['digits'] or 0)}e{-decimals}")
            spread *= float(f"1{plain['power'] or 'e0'}") * found.scale
        if not math.isfinite(value) or not math.isfinite(spread):
            raise self.fault(", which is too large to be a quantity.")
        stated = bool(after) or plain["digits"] is not None
        divisor, meaning = self._meaning(words, stated=stated)
        numbers = {
            "value": tidy(found.scale * value + found.zero),
            "standard_uncertainty": tidy(spread) / divisor,
        }
        return numbers | meaning

    def _spread(
        self, value: float, unit_text: str, words: Words, after: str
    ) -> tuple[Unit, float, Words]:
        """The unit and the uncertainty from what follows a ±, and the words behind it."""
        second = _SPREAD.match(after)
        if second is None:
            raise self.fault(f", with no number after the ±; {GRAMMAR}.")
        number = float(second["spread"])
        if second["spread"].startswith("-"):
            raise self.fault("; an uncertainty has no sign.")
        if words:
            raise self.fault(f", with {words[0][0]!r} before the ±; {GRAMMAR}.")
        share = _SHARE.match(second["rest"])
        behind, words = self._split_words(share["rest"] if share else second["rest"])
        if share is None:
            found, spread = self._absolute(number, unit_text, behind)
        elif unit_text or behind:
            found, spread = self._relative(
                value, number * _SHARES[share["sign"]], unit_text, behind
            )
        else:
            found = self._unit(share["sign"])
            if abs(value) < _AMBIGUOUS:
                raise self.fault(
                    ", where the % may belong to both numbers or to the uncertainty alone; write "
                    "both without %."
                )
            spread = number * found.scale
        return found, spread, words

    def _absolute(self, number: float, unit_text: str, behind: str) -> tuple[Unit, float]:
        """An uncertainty in a unit: the value's, or one of its own."""
        if not unit_text:
            found = self._unit(behind)
            return found, number * found.scale
        found = self._unit(unit_text)
        if not behind:
            raise self.fault(
                f", whose uncertainty has no unit; write '+/- {number:g} {unit_text}', or "
                f"'+/- {number:g} %'."
            )
        return found, number * self._unit(behind).scale

    def _relative(
        self, value: float, share: float, unit_text: str, behind: str
    ) -> tuple[Unit, float]:
        """An uncertainty as a share of the value."""
        if unit_text and behind:
            raise self.fault(f", with a unit after the %; {GRAMMAR}.")
        found = self._unit(unit_text or behind)
        if found.text in _SHARES:
            raise self.fault(
                ", where the uncertainty may be a share of the value or be added to it; write "
                "both without %."
            )
        if found.zero:
            raise self.fault(
                f"; a share of a temperature in {found.text} means nothing, since its zero is "
                "arbitrary: write the uncertainty in kelvins."
            )
        if value == 0:
            raise self.fault("; a share of zero is zero: write the uncertainty with its unit.")
        return found, abs(value) * share * found.scale

    def _unit(self, unit_text: str) -> Unit:
        """The unit, of the kind that is wanted."""
        try:
            found = unit(unit_text)
        except InputError as error:
            raise InputError(f"`{self.name}` is {self.shown!r}: {error}") from None
        if found.dimensions != unit(self.wanted).dimensions:
            if not unit_text or unit_text in _SHARES:
                raise self.fault(f", with no unit; {GRAMMAR}.")
            raise wrong_kind(self.name, self.shown, unit_text, self.wanted)
        return found

    def _split_words(self, rest: str) -> tuple[str, Words]:
        """The unit, and the words behind it."""
        tight = rest.strip()
        if tight[:1] in "*^+-/(<>=~" and tight:
            raise self.fault(f", which holds an operator or a power; {GRAMMAR}.")
        if tight[:1].isdigit() or tight[:1] == ".":
            raise self.fault(", with two numbers in a row; write the number without spaces.")
        parts = tight.replace("k = ", "k=").replace("n = ", "n=").split()
        words: Words = []
        while parts and (found := _WORD.match(parts[-1].strip("(),;").lower())) is not None:
            words.append(found)
            parts.pop()
        return " ".join(parts), words

    def _meaning(self, words: Words, *, stated: bool) -> tuple[float, dict[str, Any]]:
        """The divisor of the uncertainty; its distribution, degrees of freedom and scope."""
        distribution, degrees, divisor, meanings = "normal", math.inf, 1.0, 0
        scope = self.scope
        for word in words:
            if word["scope"]:
                scope = word["scope"]
                continue
            if not stated:
                raise self.fault(
                    f", where {word[0]!r} speaks of an uncertainty that is not there; add "
                    "'+/- number', or leave the word out."
                )
            if word["limit"]:
                distribution, divisor, meanings = "rectangular", math.sqrt(3.0), meanings + 1
            elif word["k"]:
                divisor, meanings = float(word["k"]), meanings + 1
            elif word["n"] or word["dof"]:
                degrees = int(word["n"]) - 1 if word["n"] else float(word["dof"])
                if degrees < 1:
                    raise self.fault("; a standard error needs at least two repeats.")
        if meanings > 1 or divisor == 0:
            raise self.fault(
                ", where the words contradict each other; keep one of 'limit' and 'k=2'."
            )
        if distribution == "normal" and math.isfinite(degrees):
            distribution = "t"
        return divisor, {
            "distribution": distribution,
            "degrees_of_freedom": degrees,
            "scope": scope,
        }


def tidy(value: float) -> float:
    """The same number without the last binary digits that a change of unit leaves behind."""
    return float(f"{value:.15g}")
