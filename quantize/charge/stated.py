"""The ways to state a result with its standard uncertainty (JCGM 100:2008, 7.2.2)."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from quantize._support import validation

MANY = 500.0  # k for 95 % is 1.96 from here on
_DIGITS = 2  # significant digits of an uncertainty
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def stated(
    value: float, uncertainty: float, unit: str = "", *, symbol: str = ""
) -> tuple[str, str, str]:
    """One result with its standard uncertainty, to two digits of that, in three forms.

    "value with u_c = ...", "value(digits)", "(value ± uncertainty)", a `symbol` in front: ways 1,
    2 and 4 of the guide.

    >>> for line in stated(1.6021e-19, 1.5e-21, "C"):
    ...     print(line)
    1.602 × 10⁻¹⁹ C with u_c = 0.015 × 10⁻¹⁹ C
    1.602(15) × 10⁻¹⁹ C
    (1.602 ± 0.015) × 10⁻¹⁹ C, where ± is the standard uncertainty
    """
    y = validation.number("value", value, any_size=True)
    u = validation.positive("uncertainty", uncertainty, zero=True, any_size=True)
    head = f"{symbol} = " if symbol else ""
    tail = f" {unit}" if unit else ""
    if u == 0:
        plain = f"{head}{y:g}{tail}"
        return plain, plain, plain
    power = _power(y, u)
    mantissa, spread, decimals = _rounded(y, u, power)
    shift = times_ten(power)
    number, plus = f"{mantissa:.{decimals}f}", f"{spread:.{decimals}f}"
    last = f"{round(spread * 10**decimals):d}"
    return (
        f"{head}{number}{shift}{tail} with u_c = {plus}{shift}{tail}",
        f"{head}{number}({last}){shift}{tail}",
        f"{head}({number} ± {plus}){shift}{tail}, where ± is the standard uncertainty",
    )


def times_ten(power: int) -> str:
    """A power of ten behind a number, nothing where it is one.

    >>> times_ten(-19), times_ten(0)
    (' × 10⁻¹⁹', '')
    """
    return f" × 10{str(power).translate(_RAISED)}" if power else ""


def raised(text: str) -> str:
    """Powers of ten in a sentence as people write them.

    >>> raised("from 1.58e-19 C to 1.63e-19 C")
    'from 1.58 × 10⁻¹⁹ C to 1.63 × 10⁻¹⁹ C'
    """
    return re.sub(r"(?<=\d)e([+-]\d+)\b", lambda power: times_ten(int(power[1])), text)


def plus_minus(value: float, uncertainty: float, *, sign: str = "") -> str:
    """``value ± uncertainty`` within a sentence, to two digits of the uncertainty, no power of ten.

    >>> plus_minus(2.1234, 1.4901, sign="+"), plus_minus(61.28, 0.0996)
    ('+2.1 ± 1.5', '61.28 ± 0.10')
    """
    if not (math.isfinite(uncertainty) and uncertainty > 1e-12 * max(abs(value), 1e-300)):
        return f"{value:{sign}.6g} ± {uncertainty:.2g}"
    mantissa, spread, decimals = _rounded(value, uncertainty, 0)
    if spread >= 100:
        mantissa = round(value, 1 - math.floor(math.log10(spread)))
    # Adding zero turns minus zero into zero.
    return f"{mantissa + 0.0:{sign}.{decimals}f} ± {spread:.{decimals}f}"


def counted(n: float, noun: str = "reading") -> str:
    """A number of things in words.

    >>> counted(1), counted(2, "fall")
    ('1 reading', '2 falls')
    """
    return f"{n:.0f} {noun}{'' if n == 1 else 's'}"


def rows_named(
    rows: Sequence[int], lines: Sequence[object], source: str, most: int | None = None
) -> str:
    """Rows of a run in a sentence, the first `most`, with the `lines` of all rows in the file.

    >>> rows_named([3, 5], [2, 3, 4, 7, 8], "page.csv")
    'rows 3, 5 (lines 4, 8 of page.csv)'
    """
    several = "s" if len(rows[:most]) > 1 else ""
    text = f"row{several} {', '.join(map(str, rows[:most]))}"
    if not lines:
        return text
    there = ", ".join(str(lines[row - 1]) for row in rows[:most])
    return f"{text} (line{several} {there} of {source})"


def degrees_of_freedom(degrees: float) -> str:
    """Degrees of freedom as text for a table: a number, or "inf".

    Above `MANY` Student's t is the normal law to the digits of any result, so that they are
    effectively infinite. They are rounded down (JCGM 100:2008, G.4.1).

    >>> [degrees_of_freedom(nu) for nu in (16.7, 306841.0, math.inf)]
    ['16', 'inf', 'inf']
    """
    return "inf" if degrees > MANY else f"{math.floor(degrees)}"


def expanded(value: float, uncertainty: float, factor: float, degrees: float, unit: str) -> str:
    """The expanded uncertainty of a result in a sentence (JCGM 100:2008, 7.2.4).

    >>> print(expanded(10.0, 0.1, 2.13, 16.7, "V"))
    expanded uncertainty U = 0.21 V with k = 2.13 for a coverage probability of 95 %, effective
    degrees of freedom 16
    """
    shift, _, _ = stated(value, factor * uncertainty, unit)
    half = shift.partition("u_c = ")[2] or f"0 {unit}"
    number = degrees_of_freedom(degrees)
    number = "effectively infinite" if number == "inf" else number
    return (
        f"expanded uncertainty U = {half} with k = {factor:.2f} for a coverage probability of "
        f"95 %, effective degrees of freedom {number}"
    )


def _power(value: float, uncertainty: float) -> int:
    """Power of ten that is taken out; none for numbers of ordinary size.

    Nor may the last digit stated of the uncertainty stand left of the decimal point, where
    zeros would pass for digits.
    """
    size = max(abs(value), uncertainty)
    order = math.floor(math.log10(size))
    coarse = uncertainty >= 10.0**_DIGITS - 0.5
    return 0 if -4 < order < 6 and not coarse else order


def _rounded(value: float, uncertainty: float, power: int) -> tuple[float, float, int]:
    scale = 10.0**-power
    spread = uncertainty * scale
    decimals = _DIGITS - 1 - math.floor(math.log10(spread) + 1e-12)
    spread = round(spread, decimals)
    if spread >= 10.0 ** (_DIGITS - decimals):
        decimals -= 1
    decimals = max(decimals, 0)
    return round(value * scale, decimals), spread, decimals
