"""From the score of the level placement to a p-value under each named null, by a stored table.

``python -m benchmarks.calibrate`` makes the table: it draws every family without steps at three
sizes, scores each draw, and keeps the upper tail of the score.
"""

from __future__ import annotations

import functools
import json
from importlib.resources import files
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray

HURDLES: dict[str, tuple[float, ...]] = {
    "continuous": (-1.35, -2.0, -3.5),
    "lumpy": (0.35, 0.45, 1.0),
    "mirrored": (-0.4, -0.4, 0.0),
    "mixed": (0.1, -0.5, 1.0),
    "unequal": (0.1, -0.5, 1.0),
    "heaped": (0.15, 0.0, 0.3),
}
"""Log Bayes factors over each kind of null that are taken as equally strong, at `SIZES`."""

SIGMA_KNOWN = 1.0
OFFSET_FREE = 1.0
CROWDED = 3.0

SIZES: tuple[int, ...] = (8, 20, 60)


@functools.cache
def table() -> dict[str, Any]:
    """The stored calibration."""
    text = files("quantize.null").joinpath("calibration.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def score(
    log_ratios: dict[str, float],
    n: int,
    *,
    sigma_known: bool = False,
    free: bool = False,
    teeth: int = 0,
) -> float:
    """Least lead of the comb over any kind of null, each measured from its hurdle.

    With sigma known, or told by repeats, the comb no longer pays for finding it, and the
    continuous nulls, which have no sigma, never did: their hurdle is higher by `SIGMA_KNOWN`.
    A free offset lets the outermost teeth settle at the ends of the range: `OFFSET_FREE`.
    The cells of a comb reach half a unit beyond its outermost teeth, which costs it something
    against a uniform null; with many `teeth` this safety is gone, so the hurdle rises by up to
    `CROWDED` between 40 teeth and 80.
    """
    leads = []
    for kind, hurdle in HURDLES.items():
        of_kind = [value for name, value in log_ratios.items() if name.startswith(kind)]
        if of_kind:
            lead = min(of_kind) - _at_size(hurdle, n)
            if kind == "continuous":
                crowd = float(np.clip(np.log2(max(teeth, 1) / 40), 0, 1))
                lead -= SIGMA_KNOWN * sigma_known + OFFSET_FREE * free + CROWDED * crowd
            leads.append(lead)
    return min(leads)


def p_values(lead: float, n: int) -> dict[str, float]:
    """p-value of a score under each named null: the largest tail among its families.

    Between the sizes of the table the log of p is interpolated in log n; outside them the nearest
    size is used. Where too few pages were left to count, and beyond the table, p falls as
    exp(−score): a Bayes factor cannot promise more.
    """
    stored = table()
    out = {}
    for name, by_size in stored["tails"].items():
        logs = [
            _log_tail(lead, np.array(stored["scores"]), np.array(by_size[str(m)])) for m in SIZES
        ]
        out[name] = float(min(1.0, np.exp(_at_size(tuple(logs), n))))
    return out


def _log_tail(lead: float, scores: FloatArray, tail: FloatArray) -> float:
    if lead <= scores[0]:
        return 0.0
    inside = float(np.interp(lead, scores, np.log(tail)))
    return inside - max(lead - float(scores[-1]), 0.0)


def _at_size(heights: tuple[float, ...], n: int) -> float:
    return float(np.interp(np.log(max(n, 1)), np.log(SIZES), heights))
