"""Numbers in words: odds, shares, relations between units."""

from __future__ import annotations

import math


def odds(log_factor: float) -> str:
    """A Bayes factor in words, from its natural logarithm.

    Examples
    --------
    >>> odds(7.97), odds(-3.2), odds(0.3), odds(60)
    ('2,900 to 1', '1 to 25', 'about even', 'more than a million to 1')
    """
    if math.isnan(log_factor):
        return "unknown"
    size = abs(log_factor)
    if size < math.log(1.5):
        return "about even"
    if size > math.log(1e6):
        many = "more than a million"
    else:
        many = f"{_two_digits(math.exp(size)):,}" if size > math.log(10) else _small(size)
    return f"{many} to 1" if log_factor > 0 else f"1 to {many}"


def _small(size: float) -> str:
    return f"{math.exp(size):.1f}".removesuffix(".0")


def _two_digits(value: float) -> int:
    place = 10 ** max(int(math.log10(value)) - 1, 0)
    return int(round(value / place) * place)


def strength(log_factor: float) -> str:
    """How much a Bayes factor says, as a clause after "the readings"."""
    size = abs(log_factor)
    side = "steps" if log_factor > 0 else "no steps"
    if size < math.log(3):
        return "hardly speak either way"
    if size < math.log(20):
        return f"lean towards {side}"
    return f"speak clearly for {side}" if size < math.log(150) else f"speak strongly for {side}"


def weighed(log_factor: float) -> str:
    """The Bayes factor against the best explanation without steps, as a sentence."""
    if math.isnan(log_factor):
        return "The two sides could not be weighed against each other for these readings."
    said = odds(abs(log_factor))
    if said[0].isdigit() or said.startswith("more"):
        said = f"odds of {said} {'for' if log_factor > 0 else 'against'} steps"
    else:
        said = f"the odds are {said}"
    return (
        f"Weighed against the best explanation without steps, the readings {strength(log_factor)}: "
        f"{said}, if both were equally likely beforehand (natural log of the Bayes factor "
        f"{log_factor:.2f})."
    )


def odds_short(log_factor: float) -> str:
    """Odds for steps in a column of a table; nothing for NaN."""
    if math.isnan(log_factor):
        return ""
    text = odds(log_factor)
    return text.replace("1 to more than a million", "1:over 1,000,000").replace(
        "more than a million to 1", "over 1,000,000:1"
    )


def chance(p: float) -> str:
    """A probability as "1 page in N".

    Examples
    --------
    >>> chance(0.0001), chance(0.031), chance(0.4)
    ('1 page in 10,000', '1 page in 32', '40 pages in 100')
    """
    if math.isnan(p):
        return "unknown"
    if p >= 0.1:
        return f"{round(100 * p)} pages in 100"
    if p <= 1e-9:
        return "< 1 page in a billion"
    return f"1 page in {_two_digits(1 / p):,}"


def share(value: float) -> str:
    """A share in per cent, never a false 0 or 100.

    Examples
    --------
    >>> share(0.9996), share(0.25), share(0.0004), share(1.0)
    ('> 99.9 %', '25.0 %', '< 0.1 %', '> 99.9 %')
    """
    if math.isnan(value):
        return "unknown"
    if value > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if value < 0.001 else f"{100 * value:.1f} %"


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


def counted(n: int, noun: str, plural: str | None = None) -> str:
    """``3 readings``, ``one reading``."""
    return f"one {noun}" if n == 1 else f"{n:,} {plural or noun + 's'}"
