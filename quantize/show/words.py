"""Numbers in words: odds, shares, relations between units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from quantize.null.calibration import FLOOR
from quantize.null.verdict import KINDS

if TYPE_CHECKING:
    from quantize.analysis import Analysis


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


def compared(found: Analysis) -> str:
    """What the Bayes factors of an analysis say, as odds, and against what each of them is."""
    over_all, over_best = found.log_bayes_factor_mixture, found.log_bayes_factor
    if not math.isfinite(over_all):
        return (
            "No odds are given: on so few different multiples a comb cannot be compared with data "
            "without steps."
        )
    factors = found.log_bayes_factors
    best = min(factors, key=lambda name: factors[name]).partition(":")[0]
    return (
        "Against data without steps of every kind in the table, in equal shares, "
        f"{_stated(over_all)}, if steps and none were equally likely beforehand (natural log of "
        f"the Bayes factor {over_all:.2f}). Against the kind that explains these readings "
        f"best, picked after they were seen ({KINDS.get(best, best)}), {_stated(over_best)} "
        f"({over_best:.2f})."
    )


def _stated(log_factor: float) -> str:
    said = odds(abs(log_factor))
    if said == "about even":
        return "the odds are about even"
    return f"the odds are {said} {'for' if log_factor > 0 else 'against'} steps"


def odds_short(log_factor: float) -> str:
    """Odds for steps in a column of a table; nothing for NaN."""
    if math.isnan(log_factor):
        return ""
    text = odds(log_factor)
    return text.replace("1 to more than a million", "1:over 1,000,000").replace(
        "more than a million to 1", "over 1,000,000:1"
    )


def chance(p: float) -> str:
    """A probability as "1 sample in N"; the smallest that is claimed is a bound.

    Examples
    --------
    >>> chance(0.0001), chance(0.031), chance(0.4)
    ('< 1 sample in 10,000', '1 sample in 32', '40 samples in 100')
    """
    if math.isnan(p):
        return "unknown"
    if p >= 0.1:
        return f"{round(100 * p)} samples in 100"
    if p <= 1e-9:
        return "< 1 sample in a billion"
    bound = "< " if math.isclose(p, FLOOR) else ""
    return f"{bound}1 sample in {_two_digits(1 / p):,}"


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
