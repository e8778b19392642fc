"""From samples of log unit to its density, its modes and its highest-density set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb import alternatives as rivals
from quantize.model import modes as mode_finding
from quantize.model.modes import Marginal
from quantize.sampling.moves import mode_of
from quantize.sampling.target import UnitMode

if TYPE_CHECKING:
    import pandas as pd

_POINTS_A_WIDTH = 4
_REACH = 4
_NEAR = 0.01
_NEAR_WIDTH = 0.025
"""The middle 1 % of a normal distribution is 0.025 standard deviations wide."""
_SMALLEST_MODE = 0.005
_SMALLEST_SHARE = 1e-3
_SMALLEST_PROBABILITY = 1e-4


def density_of(log_unit: FloatArray, width: float, effective: float) -> Marginal:
    """Density of log unit by a normal kernel.

    `width` is the standard deviation of a mode; the kernel is 0.9·width·effective^(−1/5) wide
    (Silverman, *Density Estimation*, Chapman & Hall 1986, equation 3.31).
    """
    kernel = 0.9 * width * effective**-0.2
    step = kernel / _POINTS_A_WIDTH
    places, counts = np.unique(np.floor(log_unit / step).astype(np.int64), return_counts=True)
    shift = np.arange(-_REACH * _POINTS_A_WIDTH, _REACH * _POINTS_A_WIDTH + 1)
    weight = np.exp(-0.5 * (shift / _POINTS_A_WIDTH) ** 2)
    index, back = np.unique((places[:, None] + shift).ravel(), return_inverse=True)
    mass = _sums(back, np.outer(counts, weight).ravel())
    return Marginal(index=index, log_unit=(index + 0.5) * step, mass=mass / mass.sum(), step=step)


def typical_width(log_unit: FloatArray, modes: Sequence[UnitMode]) -> float:
    """Standard deviation of log unit within a mode, the geometric mean over samples."""
    if modes:
        share = np.array([mode.share for mode in modes])
        width = np.array([max(mode.width, 1e-300) for mode in modes])
        return float(np.exp(np.sum(share * np.log(width)) / share.sum()))
    ordered = np.sort(log_unit)
    k = max(int(_NEAR * ordered.size), 1)
    gaps = ordered[k:] - ordered[:-k]
    return max(float(np.median(gaps)) / _NEAR_WIDTH, 1e-12)


def modes_of(log_unit: FloatArray, effective: float) -> list[UnitMode]:
    """Modes seen in the samples, where no quadrature tells them; the highest first.

    The first look at the density, with a width that several modes make too large, finds them.
    """
    marginal = density_of(log_unit, typical_width(log_unit, ()), effective)
    bins, back = np.unique(marginal.index // _POINTS_A_WIDTH, return_inverse=True)
    label = mode_finding.label_modes(bins, _sums(back, marginal.mass))[back]
    modes = []
    for number in range(int(label.max()) + 1):
        mine = label == number
        low = float(marginal.log_unit[mine].min() - 0.5 * marginal.step)
        high = float(marginal.log_unit[mine].max() + 0.5 * marginal.step)
        inside = log_unit[(log_unit >= low) & (log_unit <= high)]
        share = inside.size / log_unit.size
        if share >= _SMALLEST_MODE:
            centre, width = float(inside.mean()), float(inside.std())
            modes.append((marginal.mass[mine].max(), UnitMode(low, high, share, centre, width)))
    modes.sort(key=lambda pair: -pair[0])
    return [mode for _, mode in modes]


def mode_table(
    unit: FloatArray, sigma: FloatArray, modes: Sequence[UnitMode], reach: float
) -> tuple[pd.DataFrame, UnitMode]:
    """Table of the modes, in the order of the modes, and the mode of its first row.

    Columns unit, unit_err, share, sigma, relation. Modes without samples are passed over.
    """
    low, high = np.array([h.low for h in modes]), np.array([h.high for h in modes])
    number = mode_of(np.log(unit), low, high)
    rows: list[dict[str, float]] = []
    shown = []
    for i, mode in enumerate(modes):
        mine = number == i
        share = float(mine.mean())
        if share == 0 or (rows and share < _SMALLEST_SHARE):
            continue
        shown.append(mode)
        rows.append(
            {
                "unit": float(unit[mine].mean()),
                "unit_err": float(unit[mine].std()),
                "share": share,
                "sigma": float(sigma[mine].mean()),
            }
        )
    best = rows[0]
    tolerance = max(0.2 * best["unit"] / reach, 3 * best["unit_err"] / best["unit"])
    return rivals.table(rows, min(tolerance, 0.1)), shown[0]


def integer_table(whole: IntArray, probability: FloatArray) -> pd.DataFrame:
    """Rows (reading, integer, probability), the most probable first, down to 1e-4."""
    import pandas as pd

    order = np.argsort(-probability, axis=1, kind="stable")
    ranked = np.take_along_axis(probability, order, axis=1)
    reading, place = np.nonzero(ranked >= _SMALLEST_PROBABILITY)
    return pd.DataFrame(
        {
            "reading": reading,
            "integer": whole[order[reading, place]],
            "probability": ranked[reading, place],
        }
    )


def _sums(index: IntArray, weight: FloatArray) -> FloatArray:
    sums: FloatArray = np.bincount(index, weights=weight).astype(np.float64)
    return sums
