"""Numbers as readers see them: rounded to their uncertainty, or as probabilities.

A value carries as many digits as its standard uncertainty allows: the uncertainty is rounded to two
significant digits (9.96 becomes 10, 0.0996 becomes 0.10) and the value to the same decimal place. A
power of ten is taken out of both when the larger of them is below 0.001 or at least a million, or
when the second digit of the uncertainty would stand left of the decimal point. Where the
uncertainty is zero, infinite or unknown the value keeps six digits and the text says so.

References
----------
JCGM 100:2008, 7.2.2 (ways to state a result) and 7.2.6 (how many digits).
"""

from __future__ import annotations

import dataclasses
import math
import re

from quantize.charge.stated import stated, times_ten

_POWER = re.compile(r"(?:1(?:\.0*)?[eE]|10\^)(?P<power>[+-]?\d{1,3})(?!\d)\s*(?P<rest>.*)")
_SMALLEST, _LARGEST = 1e-290, 1e290
_FINEST = 1e-15
"""Relative uncertainty below which a floating-point value has no digit to state."""


def plus_minus(value: float, uncertainty: float, unit: str = "") -> str:
    """``(value ± uncertainty) unit``, or ``value ± uncertainty`` where there is no unit.

    >>> plus_minus(4.90894, 0.00457)
    '4.9089 ± 0.0046'
    >>> plus_minus(1.6021e-19, 1.5e-21, "C")
    '(1.602 ± 0.015) × 10⁻¹⁹ C'
    """
    plain = _plain(value, uncertainty, unit, " ± unknown")
    if plain is not None:
        return plain
    text = stated(value, uncertainty, unit)[2].partition(",")[0]
    closed = text.startswith("(") and text.endswith(")")
    return text[1:-1] if closed else text


def brackets(value: float, uncertainty: float, unit: str = "") -> str:
    """``value(digits) unit``: the digits in brackets are those of the uncertainty.

    >>> brackets(4.90894, 0.00457)
    '4.9089(46)'
    """
    plain = _plain(value, uncertainty, unit, "(?)")
    return stated(value, uncertainty, unit)[1] if plain is None else plain


def unit_shown(name: str | None) -> str:
    """A unit of measurement as people write it: a power of ten in front of it is raised."""
    found = _POWER.fullmatch(name or "")
    if found is None:
        return name or ""
    return f"{times_ten(int(found['power'])).removeprefix(' × ')} {found['rest']}".strip()


def in_unit(text: str, name: str | None) -> str:
    """A number, written already, with the unit that it is measured in.

    >>> in_unit("1.606(26)", "1e-19 C"), in_unit("4.91 ± 0.02", "1e-10 esu")
    ('1.606(26) × 10⁻¹⁹ C', '(4.91 ± 0.02) × 10⁻¹⁰ esu')
    """
    shown = unit_shown(name)
    if shown == (name or ""):
        return f"{text} {shown}".rstrip()
    return f"{f'({text})' if '±' in text else text} × {shown}"


def rounded(value: float, uncertainty: float) -> str:
    """The value alone, to the last digit that its uncertainty allows."""
    plain = _plain(value, uncertainty, "", "")
    if plain is not None:
        return plain
    number, _, rest = brackets(value, uncertainty).partition("(")
    return number + rest.partition(")")[2]


def significant(value: float, digits: int = 4) -> str:
    """A number to so many significant digits, trailing zeros kept; "unknown" for NaN."""
    if math.isnan(value):
        return "unknown"
    if math.isinf(value):
        return "infinite" if value > 0 else "minus infinite"
    text = f"{value:#.{digits}g}".rstrip(".")
    mantissa, sign, power = text.partition("e")
    return mantissa.rstrip(".") + (times_ten(int(power)) if sign else "")


def decimals_of(uncertainty: float, *, digits: int = 2, most: int = 12) -> int:
    """Decimal places at which two digits of the uncertainty end; 0 for coarse ones."""
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return 0
    text = f"{uncertainty:.{digits - 1}e}"
    return min(max(digits - 1 - int(text.partition("e")[2]), 0), most)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Form:
    """How the readings of one sample are written: decimals, and a power of ten taken out."""

    places: int
    power: int
    extra: int = 0

    @property
    def finer(self) -> Form:
        """For what is computed of readings that are rounded more coarsely than they scatter."""
        return dataclasses.replace(self, places=self.places + self.extra)

    @property
    def taken_out(self) -> str:
        """What a heading says of the power of ten."""
        return times_ten(self.power).replace(" × ", ", values in ")

    def __call__(self, value: float, sign: str = "") -> str:
        """A value of the sample as text."""
        return self.mantissa(value, sign) + times_ten(self.power)

    def mantissa(self, value: float, sign: str = "") -> str:
        """The text without its power of ten."""
        text = f"{value / 10.0**self.power:{sign}.{self.places}f}"
        return text.replace("-", "+" if sign else "") if float(text) == 0 else text


def _plain(value: float, uncertainty: float, unit: str, unknown: str) -> str | None:
    """The text for whatever cannot be stated with two digits of its uncertainty, else None."""
    tail = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return ("unknown" if math.isnan(value) else significant(value)) + tail
    size = max(abs(value), abs(uncertainty))
    usual = math.isfinite(uncertainty) and uncertainty > _FINEST * abs(value)
    if usual and uncertainty > _SMALLEST and size < _LARGEST:
        return None
    known = math.isfinite(uncertainty) and uncertainty >= 0
    return f"{value:.6g}" + ("" if known else unknown) + tail


def probability(value: float) -> str:
    """A probability to three decimals, never a false 0 or 1."""
    if math.isnan(value):
        return "unknown"
    if value > 0.9995:
        return "> 0.999"
    return "< 0.001" if value < 0.0005 else f"{value:.3f}"


_RELATIONS = {
    "best": "the best unit",
    "u/2": "half of it",
    "u/3": "a third of it",
    "u/4": "a quarter of it",
    "u/5": "a fifth of it",
    "2u": "twice it",
    "3u": "three times it",
    "4u": "four times it",
    "5u": "five times it",
    "2u/3": "two thirds of it",
    "3u/2": "one and a half times it",
    "3u/4": "three quarters of it",
    "4u/3": "four thirds of it",
    "unrelated": "no simple fraction of it",
}


def relation(short: str) -> str:
    """What a rival unit is to the best one, as a phrase."""
    return _RELATIONS.get(short, f"{short.replace('u', '')} of it".lstrip())
