"""The marginal posterior of the unit from the quadrature nodes, its modes and its sets."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.unit_range import UnitRange
from quantize.model.nodes import Nodes

_FINE = 4
"""Points of the fine marginal per cell of the typical lattice."""
_MOVED = 1 / 32
"""A bias of less than this part of its cell, some hundredth of a deviation, stays."""
_BIN = 12
"""Points of the fine marginal per bin in which modes are sought: about 0.75 deviations."""
_SADDLE = 0.5
"""Two peaks are one mode when the valley between them is higher than this part of the higher."""
_TIE = 1e-6
_SAME_NUMBERS = 0.2
"""Units are alike when no reading's phase differs by more than this."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Marginal:
    """Posterior density of log u on an even grid of step `step`, kept only where it counts.

    `index` are grid places (ascending, with gaps), `mass` the posterior probability of each.
    """

    index: IntArray
    log_unit: FloatArray
    mass: FloatArray
    step: float


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Mode:
    """One mode of the posterior of the unit.

    `unit` and `unit_err` are its mean and standard deviation; `probability` is the most that lies
    about one unit of it (see `find_modes`).
    """

    low: float
    high: float
    unit: float
    unit_err: float
    share: float
    sigma: float
    probability: float


def marginal_of_unit(unit_range: UnitRange, nodes: Nodes) -> Marginal:
    """The posterior of log u, with its bias taken off.

    For each lattice the log mass is interpolated between its points. Along a lattice the log of a
    smooth peak is nearly a parabola, so that interpolation by the cubic through four neighbours
    loses nothing at a quarter of a standard deviation.
    """
    start = float(np.log(unit_range.low))
    length = float(np.log(unit_range.high)) - start
    share = nodes.share
    typical = float(np.exp(np.sum(share * np.log(nodes.cell)) / np.sum(share)))
    size = int(np.clip(np.ceil(length / typical - 1e-6) * _FINE, 512, 2**44))
    step = length / size
    found: list[tuple[IntArray, FloatArray]] = []
    for cell in np.unique(nodes.cell):
        mine = nodes.cell == cell
        moved = bool(np.any(np.abs(nodes.bias[mine]) > _MOVED * cell))
        place = np.rint((nodes.log_unit[mine] - start) / cell - 0.5).astype(np.int64)
        lowest, apart = int(place.min()), int(np.ptp(place)) + 2
        # The bias is a smooth function of the unit at each sigma and growth.
        group = moved * (nodes.index[mine] // nodes.noise.shares.size)
        # Sum over the offsets at one unit.
        place += apart * group - lowest
        cells, mass = _sums_by_place(place, share[mine])
        at_cell = cells % apart + lowest
        owner, index, mass = _refined(at_cell, cells // apart, mass, float(cell), step, size)
        if moved:
            places, first = np.unique(place, return_index=True)
            ends = index + np.array([[0], [1]])
            at = ends * (step / cell) - 0.5 + (cells - at_cell)[owner]
            bias = np.interp(at, places, nodes.bias[mine][first])
            index, mass = _spread_between(ends - bias / step, mass)
            index = np.clip(index, 0, size - 1)
        found.append((index, mass))
    index = np.concatenate([f[0] for f in found])
    mass = np.concatenate([f[1] for f in found])
    places, merged = _sums_by_place(index, mass)
    keep = merged > 1e-10 * merged.max()
    places, merged = places[keep], merged[keep]
    return Marginal(
        index=places,
        log_unit=start + (places.astype(np.float64) + 0.5) * step,
        mass=merged / merged.sum(),
        step=step,
    )


def _sums_by_place(place: IntArray, mass: FloatArray) -> tuple[IntArray, FloatArray]:
    """The different places, ascending, with the sum of the masses at each; no mass is zero."""
    first = int(place.min())
    if int(place.max()) - first < 8 * place.size:
        sums = np.bincount(place - first, weights=mass)
        found = np.flatnonzero(sums)
        return found + first, np.asarray(sums[found], float)
    places, back = np.unique(place, return_inverse=True)
    return places, np.bincount(back, weights=mass).astype(np.float64)


def _refined(
    cells: IntArray, lattice: IntArray, mass: FloatArray, cell: float, step: float, size: int
) -> tuple[IntArray, IntArray, FloatArray]:
    """Spread lattice masses over the fine grid, the total of each lattice kept.

    `cells` are places, those of one lattice after the other. Gives for each point the number of the
    cell that it comes from, its own place and its mass.
    """
    if step >= cell:
        coarse: IntArray = np.minimum(((cells + 0.5) * cell / step).astype(np.int64), size - 1)
        return np.arange(cells.size), coarse, mass
    # All fine points within the cells that have mass; one between two cells belongs to the upper.
    first = np.ceil(cells * cell / step - 0.5 - _TIE).astype(np.int64)
    last = np.ceil((cells + 1) * cell / step - 0.5 - _TIE).astype(np.int64)
    owner = np.repeat(np.arange(cells.size), last - first)
    offset = np.arange(owner.size) - np.repeat(
        np.cumsum(last - first) - (last - first), last - first
    )
    fine = np.repeat(first, last - first) + offset
    log_mass = np.log(mass)

    # Neighbours that were dropped as negligible get a steep tail.
    def at(shift: int) -> FloatArray:
        where = np.clip(np.arange(cells.size) + shift, 0, cells.size - 1)
        adjacent = (cells[where] == cells + shift) & (lattice[where] == lattice)
        return np.where(adjacent, log_mass[where], log_mass - 8.0)

    t = (fine + 0.5) * step / cell - (cells[owner] + 0.5)
    left, centre, right = at(-1)[owner], log_mass[owner], at(1)[owner]
    curve = centre + t * (right - left) / 2 + t**2 * (left + right - 2 * centre) / 2
    value = np.exp(curve - log_mass.max())
    kept = np.bincount(lattice, mass)
    of_lattice = lattice[owner]
    value *= (kept / np.maximum(np.bincount(of_lattice, value), np.finfo(float).tiny))[of_lattice]
    inside = (fine >= 0) & (fine < size)
    return owner[inside], fine[inside], value[inside]


def _spread_between(ends: FloatArray, mass: FloatArray) -> tuple[IntArray, FloatArray]:
    """Each mass laid evenly between its two ends, shape (2, m), and cut at whole numbers."""
    low, high = ends
    first = np.floor(low).astype(np.int64)
    length = np.maximum(high - low, 1e-9)
    places, parts = [], []
    for step in range(int(np.max(np.floor(low + length) - first)) + 1):
        left, right = np.maximum(low, first + step), np.minimum(low + length, first + step + 1)
        inside = np.flatnonzero(right > left)
        places.append(first[inside] + step)
        parts.append(mass[inside] * ((right - left) / length)[inside])
    return np.concatenate(places), np.concatenate(parts)


def find_modes(nodes: Nodes, marginal: Marginal, reach: float) -> list[Mode]:
    """Modes of the posterior of the unit, the best first.

    The best is the one with the most probable unit, where units count as alike while they give
    the readings the same whole numbers: no phase differs by more than a fifth, which is
    0.2·u/reach of the unit, `reach` the largest distance from zero. Not the share of the whole
    mode decides: where sigma is large next to the unit the comb is a continuum, and that wide
    plateau may hold a large share without any unit standing out in it.
    """
    bins = _sums_by_place(marginal.index // _BIN, marginal.mass)
    labels = label_modes(*bins)
    place = np.searchsorted(bins[0], marginal.index // _BIN)
    of_point = labels[place]
    probability = _probability_of_same_numbers(reach, marginal, of_point)
    sigma_of_mode = _mean_sigma(nodes, marginal, of_point, int(labels.max()) + 1)
    # A mode is one stretch of the marginal.
    starts = np.flatnonzero(np.diff(of_point, prepend=-1))
    ends = np.append(starts[1:], of_point.size)
    u = np.exp(marginal.log_unit)
    share = np.add.reduceat(marginal.mass, starts)
    mean = np.add.reduceat(marginal.mass * u, starts) / share
    around = np.square(u - np.repeat(mean, ends - starts))
    variance = np.add.reduceat(marginal.mass * around, starts) / share
    error = np.sqrt(variance + (marginal.step * mean) ** 2 / 12)
    highest = np.maximum.reduceat(probability, starts)
    modes = [
        Mode(
            low=float(u[first]),
            high=float(u[last - 1]),
            unit=float(mean[i]),
            unit_err=float(error[i]),
            share=min(float(share[i]), 1.0),
            sigma=float(sigma_of_mode[of_point[first]]),
            probability=float(highest[i]),
        )
        for i in np.argsort(of_point[starts])
        for first, last in [(starts[i], ends[i])]
    ]
    modes.sort(key=lambda mode: -mode.probability)
    return modes


def _probability_of_same_numbers(
    reach: float, marginal: Marginal, of_point: IntArray
) -> FloatArray:
    """Posterior probability about each point, within its mode, of units that are alike."""
    log_u = marginal.log_unit
    half = np.minimum(_SAME_NUMBERS * np.exp(log_u) / reach, _SAME_NUMBERS)
    running = np.concatenate([[0.0], np.cumsum(marginal.mass)])
    starts = np.flatnonzero(np.diff(of_point, prepend=of_point[0] - 1))
    ends = np.append(starts[1:], of_point.size)
    stretch = np.searchsorted(starts, np.arange(of_point.size), side="right") - 1
    first = np.maximum(np.searchsorted(log_u, log_u - half), starts[stretch])
    last = np.minimum(np.searchsorted(log_u, log_u + half, side="right"), ends[stretch])
    return np.asarray(running[last] - running[first])


def label_modes(bins: IntArray, mass: FloatArray) -> IntArray:
    """Label bins by mode: from the highest down, each bin joins a labelled neighbour.

    Where a bin lies between two modes they become one if it is no deep valley for the lower.
    """
    # One place more at either end, never labelled, spares the question whether there is one.
    label = [-1] * (bins.size + 2)
    near = np.concatenate([[False], np.diff(bins) <= 2, [False]]).tolist()
    heights = mass.tolist()
    parent: list[int] = []
    height: list[float] = []

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    for i in np.argsort(-mass, kind="stable").tolist():
        left = root(label[i]) if near[i] and label[i] >= 0 else -1
        right = root(label[i + 2]) if near[i + 1] and label[i + 2] >= 0 else -1
        if left < 0 and right < 0:
            label[i + 1] = len(parent)
            parent.append(len(parent))
            height.append(heights[i])
        elif left < 0 or right < 0 or left == right:
            label[i + 1] = max(left, right)
        else:
            first, other = (left, right) if height[left] >= height[right] else (right, left)
            label[i + 1] = first
            if heights[i] >= _SADDLE * height[first]:
                parent[other] = first
    roots = np.array([root(v) for v in label[1:-1]])
    _, compact = np.unique(roots, return_inverse=True)
    return compact.astype(np.int64)


def _mean_sigma(nodes: Nodes, marginal: Marginal, of_point: IntArray, count: int) -> FloatArray:
    where = np.clip(np.searchsorted(marginal.log_unit, nodes.corrected), 0, of_point.size - 1)
    label = of_point[where]
    weight = np.bincount(label, weights=nodes.share, minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean: FloatArray = (
            np.bincount(label, weights=nodes.share * nodes.sigma, minlength=count) / weight
        )
    return mean


def highest_density_set(marginal: Marginal, prob: float) -> FloatArray:
    """The shortest set in log u that holds `prob`: rows (low, high) in the unit itself."""
    order = np.argsort(-marginal.mass, kind="stable")
    running = np.cumsum(marginal.mass[order])
    chosen = np.zeros(marginal.index.size, dtype=bool)
    last = int(np.searchsorted(running, prob))
    chosen[order[: last + 1]] = True
    places = marginal.index[chosen]
    breaks = np.flatnonzero(np.diff(places) > 1)
    first = places[np.r_[0, breaks + 1]]
    final = places[np.r_[breaks, places.size - 1]]
    origin = marginal.log_unit[0] - (marginal.index[0] + 0.5) * marginal.step
    return np.asarray(np.exp(origin + np.column_stack([first, final + 1]) * marginal.step))


def spread_of_offset(
    offset: FloatArray, unit: FloatArray, weight: FloatArray, centre: float
) -> float:
    """Standard deviation of a free offset, each counted from its tooth that is nearest `centre`.

    It is that of the tooth beside zero. The tooth in the middle of the readings is better known;
    on the way down to zero the error of the unit is added once for every step.
    """
    cycles = (offset - centre) / unit
    return moments(unit * (cycles - np.rint(cycles)), weight)[1]


def moments(value: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Weighted mean and standard deviation."""
    weight = weight / weight.sum()
    mean = float(weight @ value)
    return mean, float(np.sqrt(weight @ np.square(value - mean)))
