"""Boxes of unit, offset, sigma and growth, how they are split, and the masses of the smallest.

A lattice of units and offsets belongs to each node of sigma and growth; a box that holds one node
of all four is not split any further.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.model import distributions
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.nodes import NoiseNodes
from quantize.model.noise import grown_variance
from quantize.model.priors import ParameterPriors, TaperedSigma

DIRECTIONS = ("unit", "offset", "sigma", "growth")
"""What a box can be halved in, in the order in which `Boxes.halved` numbers them."""
_FEWEST_CELLS = 64
_FEWEST_FOLDS = 3
_FAR = 100.0  # spreads of an offset from its middle
_ROOT = 4
_PARTS = 5
_BROAD = 0.8
"""Lattice step, in deviations, where other parameters are integrated over as well."""


class Boxes:
    """Boxes in columns: an array of shape (8, m).

    `place` of n0·2^`level` cells of log unit, `part` of 2^`fold` cells of the offset, and the nodes
    from `s0` up to but not including `s1` of sigma and from `g0` to `g1` of growth.
    """

    def __init__(self, columns: IntArray) -> None:
        self.columns = columns
        self.place, self.level, self.part, self.fold = columns[:4]
        self.s0, self.s1, self.g0, self.g1 = columns[4:]

    @property
    def size(self) -> int:
        """Number of boxes."""
        return int(self.columns.shape[1])

    def rows(self, which: IntArray | BoolArray | slice) -> Boxes:
        """Some of them."""
        return Boxes(self.columns[:, which])

    def halved(self, direction: IntArray) -> Boxes:
        """Every box replaced by its two halves in its direction (see `DIRECTIONS`)."""
        columns = np.repeat(self.columns, 2, axis=1)
        upper = np.tile([0, 1], self.size)
        way = np.repeat(direction, 2)
        for number, (at, depth) in enumerate(((0, 1), (2, 3))):
            here = np.flatnonzero(way == number)
            columns[at, here] = 2 * columns[at, here] + upper[here]
            columns[depth, here] += 1
        for number, (first, last) in enumerate(((4, 5), (6, 7)), start=2):
            for half, end in ((0, last), (1, first)):
                here = np.flatnonzero((way == number) & (upper == half))
                columns[end, here] = (columns[first, here] + columns[last, here]) // 2
        return Boxes(columns)


def joined(parts: list[Boxes]) -> Boxes:
    """One after the other."""
    return Boxes(np.concatenate([part.columns for part in parts], axis=1))


def whole(cells: int, level: int, sigmas: int, growths: int) -> Boxes:
    """`cells`·2^`level` of log unit, each with every offset, sigma and growth."""
    columns = np.zeros((8, cells * 2**level), dtype=np.int64)
    columns[0], columns[1] = np.arange(cells * 2**level), level
    columns[5], columns[7] = sigmas, growths
    return Boxes(columns)


def lattice_step(n: int) -> float:
    """Lattice step for `n` readings, in posterior standard deviations.

    For a normal peak 1 would do. A few readings have kinks between their teeth; these steps keep
    the log evidence within 1e-6 from three to forty (``python -m benchmarks.evidence_error``).
    """
    return float(np.interp(n, (3, 10, 40, 100), (0.17, 0.25, 0.38, 0.5)))


class Lattice:
    """Boxes of one sample, what belongs to each, and the mass of those that hold one node.

    `levels` and `folds` say how often cells of log unit and of the offset are halved at last.
    """

    def __init__(
        self,
        likelihood: Likelihood,
        prior: ParameterPriors,
        noise: NoiseNodes,
        *,
        broad: bool = False,
    ) -> None:
        self.likelihood = likelihood
        self.prior = prior
        self.noise = noise
        self.start = float(np.log(prior.low))
        self.length = float(np.log(prior.high)) - self.start
        self.moving = prior.free or distributions.is_distribution(prior.offset)
        self.extent = (0.0, 1.0)
        if self.moving and not prior.free:
            # Of tails so heavy that they go on, as of Student's t with 1 degree of freedom,
            # less than 1 in 200 is left out.
            far = _FAR * distributions.spread(prior.offset)
            ends, middle = distributions.reach(prior.offset), float(prior.offset.median())
            self.extent = (max(ends[0], middle - far), min(ends[1], middle + far))
        self.fine = lattice_step(likelihood.states)
        self.broad = broad or self.moving
        if self.broad or noise.growths.size > 1:
            self.fine = _BROAD if self.broad else 1.0
        self.jumps = likelihood.envelope.declared
        if self.jumps and not self.moving:
            self.fine *= 2
        self._resolution()
        log_s = noise.sigmas.log_weight
        if distributions.is_distribution(prior.sigma):
            log_s = log_s + prior.log_sigma_density(noise.sigmas.place, noise.sigmas.place)
        self.most_s = _range_maxima(log_s)
        self.most_g = _range_maxima(noise.growths.log_weight)

    def _resolution(self) -> None:
        """Cells of log unit and of the offset that suit each node of sigma and growth."""
        terms, c = self.likelihood, self.noise
        measured = terms.beyond == 0
        x = terms.x[measured]
        given = self.prior.offset
        known = given if isinstance(given, float) else 0.0
        origin = self.prior.origin if self.prior.free else known
        self.lever = np.abs(x - origin)
        shift = terms.lever[measured]
        constant = np.square(c.sigmas.place[:, None] * terms.scale[measured])[:, None, :]
        constant = constant + terms.step[measured] ** 2 / 12
        self.variance = grown_variance(constant, c.growths.place[:, None], x, terms.power)
        information = np.sqrt(np.sum(np.square(self.lever) / self.variance, axis=2))
        wanted = np.maximum(self.length * information / self.fine, _FEWEST_CELLS)
        self.root = _ROOT
        if wanted.size == 1:
            self.root = int(np.ceil(wanted[0, 0] / 2.0 ** np.floor(np.log2(wanted[0, 0] / _ROOT))))
        # The peak of many readings is smooth, and steps a little longer than asked for will do.
        spare = float(np.interp(terms.states, (40, 100), (0.0, 0.3)))
        self.levels = np.ceil(np.log2(wanted / self.root) - spare).astype(np.int64)
        self.about = np.sqrt(np.sum(np.square(shift) / self.variance, axis=2))
        self.far = int(np.argmax(self.lever / terms.scale[measured]))

    def step(self, b: Boxes) -> FloatArray:
        step: FloatArray = self.length / (self.root * np.exp2(b.level.astype(np.float64)))
        return step

    def shift_cell(self, b: Boxes) -> FloatArray:
        low, high = self.extent
        cell: FloatArray = (high - low) / np.exp2(b.fold.astype(np.float64))
        return cell

    def centres(self, b: Boxes) -> tuple[FloatArray, FloatArray]:
        """Log unit and shift in the middle of each box."""
        log_unit = self.start + (b.place + 0.5) * self.step(b)
        if not self.moving:
            return log_unit, np.zeros(b.size)
        return log_unit, self.extent[0] + (b.part + 0.5) * self.shift_cell(b)

    def parameters(self, b: Boxes, log_unit: FloatArray, shift: FloatArray) -> Parameters:
        """At the given units and shifts, and the largest sigma and growth of each box."""
        unit = np.exp(log_unit)
        if self.prior.free:
            offset = self.prior.origin + unit * shift
        else:
            offset = shift if self.moving else np.full(unit.size, float(self.prior.offset))
        return Parameters(
            unit=unit,
            sigma=self.noise.sigmas.place[b.s1 - 1],
            offset=offset,
            growth=self.noise.growths.place[b.g1 - 1],
            outliers=np.zeros(unit.size),
        )

    def folds(self, s: IntArray, g: IntArray, unit: FloatArray) -> IntArray:
        """How often the offset is halved at last."""
        if not self.moving:
            return np.zeros(unit.size, dtype=np.int64)
        wanted = self.about[s, g] / self.fine
        if self.prior.free:
            wanted = unit * wanted
        else:
            low, high = self.extent
            wanted = (high - low) * np.maximum(wanted, 4 / distributions.spread(self.prior.offset))
        folds: IntArray = np.ceil(np.log2(np.maximum(wanted, 2.0**_FEWEST_FOLDS))).astype(np.int64)
        return folds

    def log_masses(self, b: Boxes, log_unit: FloatArray, shift: FloatArray) -> FloatArray:
        """Log mass of single boxes at each share of outliers, shape (m, W)."""
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
        p = self.parameters(b, log_unit, shift)
        mass = self._log_prior(p) + log_cell + self.log_weight(b)
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
        masses = self._at(b.rows(row), place[used], np.zeros(row.size), np.log(weight[used]))
        values = np.full((*weight.shape, self.noise.shares.size), -np.inf)
        values[used] = masses
        total: FloatArray = np.logaddexp.reduce(values, axis=(1, 2))
        return total

    def _jumps_within(self, b: Boxes, log_unit: FloatArray, shift: FloatArray) -> BoolArray:
        """Whether the first or last tooth in the window differs between corners of a box."""
        corners = []
        for i in (-0.5, 0.5):
            for j in (-0.5, 0.5):
                at = log_unit + i * self.step(b), shift + j * self.shift_cell(b)
                p = self.parameters(b, *at)
                ends = self.likelihood.envelope.ends(p.unit, self.likelihood.start(p))
                corners.append(np.column_stack(ends))
        jumps: BoolArray = np.any(np.ptp(corners, axis=0) > 0, axis=1)
        return jumps

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
        total: FloatArray = np.logaddexp.reduce(masses, axis=0)
        return total

    def log_weight(self, b: Boxes) -> FloatArray:
        weight: FloatArray = self.most_s[b.s0, b.s1] + self.most_g[b.g0, b.g1]
        return weight

    def _log_prior(self, p: Parameters) -> FloatArray:
        """Log prior of unit, offset, and of a sigma that depends on the unit."""
        value = self.prior.log_unit_density(p.unit)
        if isinstance(self.prior.sigma, TaperedSigma):
            value = value + self.prior.log_sigma_density(p.sigma, p.unit)
        if distributions.is_distribution(self.prior.offset):
            value = value + distributions.log_density(self.prior.offset, p.offset)
        return value


def _range_maxima(values: FloatArray) -> FloatArray:
    """Table t[i, j] of the largest of values[i:j]; −inf where that is empty."""
    n = values.size
    table = np.full((n, n + 1), -np.inf)
    for i in range(n):
        table[i, i + 1 :] = np.maximum.accumulate(values[i:])
    return table


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
    ends: FloatArray = np.sort(np.column_stack(cuts), axis=1)
    return ends
