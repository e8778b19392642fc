"""Likelihood of levels that stand on the teeth of a comb, for every unit in the band."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.wrapped import log_wrapped_normal

NARROW = 0.15
"""Below this spread (sigma over unit) the integers are taken as known and the unit integrated
in closed form; above it the wrapped-normal density is summed over a grid of units."""
WIDEST = 0.30
"""Combs with a larger spread cannot be told from a continuum and are left out."""

LARGEST = 40_000_000
"""Most phases (units times readings) that are held at once."""

_LOG_2PI = float(np.log(2 * np.pi))
_PIECE = 400_000
_PHASE_BINS = 96


@dataclasses.dataclass(frozen=True)
class Teeth:
    """The comb's likelihood at many units.

    Attributes
    ----------
    unit : array, shape (U,)
    integers : array, shape (U, n)
        Nearest teeth.
    log_likelihood : array, shape (U, S)
        Log of the prior mass of the unit's cell times the density of the readings given the unit
        and sigma, each reading free to take any tooth: the occupancy is not yet in it.
    log_nearest : array, shape (U, S)
        The same with every reading on its nearest tooth. The nulls with levels leave out groups
        that interleave, so they are compared with this one.
    """

    unit: FloatArray
    integers: IntArray
    log_likelihood: FloatArray
    log_nearest: FloatArray


def comb_likelihood(
    values: FloatArray,
    factor: FloatArray,
    sigma: FloatArray,
    low: float,
    high: float,
    *,
    free: bool,
) -> Teeth:
    """Sum the comb's likelihood over a grid of units (wide spreads) and over its modes (narrow).

    `values` (n,) are sorted; units are log-uniform in [low, high]. With `free` the offset is
    uniform over one unit.
    """
    if free:
        values = values - np.average(values, weights=1 / factor)
    grid = _wide(values, factor, sigma, low, high, free)
    modes = _modes(values, factor, sigma, low, high, free)
    return Teeth(
        np.concatenate([grid.unit, modes.unit]),
        np.concatenate([grid.integers, modes.integers]),
        np.concatenate([grid.log_likelihood, modes.log_likelihood]),
        np.concatenate([grid.log_nearest, modes.log_nearest]),
    )


def _wide(
    values: FloatArray,
    factor: FloatArray,
    sigma: FloatArray,
    low: float,
    high: float,
    free: bool,
) -> Teeth:
    """Grid uniform in 1/u; its step is one posterior standard deviation at the spread `NARROW`."""
    root = np.sqrt(factor)
    top = float(root.max())
    step = NARROW / top / np.sqrt(np.sum(values**2 / factor))
    cells = max(int(np.ceil((1 / low - 1 / high) / step)), 8)
    _need_room(cells, values)
    edges = np.linspace(1 / high, 1 / low, cells + 1)
    frequency = 0.5 * (edges[1:] + edges[:-1])
    prior = np.log(np.log(edges[1:] / edges[:-1]) / np.log(high / low))
    typical = float(np.median(root))
    out = np.full((2, cells, sigma.size), -np.inf)
    integers = np.empty((cells, values.size), dtype=np.int64)
    piece = max(_PIECE // values.size, 1)
    for at in range(0, cells, piece):
        part = slice(at, at + piece)
        turns = values * frequency[part, None]
        shift = np.zeros(turns.shape[0])
        if free:
            out[:, part], shift = _free_offset(turns, frequency[part], sigma, root)
        nearest = np.rint(turns - shift[:, None])
        integers[part] = nearest.astype(np.int64)
        if free:
            continue
        phase = np.abs(turns - nearest)
        for s, scale in enumerate(sigma):
            spread = scale * frequency[part]
            use = np.flatnonzero((spread * top > NARROW) & (spread * typical <= WIDEST))
            if use.size:
                density = _log_product(phase[use], spread[use], root)
                out[:, at + use, s] = density + values.size * np.log(frequency[at + use])
    out = out + prior[:, None]
    return Teeth(1 / frequency, integers, out[0], out[1])


def _need_room(units: int, values: FloatArray) -> None:
    """Refuse a grid of units that would not fit into memory."""
    if units * values.size > LARGEST:
        raise InputError(
            f"`offset` leaves the readings {np.abs(values).max():.4g} from where multiples are "
            f"counted, so that {units:,} units would have to be tried; give an `offset` nearer to "
            "the readings, offset='free', or a larger smallest unit."
        )


def _log_product(phase: FloatArray, spread: FloatArray, root: FloatArray) -> FloatArray:
    """Sum over readings of the log density: over all teeth, and of the nearest; shape (2, U)."""
    s = spread[:, None] * root
    half = 0.5 / s**2
    nearest: FloatArray = -np.sum(phase**2 * half + np.log(s), axis=1)
    nearest -= 0.5 * _LOG_2PI * phase.shape[1]
    if np.ptp(root) > 1e-9 * root[0]:
        return np.stack([log_wrapped_normal(phase, s).sum(axis=1), nearest])
    # The next tooth on either side of the nearest; at a spread of 0.30 the rest is below 1e-9.
    images = 1 + np.exp((2 * phase - 1) * half) + np.exp(-(1 + 2 * phase) * half)
    log_images = np.zeros(phase.shape[0])
    for at in range(0, phase.shape[1], 500):
        log_images += np.log(np.prod(images[:, at : at + 500], axis=1))
    return np.stack([nearest + log_images, nearest])


def _free_offset(
    turns: FloatArray, frequency: FloatArray, sigma: FloatArray, root: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Average over the offset: a circular convolution of the binned phases with log density."""
    bins = _PHASE_BINS
    rows, n = turns.shape
    place = (turns - np.floor(turns)) * bins
    left = np.floor(place)
    right_share = place - left
    left_bin = left.astype(np.int64) % bins
    row = np.repeat(np.arange(rows) * bins, n)
    out = np.full((2, rows, sigma.size), -np.inf)
    best = np.full(rows, -np.inf)
    shift = np.zeros(rows)
    lags = np.arange(bins) / bins
    typical, top = float(np.median(root)), float(root.max())
    counts = []
    for share, column in ((1 - right_share, left_bin), (right_share, (left_bin + 1) % bins)):
        counts.append(
            np.bincount(row + column.ravel(), weights=share.ravel(), minlength=rows * bins)
        )
    binned = np.fft.rfft((counts[0] + counts[1]).reshape(rows, bins), axis=1)
    for s, scale in enumerate(sigma):
        spread = scale * frequency * typical
        use = np.flatnonzero((spread * top / typical > NARROW) & (spread <= WIDEST))
        if not use.size:
            continue
        width = spread[use, None]
        distance = np.minimum(lags, 1 - lags)
        densities = (
            log_wrapped_normal(lags, width),
            -0.5 * (distance / width) ** 2 - np.log(width) - 0.5 * _LOG_2PI,
        )
        for which, log_density in enumerate(densities):
            kernel = np.fft.rfft(log_density, axis=1)
            sums = np.fft.irfft(binned[use] * kernel.conj(), n=bins, axis=1)
            peak = sums.max(axis=1)
            mean = np.log(np.mean(np.exp(sums - peak[:, None]), axis=1))
            out[which, use, s] = peak + mean + n * np.log(frequency[use])
        better = peak > best[use]
        best[use[better]] = peak[better]
        shift[use[better]] = np.argmax(sums[better], axis=1) / bins
    return out, shift


