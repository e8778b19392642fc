"""Boxes of unit, offset, sigma and growth, how they are split, and the masses of the smallest.

A lattice of units and offsets belongs to each node of sigma and growth; a box that holds one node
of all four is not split any further.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.model import distributions
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.nodes import NoiseNodes, NoiseTree
from quantize.model.noise import grown_variance
from quantize.model.priors import ParameterPriors, TaperedSigma

_FEWEST_CELLS = 64
_FEWEST_FOLDS = 3
_FAR = 100.0  # spreads of an offset from its middle
_ROOT = 4
_PARTS = 5
_PART = 1_000_000
_BROAD = 0.8
"""Lattice step, in deviations, where other parameters are integrated over as well."""


class Boxes:
    """Boxes in columns: an array of shape (5, m).

    `place` of n0·2^`level` cells of log unit, `part` of 2^`fold` cells of the offset, or parts of
    the shifts that are given, and the `noise`, a cell of the tree of sigma and growth.
    """

    def __init__(self, columns: IntArray) -> None:
        self.columns = columns
        self.place, self.level, self.part, self.fold, self.noise = columns

    @property
    def size(self) -> int:
        """Number of boxes."""
        return int(self.columns.shape[1])

    def rows(self, which: IntArray | BoolArray | slice) -> Boxes:
        """Some of them."""
        return Boxes(self.columns[:, which])

    def halved(self, direction: IntArray, tree: NoiseTree) -> Boxes:
        """Every box replaced by its two halves, in log unit (0), the offset (1) or noise (2)."""
        columns = np.repeat(self.columns, 2, axis=1)
        upper = np.tile([0, 1], self.size)
        way = np.repeat(direction, 2)
        for number, (at, depth) in enumerate(((0, 1), (2, 3))):
            here = np.flatnonzero(way == number)
            columns[at, here] = 2 * columns[at, here] + upper[here]
            columns[depth, here] += 1
        here = np.flatnonzero(way == 2)
        columns[4, here] = tree.half[upper[here], columns[4, here]]
        return Boxes(columns)


def joined(parts: list[Boxes]) -> Boxes:
    """One after the other."""
    return Boxes(np.concatenate([part.columns for part in parts], axis=1))


def whole(cells: int, level: int) -> Boxes:
    """`cells`·2^`level` of log unit, each with every offset, sigma and growth."""
    columns = np.zeros((5, cells * 2**level), dtype=np.int64)
    columns[0], columns[1] = np.arange(cells * 2**level), level
    return Boxes(columns)


class Shifts:
    """Some shifts, rising, and their log weights, in parts that are halved down to single ones.

    A box has its place in `middle`, in `half` (how far the shifts in it lie from that) and in
    `log_weight` (the largest in it); `depth` is how often they are halved.
    """

    def __init__(self, shifts: FloatArray, log_weight: FloatArray) -> None:
        self.size = shifts.size
        self.depth = int(np.ceil(np.log2(max(self.size, 1))))
        missing = (0, 2**self.depth - self.size)
        low = [np.pad(shifts, missing, mode="edge")]
        high, weight = low[:], [np.pad(log_weight, missing, constant_values=-np.inf)]
        for _ in range(self.depth):
            low.insert(0, low[0][::2])
            high.insert(0, high[0][1::2])
            weight.insert(0, np.maximum(weight[0][::2], weight[0][1::2]))
        lows, highs, weights = (np.concatenate([[0.0], *each]) for each in (low, high, weight))
        self.middle, self.half, self.log_weight = (
            0.5 * (lows + highs),
            0.5 * (highs - lows),
            weights,
        )

    @staticmethod
    def place(b: Boxes) -> IntArray:
        """Where the part of each box stands."""
        return np.asarray(2**b.fold + b.part)


def lattice_step(n: int) -> float:
    """Lattice step for `n` readings, in posterior standard deviations.

    For a normal peak 1 would do. A few readings have kinks between their teeth; these steps keep
    the log evidence within 3e-6 from three to forty (``tests/model/test_quadrature.py``).
    """
    return float(np.interp(n, (3, 10, 40, 100), (0.17, 0.25, 0.38, 0.5)))


class Lattice:
    """Boxes of one sample, what belongs to each, and the mass of those that hold one node.

    `levels` and `folds` say how often cells of log unit and of the offset are halved at last. Some
    `shifts` in the place of a known offset have a lattice each.
    """

    def __init__(
        self,
        likelihood: Likelihood,
        prior: ParameterPriors,
        noise: NoiseNodes,
        *,
        broad: bool = False,
        shifts: Shifts | None = None,
    ) -> None:
        self.likelihood = likelihood
        self.shifts, self.places = shifts, 1 if shifts is None else shifts.size
        self.prior = prior
        self.noise, self.tree = noise, noise.tree
        self.start = float(np.log(prior.low))
        self.length = float(np.log(prior.high)) - self.start
        self.moving = prior.free or distributions.is_distribution(prior.offset)
        self.folding = self.moving or shifts is not None
        self.extent = (0.0, 1.0)
        if self.moving and not prior.free:
            # Of tails so heavy that they go on, as of Student's t with 1 degree of freedom,
            # less than 1 in 200 is left out.
            far = _FAR * distributions.spread(prior.offset)
            ends, middle = distributions.reach(prior.offset), float(prior.offset.median())
            self.extent = (max(ends[0], middle - far), min(ends[1], middle + far))
        self.fine = lattice_step(likelihood.states)
        self.broad = broad or self.moving
        if self.broad or distributions.is_distribution(prior.growth):
            self.fine = _BROAD if self.broad else 1.0
        self.jumps = likelihood.envelope.declared
        if self.jumps and not self.moving:
            self.fine *= 2
        self._resolution()
        self.log_weight = self.tree.log_weight
        if distributions.is_distribution(prior.sigma):
            sigma = self.tree.middle[0]
            self.log_weight = self.log_weight + prior.log_sigma_density(sigma, sigma)
        self.most_log_weight = self.tree.largest(self.log_weight[self.tree.leaves])

    def _resolution(self) -> None:
        """Cells of log unit and of the offset that suit the largest noise of each cell."""
        terms, tree = self.likelihood, self.tree
        measured = terms.beyond == 0
        x = terms.x[measured]
        given = self.prior.offset
        known = given if isinstance(given, float) else 0.0
        origin = self.prior.origin if self.prior.free else known
        self.lever = np.abs(x - origin)
        shift = terms.lever[measured]
        scale, rounded = terms.scale[measured], terms.step[measured] ** 2 / 12
        information, self.about = np.empty((2, tree.pair.size))
        parts = x.size * tree.pair.size // _PART + 1
        for cells in np.array_split(np.arange(tree.pair.size), parts):
            constant = np.square(tree.sigma[1, cells, None] * scale) + rounded
            variance = grown_variance(constant, tree.growth[1, cells, None], x, terms.power)
            information[cells] = np.sqrt(np.sum(np.square(self.lever) / variance, axis=1))
            self.about[cells] = np.sqrt(np.sum(np.square(shift) / variance, axis=1))
        far = int(np.argmax(self.lever / scale))
        self.farthest = float(self.lever[far])
        self._far = x[far], scale[far], rounded[far]
        wanted = np.maximum(self.length * information / self.fine, _FEWEST_CELLS)
        self.root = _ROOT
        if wanted.size == 1:
            self.root = int(np.ceil(wanted[0] / 2.0 ** np.floor(np.log2(wanted[0] / _ROOT))))
        # The peak of many readings is smooth, and steps a little longer than asked for will do.
        spare = float(np.interp(terms.states, (40, 100), (0.0, 0.3)))
        self.levels = np.ceil(np.log2(wanted / self.root) - spare).astype(np.int64)

    def deviation(self, sigma: FloatArray, growth: FloatArray) -> FloatArray:
        """That of the reading that is farthest off, its error held against that."""
        x, scale, rounded = self._far
        constant = np.square(sigma * scale) + rounded
        return np.sqrt(grown_variance(constant, growth, x, self.likelihood.power))

    def step(self, b: Boxes) -> FloatArray:
        return np.asarray(self.length / (self.root * np.exp2(b.level.astype(np.float64))))

    def shift_cell(self, b: Boxes) -> FloatArray:
        low, high = self.extent
        return np.asarray((high - low) / np.exp2(b.fold.astype(np.float64)))

    def centres(self, b: Boxes) -> tuple[FloatArray, FloatArray]:
        """Log unit and shift in the middle of each box."""
        log_unit = self.start + (b.place + 0.5) * self.step(b)
        if not self.moving:
            shifts = self.shifts
            return log_unit, np.zeros(b.size) if shifts is None else shifts.middle[shifts.place(b)]
        return log_unit, self.extent[0] + (b.part + 0.5) * self.shift_cell(b)

    def half_shift(self, b: Boxes, unit: FloatArray) -> FloatArray:
        """How far the offset or shift of a box reaches from its middle."""
        if self.shifts is not None:
            return np.asarray(self.shifts.half[self.shifts.place(b)])
        if not self.moving:
            return np.zeros(b.size)
        half: FloatArray = 0.5 * self.shift_cell(b)
        return half * unit if self.prior.free else half

    def log_shift_weight(self, b: Boxes) -> FloatArray:
        """Largest log weight of the given shifts in each box."""
        if self.shifts is None:
            return np.zeros(b.size)
        return self.shifts.log_weight[self.shifts.place(b)]

    def coarse(self, b: Boxes, unit: FloatArray) -> BoolArray:
        """Boxes that may stand for all that they hold where that has little mass."""
        some: BoolArray = self.tree.coarse[b.noise] & (b.level >= self.levels[b.noise] - 1)
        some &= b.fold >= self.folds(b.noise, unit) - self.moving
        return some

    def parameters(
        self, b: Boxes, log_unit: FloatArray, shift: FloatArray, *, middle: bool = False
    ) -> Parameters:
        """At the given units and shifts, and the largest sigma and growth of each box.

        With `middle` those in the middle, which are the largest where it holds one node.
        """
        noise = (self.tree.sigma[1], self.tree.growth[1]) if not middle else self.tree.middle
        unit = np.exp(log_unit)
        if self.prior.free:
            offset = self.prior.origin + unit * shift
        else:
            known = not self.moving and self.shifts is None
            offset = np.full(unit.size, float(self.prior.offset)) if known else shift
        return Parameters(
            unit=unit,
            sigma=noise[0][b.noise],
            offset=offset,
            growth=noise[1][b.noise],
            outliers=np.zeros(unit.size),
        )

    def folds(self, noise: IntArray, unit: FloatArray) -> IntArray:
        """How often the offset is halved at last."""
        if not self.moving:
            return np.full(unit.size, 0 if self.shifts is None else self.shifts.depth)
        wanted = self.about[noise] / self.fine
        if self.prior.free:
            wanted = unit * wanted
        else:
            low, high = self.extent
            wanted = (high - low) * np.maximum(wanted, 4 / distributions.spread(self.prior.offset))
        return np.ceil(np.log2(np.maximum(wanted, 2.0**_FEWEST_FOLDS))).astype(np.int64)

    def log_masses(self, b: Boxes, log_unit: FloatArray, shift: FloatArray) -> FloatArray:
        """Log mass of single boxes at each share of outliers, their weight in it, shape (m, W)."""
        if self.jumps and not self.moving:
            return self._cut_cells(b)
        log_cell = np.log(self.step(b))
        if self.moving:
            log_cell += np.log(self.shift_cell(b))
        for level in np.unique(b.level):
            mine = b.level == level
            log_cell[mine] += distributions.log_edge_weights(
                b.place[mine], self.root * 2 ** int(level)
            )
        mass = self._at(b, log_unit, shift, log_cell)
        if self.jumps:
            rough = np.flatnonzero(self._jumps_within(b, log_unit, shift))
            mass[rough] = self._fine_cells(b.rows(rough))
        return mass

    def _at(
        self, b: Boxes, log_unit: FloatArray, shift: FloatArray, log_cell: FloatArray
    ) -> FloatArray:
        """Log mass at places within boxes, shape (m, W)."""
        p = self.parameters(b, log_unit, shift, middle=True)
        mass = self._log_prior(p) + log_cell + self.log_weight[b.noise]
        mass = mass + self.log_shift_weight(b)
        possible = np.flatnonzero(np.isfinite(mass))
        shares = self.noise.shares
        out = np.full((b.size, shares.size), -np.inf)
        log_l = self.likelihood.by_share(p.rows(possible), shares.place)
        out[possible] = log_l + mass[possible, None] + shares.log_weight
        return out

    def _cut_cells(self, b: Boxes) -> FloatArray:
        """Log mass where teeth enter and leave a window: cells cut there, Gauss' rule in each part.

        An even lattice would be rough where the likelihood jumps.
        """
        step = self.step(b)
        limits = self.likelihood.envelope.limits
        edges = _pieces(self.start + b.place * step, step, limits, float(self.prior.offset))
        x, w = np.polynomial.legendre.leggauss(3)
        width = np.diff(edges, axis=1)
        place = edges[:, :-1, None] + width[:, :, None] * 0.5 * (x + 1)
        weight = 0.5 * w * width[:, :, None]
        used = weight > 0
        row = np.nonzero(used)[0]
        shift = self.centres(b)[1][row]
        masses = self._at(b.rows(row), place[used], shift, np.log(weight[used]))
        values = np.full((*weight.shape, self.noise.shares.size), -np.inf)
        values[used] = masses
        return np.asarray(np.logaddexp.reduce(values, axis=(1, 2)))

    def _jumps_within(self, b: Boxes, log_unit: FloatArray, shift: FloatArray) -> BoolArray:
        """Whether the first or last tooth in the window differs between corners of a box."""
        corners = []
        for i in (-0.5, 0.5):
            for j in (-0.5, 0.5):
                at = log_unit + i * self.step(b), shift + j * self.shift_cell(b)
                p = self.parameters(b, *at)
                ends = self.likelihood.envelope.ends(p.unit, self.likelihood.start(p))
                corners.append(np.column_stack(ends))
        return np.asarray(np.any(np.ptp(corners, axis=0) > 0, axis=1))

    def _fine_cells(self, b: Boxes) -> FloatArray:
        """Log mass of boxes of unit and offset by a finer grid within each."""
        log_unit, shift = self.centres(b)
        part = (np.arange(_PARTS) + 0.5) / _PARTS - 0.5
        log_cell = np.log(self.step(b) * self.shift_cell(b)) - 2 * np.log(_PARTS)
        masses = [
            self._at(b, log_unit + i * self.step(b), shift + j * self.shift_cell(b), log_cell)
            for i in part
            for j in part
        ]
        return np.asarray(np.logaddexp.reduce(masses, axis=0))

    def _log_prior(self, p: Parameters) -> FloatArray:
        """Log prior of unit, offset, and of a sigma that depends on the unit."""
        value = self.prior.log_unit_density(p.unit)
        if isinstance(self.prior.sigma, TaperedSigma):
            value = value + self.prior.log_sigma_density(p.sigma, p.unit)
        if distributions.is_distribution(self.prior.offset):
            value = value + distributions.log_density(self.prior.offset, p.offset)
        return value


def _pieces(
    start: FloatArray, step: FloatArray, limits: tuple[float, float], offset: float
) -> FloatArray:
    """Ends of the pieces of cells of log unit, cut where a tooth meets a limit, shape (m, 4).

    Each cell is cut at one crossing of either limit at most; pieces may be empty.
    """
    end = start + step
    cuts = [start, end]
    for limit in limits:
        cycles = (limit - offset) / np.exp(np.column_stack([start, end]))
        whole = np.ceil(cycles.min(axis=1))
        crosses = (whole < cycles.max(axis=1)) & (whole != 0)
        at = np.log(np.where(crosses, (limit - offset) / np.where(crosses, whole, 1), 1.0))
        cuts.append(np.where(crosses, np.clip(at, start, end), end))
    return np.sort(np.column_stack(cuts), axis=1)
