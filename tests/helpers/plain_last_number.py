"""The likelihood with an unknown last whole number, by a plain sum over it."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import norm

from quantize.readings import Readings


def prior_of_last(readings: Readings, first: int, smallest: float) -> dict[int, float]:
    """p(b) ∝ 1/b from first + 1 to twice the farthest multiple of the smallest unit."""
    reach = max(abs(float(x)) for x in readings.values[readings.measured])
    largest = max(math.ceil(2 * reach / smallest), first + 1)
    weights = {b: 1 / b for b in range(first + 1, largest + 1)}
    total = sum(weights.values())
    return {b: weight / total for b, weight in weights.items()}


def plain_over_last(
    readings: Readings,
    first: int,
    smallest: float,
    *,
    unit: float,
    sigma: float,
    offset: float = 0.0,
    growth: float = 0.0,
    outliers: float = 0.0,
    step: float = 0.0,
) -> dict[int, tuple[float, np.ndarray, np.ndarray]]:
    """For each last number: log of p(b) times the likelihood, and what belongs to each state.

    That is the likelihood of each state (J,), and what each whole number from `first` on adds to
    it (J, K), the state being at no tooth at all left out.
    """
    state = np.arange(len(readings)) if readings.state is None else readings.state
    scale = np.ones(len(readings)) if readings.sigma is None else readings.sigma
    prior = prior_of_last(readings, first, smallest)
    mean = offset + unit * np.arange(first, max(prior) + 1)
    largest = 1.5 * float(np.abs(readings.select(readings.measured).levels().mean).max())
    sd = np.sqrt((sigma * scale[:, None]) ** 2 + (growth * np.minimum(mean, largest)) ** 2)
    x = readings.values[:, None]
    if step:
        f = (norm.cdf(x + step / 2, mean, sd) - norm.cdf(x - step / 2, mean, sd)) / step
    else:
        f = norm.pdf(x, mean, sd)
    g = 1 / float(np.ptp(readings.levels().mean))
    mixed = (1 - outliers) * f + outliers * g
    labels = range(int(state.max()) + 1)
    together = np.array([np.prod(mixed[state == j], axis=0) for j in labels])
    astray = np.array([(outliers * g) ** int(np.sum(state == j)) for j in labels])
    out = {}
    for b, weight in prior.items():
        count = b - first + 1
        adds = (together[:, :count] - astray[:, None]) / count
        each = adds.sum(axis=1) + astray
        with np.errstate(divide="ignore"):
            out[b] = math.log(weight) + float(np.sum(np.log(each))), each, adds
    return out


def log_total(parts: dict[int, tuple[float, np.ndarray, np.ndarray]]) -> float:
    """Log of the sum over the last number."""
    return float(np.logaddexp.reduce([part[0] for part in parts.values()]))
