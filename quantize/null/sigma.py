"""The grid of noise levels, the same for the comb and for every null."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.readings import Levels, Readings

_POINTS = 12
_FINEST = 40.0
"""Without a floor, sigma starts at the smallest unit over this: finer readings tell no more."""
_WIDTHS = 4.0


def sigma_grid(
    readings: Readings,
    levels: Levels,
    low: float,
    high: float,
    sigma_range: tuple[float, float] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Grid of sigma and the log of prior mass times the likelihood of the scatter inside states.

    With sigmas given for the readings the grid is the single factor 1. Otherwise the prior is
    log-uniform in `sigma_range`, by default from the largest of rounding/sqrt(12) and `low`/40
    to the smaller of a quarter of the span and `high`/2. Repeats within states narrow the grid.
    """
    if levels.sigma_given:
        return np.ones(1), np.zeros(1)
    if sigma_range is None:
        step = readings.rounding_step or 0.0
        least = max(step / np.sqrt(12), low / _FINEST)
        most = max(min(readings.span / 4, high / 2), 2 * least)
    else:
        least, most = sigma_range
    if least == most:
        return np.array([least]), np.zeros(1)
    start, stop = least, most
    if levels.degrees > 0:
        middle = np.sqrt(max(levels.scatter / levels.degrees, least**2))
        reach = np.exp(_WIDTHS / np.sqrt(2 * levels.degrees))
        start, stop = max(least, middle / reach), min(most, middle * reach)
        if start >= stop:
            start, stop = least, most
    grid = np.geomspace(start, stop, _POINTS)
    mass = np.log(stop / start) / np.log(most / least) / _POINTS
    scatter = -0.5 * levels.degrees * np.log(2 * np.pi * grid**2) - levels.scatter / (2 * grid**2)
    return grid, np.log(mass) + scatter
