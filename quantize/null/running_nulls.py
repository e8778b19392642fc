"""Data without steps for evidence under optional stopping: fixed before the first reading.

Smooth envelopes are mixtures of densities on a window, with a prior that does not depend on the
readings; levels anywhere stand in that window, and heaps on the teeth of the comb.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.null.occupancy import CONCENTRATIONS, log_norm, log_seats
from quantize.null.partitions import log_mean_exp

EDGE = 1e-9
"""Teeth and cells, within which a number is one on the edge."""
_CELLS = (8, 12, 18, 27, 40, 60)
"""Cells of the histograms on the window."""
_PLACES, _WIDTHS = 61, 10
"""Places and scales of the two-sided exponential ..."""
_SHARPEST, _BROADEST = 60, 2
"""... from the first to the second part of the window."""
ON_HEAPS = (0.1, 0.2, 0.3, 0.4, 0.5)
"""Shares of the readings that the heaped null puts on its comb."""
HEAP_SPREADS = (0.001, 0.003, 0.01, 0.03, 0.08)
"""Spreads of the heaps, in units."""


def log_fixed_envelopes(values: FloatArray, window: tuple[float, float]) -> dict[str, float]:
    """Log evidence of each, for readings inside `window`."""
    return {
        "continuous: ends anywhere": log_ends_anywhere(values, window),
        "continuous: two-sided exponential": log_two_sided(values, window),
        "continuous: cells": log_cells(values, window),
    }


def log_ends_anywhere(values: FloatArray, window: tuple[float, float]) -> float:
    r"""Uniform between two ends, all pairs inside the window equally likely.

    .. math:: \frac{2}{L^2} \int_0^{l}\!\!\int_0^{h} (R + s + t)^{-n}\,ds\,dt ,

    R the range of the readings, l and h the room below and above them; -inf for fewer than three.
    """
    n = values.size
    if n < 3:
        return -np.inf
    low, high = float(values.min()), float(values.max())
    spread = max(high - low, 1e-12 * (window[1] - window[0]))
    below, above = low - window[0], window[1] - high
    part = 1.0
    for room, sign in ((below, -1), (above, -1), (below + above, 1)):
        part += sign * float(np.exp((2 - n) * np.log1p(room / spread)))
    outside = np.log(2) - 2 * np.log(window[1] - window[0]) - np.log((n - 1) * (n - 2))
    return float(outside + (2 - n) * np.log(spread) + np.log(max(part, 1e-300)))


def log_two_sided(values: FloatArray, window: tuple[float, float]) -> float:
    """Laplace: place uniform on the window, scale log-uniform from a sixtieth to a half of it."""
    length = window[1] - window[0]
    place = np.linspace(*window, _PLACES)
    scale = np.geomspace(length / _SHARPEST, length / _BROADEST, _WIDTHS)
    distance = np.abs(values[:, None] - place).sum(axis=0)
    terms = -distance[:, None] / scale - values.size * np.log(2 * scale)
    return float(log_mean_exp(terms.ravel()))


def log_cells(values: FloatArray, window: tuple[float, float]) -> float:
    """Histograms of eight to sixty cells, begun at the window's end or half a cell before it.

    The shares of the cells are Dirichlet, as those of levels are where they may differ. Readings
    where two cells meet, as round ones may, are counted in the upper one and in the lower one.
    """
    length = window[1] - window[0]
    begins = np.add.outer((0.0, 0.5), (-EDGE, EDGE)).ravel()
    cells, shift = (each.ravel() for each in np.meshgrid(_CELLS, begins))
    number = cells[:, None] * ((values - window[0]) / length) + shift[:, None]
    number = np.clip(np.floor(number), 0, cells[:, None]).astype(np.int64)
    # Every histogram has its own row, as long as the longest.
    longest = max(_CELLS) + 1
    row = longest * np.arange(cells.size)[:, None]
    count = np.bincount((row + number).ravel(), minlength=row.size * longest)
    held = log_seats(values.size)[:, count.reshape(cells.size, -1)].sum(axis=-1)
    shares = (held + log_norm(cells + 1, values.size))[np.isfinite(CONCENTRATIONS)]
    return float(log_mean_exp((shares - values.size * np.log(length / cells)).ravel()))


def log_heaped(phase: FloatArray) -> FloatArray:
    """Log of how much likelier heaps make a reading at this phase than a flat cell, per spread and
    share: log(1 − w + w·W(phase)), which leaves the reading's cell its probability."""
    spread = np.array(HEAP_SPREADS)
    density = np.exp(-0.5 * (phase[:, None] / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
    share = np.array(ON_HEAPS)
    return np.asarray(np.log1p(share * (density[:, :, None] - 1)))
