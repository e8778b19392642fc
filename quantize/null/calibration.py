"""From evidence to a p-value under each named kind of data without steps, by a stored table.

And how odds, chances and shares are said, to the same digits wherever they stand.

``python -m benchmarks.calibrate`` makes the table: it draws families without steps at a few sizes,
scores each sample, and keeps the upper tail of the score.
"""

from __future__ import annotations

import functools
import json
import math
from importlib.resources import files
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray

KINDS = (
    *("continuous", "lumpy", "mirrored", "mixed", "unequal", "heaped"),
    *("sums", "small sums", "differences"),
)
"""Kinds of null; the names of their Bayes factors begin with them."""
FLOOR = 1e-4
"""Smaller p-values are not claimed: the samples behind the table do not bear them out."""


def need_alpha(alpha: float) -> None:
    """Refuse a level below every p-value that is claimed."""
    if alpha < FLOOR:
        raise InputError(
            f"`alpha` is {alpha:g}, and no p-value below {FLOOR:g} is claimed; give at least "
            f"{FLOOR:g}."
        )


@functools.cache
def table() -> dict[str, Any]:
    """The stored calibration."""
    text = files("quantize.null").joinpath("calibration.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def mode(*, sigma_known: bool, free: bool) -> str:
    """Which part of the table holds: chance does not do as well in all."""
    return f"offset {'free' if free else 'zero'}, sigma {'known' if sigma_known else 'unknown'}"


def least_by_kind(log_ratios: dict[str, float]) -> dict[str, float]:
    """Log Bayes factor of the comb over the best null of each kind that was compared."""
    out: dict[str, float] = {}
    for name, value in log_ratios.items():
        kind = name.partition(":")[0]
        out[kind] = min(out.get(kind, np.inf), value)
    return out


def score(log_ratios: dict[str, float], n: int, part: str) -> float:
    """Log odds of the comb against the best null of each kind, kinds weighted.

    The log weights differ in how tightly nulls of a kind fit: beating one of them by a factor is
    rarer than beating another by the same. Each size of the table has weights of its own, and the
    log odds between two sizes lie between those with the weights of either. `part` is a `mode`.
    """
    stored = table()
    against = least_by_kind(log_ratios)
    rows = [np.array(stored["log_weights"][part][kind]) - value for kind, value in against.items()]
    by_size = -np.logaddexp.reduce(rows)
    # A kind that explains the readings infinitely better does so at every size.
    if not np.isfinite(by_size).all():
        return float(by_size[0])
    return float(np.interp(np.log(max(n, 1)), np.log(stored["sizes"]), by_size))


def p_values(lead: float, n: int, part: str) -> dict[str, float]:
    """p-value of a score under each named null: the largest tail among its families.

    `part` is a `mode`. Between the sizes of the table the log of p is interpolated in log n;
    outside them the nearest size is used. Where too few samples were left to count, and beyond the
    table, p falls as exp(−score), a Bayes factor cannot promise more, and never below `FLOOR`.
    """
    stored = table()
    scores = np.array(stored["scores"])
    out = {}
    for name, by_size in stored["tails"][part].items():
        sizes = sorted(int(size) for size in by_size)
        logs = [_log_tail(lead, scores, np.array(by_size[str(m)])) for m in sizes]
        p = np.exp(np.interp(np.log(max(n, 1)), np.log(sizes), logs))
        out[name] = float(np.clip(p, FLOOR, 1.0))
    return out


def _log_tail(lead: float, scores: FloatArray, tail: FloatArray) -> float:
    if lead <= scores[0]:
        return 0.0
    inside = float(np.interp(lead, scores, np.log(tail)))
    return inside - max(lead - float(scores[-1]), 0.0)


def odds(log_factor: float) -> str:
    """A Bayes factor in words, from its natural logarithm."""
    if math.isnan(log_factor):
        return "unknown"
    size = abs(log_factor)
    if size < math.log(1.5):
        return "about even"
    if size > math.log(1e6):
        many = "more than a million"
    elif size > math.log(10):
        many = _two_digits(math.exp(size))
    else:
        many = f"{math.exp(size):.1f}".removesuffix(".0")
    return f"{many} to 1" if log_factor > 0 else f"1 to {many}"


def _two_digits(value: float) -> str:
    place = 10 ** max(int(math.log10(value)) - 1, 0)
    return f"{round(value / place) * place:,}"


def chance(p: float, *, none: bool = False) -> str:
    """A probability as "1 sample in N"; a bound where it is the smallest, or `none` was seen."""
    if math.isnan(p):
        return "unknown"
    if p >= 0.1:
        return f"{round(100 * p)} samples in 100"
    if p <= 1e-9:
        return "< 1 sample in a billion"
    bound = "< " if none or math.isclose(p, FLOOR) else ""
    return f"{bound}1 sample in {_two_digits(1 / p)}"


def share(value: float) -> str:
    """A share in per cent, never a false 0 or 100."""
    if math.isnan(value):
        return "unknown"
    if value > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if value < 0.001 else f"{100 * value:.1f} %"
