"""The text of a quantity: a number, its uncertainty, a unit, and words about them."""

from __future__ import annotations

import math
import re
from typing import Any

from quantize._support.errors import InputError
from quantize.charge.unit_names import KINDS, Unit, kind_of
from quantize.charge.unit_names import unit as unit_of

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


def parse(text: str, *, unit: str, name: str, scope: str) -> dict[str, Any]:
    """The fields of a quantity in the SI unit, from text; the `scope` where it names none.

    InputError for text outside the grammar, or with two readings; messages call it `name`.
    """
    return _Text(text, unit, name).parsed(scope)


class _Text:
    """One text on its way to numbers."""

    def __init__(self, text: str, wanted: str, name: str) -> None:
        self.text, self.wanted, self.name = text, wanted, name
        self.shown = text.strip()

    def fault(self, what: str) -> InputError:
        return InputError(f"`{self.name}` is {self.shown!r}{what}")

    def parsed(self, scope: str) -> dict[str, Any]:
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
        if after:
            return self._with_spread(value, before, after[0], scope)
        unit_text, words = self._split_words(before)
        found = self._unit(unit_text)
        decimals = len(plain["value"].partition(".")[2])
        spread = float(f"{int(plain['digits'] or 0)}e{-decimals}")
        spread *= float(f"1{plain['power'] or 'e0'}") * found.scale
        stated = plain["digits"] is not None
        return self._result(found, value, spread, words, scope, stated=stated)

    def _with_spread(self, value: float, before: str, after: str, scope: str) -> dict[str, Any]:
        """A number, perhaps its unit, then ± and what follows."""
        second = _SPREAD.match(after)
        if second is None:
            raise self.fault(f", with no number after the ±; {GRAMMAR}.")
        number = float(second["spread"])
        if second["spread"].startswith("-"):
            raise self.fault("; an uncertainty has no sign.")
        unit_text, words = self._split_words(before)
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
        return self._result(found, value, spread, words, scope, stated=True)

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
            found = unit_of(unit_text)
        except InputError as error:
            raise InputError(f"`{self.name}` is {self.shown!r}: {error}") from None
        if found.dimensions != unit_of(self.wanted).dimensions:
            if not unit_text or unit_text in _SHARES:
                raise self.fault(f", with no unit; {GRAMMAR}.")
            raise wrong_kind(self.name, self.shown, unit_text, self.wanted)
        return found

    def _split_words(self, rest: str) -> tuple[str, list[re.Match[str]]]:
        """The unit, and the words behind it."""
        tight = rest.strip()
        if tight[:1] in "*^+-/(<>=~" and tight:
            raise self.fault(f", which holds an operator or a power; {GRAMMAR}.")
        if tight[:1].isdigit() or tight[:1] == ".":
            raise self.fault(", with two numbers in a row; write the number without spaces.")
        parts = tight.replace("k = ", "k=").replace("n = ", "n=").split()
        words: list[re.Match[str]] = []
        while parts and (found := _WORD.match(parts[-1].strip("(),;").lower())) is not None:
            words.append(found)
            parts.pop()
        return " ".join(parts), words

    def _result(
        self,
        found: Unit,
        value: float,
        spread: float,
        words: list[re.Match[str]],
        scope: str,
        *,
        stated: bool,
    ) -> dict[str, Any]:
        """Numbers in SI units, the uncertainty as its words say."""
        if not math.isfinite(value) or not math.isfinite(spread):
            raise self.fault(", which is too large to be a quantity.")
        distribution, degrees, divisor, scope = self._meaning(words, scope, stated=stated)
        return {
            "value": tidy(found.scale * value + found.zero),
            "standard_uncertainty": tidy(spread) / divisor,
            "distribution": distribution,
            "degrees_of_freedom": degrees,
            "scope": scope,
        }

    def _meaning(
        self, words: list[re.Match[str]], scope: str, *, stated: bool
    ) -> tuple[str, float, float, str]:
        """Distribution, degrees of freedom, divisor and scope."""
        distribution, degrees, divisor, meanings = "normal", math.inf, 1.0, 0
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
        return distribution, degrees, divisor, scope


def tidy(value: float) -> float:
    """The same number without the last binary digits that a change of unit leaves behind."""
    return float(f"{value:.15g}")


def wrong_kind(name: str, shown: str, found: str, wanted: str) -> InputError:
    """One sentence for a unit that measures something else."""
    words, example = KINDS[wanted]
    kind = kind_of(unit_of(found).dimensions)
    return InputError(
        f"`{name}` is {shown!r}, which is {kind}; it must be {words}, for example '{example}'."
    )