def _modes(
    values: FloatArray,
    factor: FloatArray,
    sigma: FloatArray,
    low: float,
    high: float,
    free: bool,
) -> Teeth:
    """Every set of integers that least squares reaches from a grid, its unit integrated out."""
    weight = 1 / factor
    n = values.size
    reach = float(np.abs(values).max())
    starts = max(int(np.ceil((1 / low - 1 / high) * reach / 0.25)), 8)
    _need_room(starts * (4 if free else 1), values)
    unit = 1 / np.linspace(1 / high, 1 / low, starts + 1)
    offset = np.zeros(unit.size)
    if free:
        offset = (np.arange(4) / 4 * unit[:, None]).ravel()
        unit = np.repeat(unit, 4)
    for _ in range(4):
        integers, unit, offset = _least_squares(values, weight, unit, offset, low, free)
    _, first = np.unique(
        np.round(np.column_stack([np.log(unit), offset / unit % 1.0]), 8), axis=0, return_index=True
    )
    first = first[(unit[first] >= low) & (unit[first] <= high)]
    integers, unit, offset = integers[first], unit[first], offset[first]
    residual = values - offset[:, None] - unit[:, None] * integers
    squares = np.sum(weight * residual**2, axis=1)
    centred = integers - (
        np.sum(weight * integers, axis=1) / weight.sum() if free else np.zeros(unit.size)
    ).reshape(-1, 1)
    information = np.sum(weight * centred**2, axis=1)
    logs = -0.5 * np.sum(np.log(factor)) - 0.5 * np.log(np.maximum(information, 1e-300))
    logs = logs - np.log(unit) - np.log(np.log(high / low))
    dimensions = n - 1
    if free:
        logs = logs - 0.5 * np.log(weight.sum()) - np.log(unit)
        dimensions = n - 2
    out = (
        logs[:, None]
        - 0.5 * dimensions * (_LOG_2PI + 2 * np.log(sigma))
        - squares[:, None] / (2 * sigma**2)
    )
    usable = sigma * np.sqrt(factor.max()) <= NARROW * unit[:, None]
    out = np.where(usable & (information > 0)[:, None], out, -np.inf)
    return Teeth(unit, integers.astype(np.int64), out, out)


def _least_squares(
    values: FloatArray,
    weight: FloatArray,
    unit: FloatArray,
    offset: FloatArray,
    low: float,
    free: bool,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    integers = np.rint((values - offset[:, None]) / unit[:, None])
    if free:
        mean_integer = np.sum(weight * integers, axis=1) / weight.sum()
        mean_value = np.average(values, weights=weight)
        centred = integers - mean_integer[:, None]
        denominator = np.sum(weight * centred**2, axis=1)
        slope = np.sum(weight * centred * values, axis=1)
    else:
        denominator = np.sum(weight * integers**2, axis=1)
        slope = np.sum(weight * integers * values, axis=1)
    fitted = np.where(denominator > 0, slope / np.maximum(denominator, 1e-300), unit)
    fitted = np.maximum(fitted, 0.5 * low)
    if free:
        offset = mean_value - fitted * mean_integer
    return integers, fitted, offset
