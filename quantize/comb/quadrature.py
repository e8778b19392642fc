"""Integration of the comb likelihood over unit, sigma and offset, exact to a stated tolerance.

The integrand is the likelihood of the comb divided by that of a flat continuum; it has many narrow
modes in the unit. In log u every mode has about the same width, sigma/sqrt(Σx²), and for a smooth
peak an even lattice with a step of that width integrates to 1e-8. A smaller sigma wants a finer
lattice, but only where it fits: starting from the largest sigma, cells of log u are halved as the
step shrinks, and a cell is dropped as soon as no sigma still to come can make it count.

`quantize.comb.problem.dense_log_evidence` is the plain double sum without any of this.
"""

from __future__ import annotations

import dataclasses
import functools

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.assignments import fixed_offset, free_offset
from quantize.comb.harmonics import WIDE, cosine_sums, log_likelihood_from_cosines
from quantize.comb.likelihood import log_density_sum, log_product
from quantize.comb.offsets import over_offsets, phases_at_best_offset
from quantize.comb.problem import NEGLIGIBLE, Problem, chunks, lattice_step, sigma_quadrature
from quantize.comb.window import least_log_unit_excess
from quantize.comb.wrapped import log_peak_density

_MOST_CELLS = 4_000_000
_FEWEST_CELLS = 64
_WORTH_A_FIT = 40
_FITS = 20
_MARGIN = 8.0
_BLOCK = 2**19
"""Most pairs of cell and sigma that are looked at in one go."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Nodes:
    """The quadrature nodes that count, with the log of weight times integrand.

    `cell` is the width of a node's cell in log u, `sigma_index` its place in `sigma_nodes`, and
    `phase` the offset in turns (zero where it is fixed), `phase_cell` the width of its cell.
    `log_evidence` is the log of the sum of the masses, that is the log Bayes factor of the comb
    over the continuum.
    """

    log_unit: FloatArray
    cell: FloatArray
    sigma_index: IntArray
    phase: FloatArray
    phase_cell: FloatArray
    log_mass: FloatArray
    log_evidence: float
    sigma_nodes: FloatArray

    @property
    def sigma(self) -> FloatArray:
        """Sigma of each node."""
        sigma: FloatArray = self.sigma_nodes[self.sigma_index]
        return sigma

    @property
    def share(self) -> FloatArray:
        """Posterior probability of each node."""
        share: FloatArray = np.exp(self.log_mass - self.log_evidence)
        return share


def integrate(problem: Problem) -> Nodes:
    """Adaptive quadrature; see the module's description.

    Raises
    ------
    InputError
        If the lattice grows beyond memory.
    """
    sigmas, log_weights = sigma_quadrature(problem)
    # The scatter within states has the same likelihood under comb and continuum.
    log_weights = log_weights + problem.within(sigmas) - problem.log_within_evidence
    lattice = _Lattice(problem, sigmas[0], float(log_weights.max()))
    best = _head_start(problem, sigmas, log_weights)
    kept: list[tuple[FloatArray | IntArray, ...]] = []
    first = 0
    while first < sigmas.size:
        lattice.refine(sigmas[first], best)
        if lattice.index.size == 0:
            break
        last = first + lattice.suited(sigmas[first:])
        block = slice(first, last)
        log_u, which, phase, turn, log_mass = lattice.evaluate(
            sigmas[block], log_weights[block], best
        )
        if log_mass.size:
            best = max(best, float(log_mass.max()))
            near = log_mass > best - NEGLIGIBLE
            cell = np.full(int(near.sum()), lattice.step)
            index = first + which[near]
            kept.append((log_u[near], cell, index, phase[near], turn[near], log_mass[near]))
        first = last
    log_u, cell, where, phase, turn, log_mass = (
        np.concatenate([part[j] for part in kept]) if kept else np.empty(0) for j in range(6)
    )
    near = log_mass > best - NEGLIGIBLE
    return Nodes(
        log_unit=log_u[near],
        cell=cell[near],
        sigma_index=where[near].astype(np.int64),
        phase=phase[near],
        phase_cell=turn[near],
        log_mass=log_mass[near],
        log_evidence=float(np.logaddexp.reduce(log_mass)) if log_mass.size else -np.inf,
        sigma_nodes=sigmas,
    )


def _head_start(problem: Problem, sigmas: FloatArray, log_weights: FloatArray) -> float:
    """A lower bound of the largest node mass, from the best least-squares fits.

    It only saves work: cells that cannot come near it are never evaluated. The margin covers the
    distance from the fit to the nearest node.
    """
    levels = problem.levels
    if levels.mean.size < _WORTH_A_FIT:
        return -np.inf
    weight = levels.factor.min() / levels.factor
    search = free_offset if problem.free else fixed_offset
    try:
        found = search(problem.mean, weight, problem.low, problem.high)
    except InputError:
        return -np.inf
    best = np.argsort(found.criterion)[:_FITS]
    unit, phase = found.unit[best], found.phase[best]
    sigma = unit * np.sqrt(found.criterion[best] * levels.factor.min())
    log_ratio = np.log(sigmas) - np.log(np.maximum(sigma, 1e-300))[:, None]
    nearest = np.argmin(np.abs(log_ratio), axis=1)
    sigma = sigmas[nearest]
    if problem.free:
        turns = problem.mean / unit[:, None]
        phase = np.average(turns - np.rint(turns - phase[:, None]), axis=1, weights=weight)
    else:
        phase = np.zeros(unit.size)
    turns = problem.mean / unit[:, None] - phase[:, None]
    spread = (sigma / unit)[:, None] * np.sqrt(levels.factor[: 1 if problem.equal else None])
    value = log_density_sum(turns - np.rint(turns), spread)
    value += problem.log_sigma_density(sigma, unit) - problem.log_normaliser(unit, sigma)
    lever = float(np.sqrt(np.sum(problem.mean**2 / levels.factor)))
    step = lattice_step(levels.mean.size) * sigma
    cells = np.log(problem.high / problem.low) * lever / step
    value += log_weights[nearest] - np.log(np.maximum(cells, _FEWEST_CELLS))
    return float(value.max()) - _MARGIN


class _Lattice:
    """Cells of log u that may still count, halved as sigma shrinks."""

    def __init__(self, problem: Problem, sigma: float, log_weight: float) -> None:
        self.problem = problem
        self.mean = problem.mean
        self.log_weight = log_weight
        self.start = float(np.log(problem.low))
        self.length = float(np.log(problem.high) - self.start)
        lever = float(np.sqrt(np.sum(self.mean**2 / problem.levels.factor)))
        self.cells_times_sigma = self.length * lever / lattice_step(self.mean.size)
        self.size = max(_FEWEST_CELLS, int(self._wanted(sigma)))
        if self.size > _MOST_CELLS:
            raise InputError(self._too_large())
        self._keep(np.arange(self.size))
        self._root, self._images = np.empty(0), np.empty(0)

    def _keep(self, index: IntArray) -> None:
        """Go on with these cells."""
        self.index = index
        self.log_u: FloatArray = self.start + (index.astype(np.float64) + 0.5) * self.step
        self.u: FloatArray = np.exp(self.log_u)

    def _wanted(self, sigma: FloatArray | float) -> FloatArray:
        wanted: FloatArray = np.ceil(self.cells_times_sigma / np.asarray(sigma))
        return wanted

    def _too_large(self) -> str:
        p = self.problem
        return (
            f"`unit_range` ({p.low:g}, {p.high:g}) with sigma down to {p.sigma_low:g} needs more "
            f"than {_MOST_CELLS:.0e} trial units; raise the low end of the range or of sigma."
        )

    @property
    def step(self) -> float:
        return self.length / self.size

    def refine(self, sigma: float, best: float) -> None:
        """Halve the cells until they suit `sigma`, dropping those that cannot count again."""
        wanted = int(self._wanted(sigma))
        while self.size < wanted:
            self._look(sigma)
            keep = self._bound(sigma) > best - NEGLIGIBLE
            index = np.repeat(2 * self.index[keep], 2)
            index[1::2] += 1
            self._root = np.repeat(self._root[keep], 2)
            self._images = np.repeat(self._images[keep], 2)
            self.size *= 2
            self._keep(index)
            if self.index.size > _MOST_CELLS:
                raise InputError(self._too_large())

    def _look(self, sigma: float) -> None:
        """Store, for each cell, what bounds its likelihood at this sigma and every smaller one.

        The root of the weighted residual sum of squares changes with log u no faster than
        sqrt(Σ(|x| + u/2)²/factor), so anywhere in the cell it is at least `root`. `images` is
        what teeth other than the nearest can add.
        """
        p = self.problem
        factor = p.levels.factor
        self._root, self._images = np.empty(self.index.size), np.empty(self.index.size)
        total = float(np.sum(1 / factor))
        squares = float(np.sum(self.mean**2 / factor))
        for part in chunks(self.index.size, self.mean.size):
            u = self.u[part]
            turns = np.multiply.outer(1 / u, self.mean)
            phi = phases_at_best_offset(turns, 1 / factor) if p.free else turns - np.rint(turns)
            rss = u**2 * (phi**2 @ (1 / factor))
            lever = np.sqrt(squares) + 0.5 * u * np.sqrt(total)
            self._root[part] = np.maximum(np.sqrt(rss) - 0.5 * self.step * lever, 0.0)
            half = 0.5 / (sigma * np.sqrt(factor[:1] if p.equal else factor) / u[:, None]) ** 2
            far = np.exp(-np.maximum(1 - 2 * np.abs(phi), 0) * half)
            self._images[part] = log_product(1 + 2 * far)

    def _bound(self, sigma: float) -> FloatArray:
        """Upper bound of the log mass of each cell at any sigma from here down.

        For a given residual sum of squares the best sigma is known in closed form. The factors
        that depend on the unit alone are taken at the end of the cell where they are largest.
        """
        p = self.problem
        n = self.mean.size
        if self._root.size != self.index.size:
            return np.full(self.index.size, np.inf)
        s = np.clip(self._root / np.sqrt(n), p.sigma_low, sigma)
        bound: FloatArray = self._gauss() - n * np.log(s) - 0.5 * (self._root / s) ** 2
        bound += self._images
        left = self.u * np.exp(-0.5 * self.step)
        bound += self.log_weight - np.log(self.size) - p.log_sigma_normaliser(left)
        return bound

    def _gauss(self) -> FloatArray:
        """n·log(sigma) + the largest Σ log(u·N(0; 0, sigma)) of each cell, least normalised."""
        p = self.problem
        n = self.mean.size
        gauss: FloatArray = n * (self.log_u + 0.5 * self.step - 0.5 * np.log(2 * np.pi))
        gauss -= n * least_log_unit_excess(self.u * np.exp(0.5 * self.step), p.span)
        gauss -= 0.5 * np.sum(np.log(p.levels.factor))
        return gauss

    def suited(self, sigmas: FloatArray) -> int:
        """How many of `sigmas`, which descend, this lattice is fine enough for and can hold."""
        most = min(sigmas.size, max(1, _BLOCK // max(self.index.size, 1)))
        enough = self._wanted(sigmas[1:most]) <= self.size
        return 1 + int(np.argmin(np.append(enough, False)))

    def evaluate(
        self, sigmas: FloatArray, log_weights: FloatArray, best: float
    ) -> tuple[FloatArray, IntArray, FloatArray, FloatArray, FloatArray]:
        """The nodes within reach of `best`: log unit, place in `sigmas`, phase, width, log mass."""
        p = self.problem
        n = self.mean.size
        log_mass = np.add.outer(_log_edge_weights(self.index, self.size), log_weights)
        log_mass -= np.log(self.size)
        log_mass += p.log_sigma_density(sigmas, self.u[:, None])
        # No density is higher than at phase zero, or than the residuals of the cell allow.
        ceiling = _peak_density_sum(p, self.u, sigmas)
        ceiling -= n * least_log_unit_excess(self.u, p.span)[:, None]
        if self._root.size == self.index.size:
            best_fit = np.add.outer(self._gauss() + self._images, -n * np.log(sigmas))
            best_fit -= 0.5 * np.divide.outer(self._root, sigmas) ** 2
            np.minimum(ceiling, best_fit, out=ceiling)
        cell, which = np.nonzero(log_mass + ceiling > best - NEGLIGIBLE)
        if p.free:
            return self._over_offsets(sigmas, log_mass, cell, which, best)
        value = log_mass[cell, which] + self._log_likelihood(cell, sigmas[which])
        value -= p.log_normaliser(self.u, sigmas[which], cell)
        none = np.zeros(cell.size)
        return self.log_u[cell], which, none, none, value

    def _over_offsets(
        self,
        sigmas: FloatArray,
        log_mass: FloatArray,
        cell: IntArray,
        which: IntArray,
        best: float,
    ) -> tuple[FloatArray, IntArray, FloatArray, FloatArray, FloatArray]:
        found = []
        for i, sigma in enumerate(sigmas):
            mine = cell[which == i]
            nodes = over_offsets(self.problem, self.log_u[mine], log_mass[mine, i], sigma, best)
            best = max(best, float(nodes[3].max(initial=-np.inf)))
            found.append((nodes[0], np.full(nodes[0].size, i), *nodes[1:]))
        one, two, three, four, five = (np.concatenate([f[j] for f in found]) for j in range(5))
        return one, two, three, four, five

    def _log_likelihood(self, cell: IntArray, sigma: FloatArray) -> FloatArray:
        """Log likelihood at pairs of cell and sigma: by harmonics where sigma/u is large."""
        factor = np.sqrt(self.problem.levels.factor)
        out = np.empty(cell.size)
        if self.problem.equal:
            spread = sigma * factor[0] / self.u[cell]
            wide = np.flatnonzero(spread >= WIDE)
            direct, widths = np.flatnonzero(spread < WIDE), factor[:1]
            if wide.size:
                units, row = self._places(cell[wide])
                sums = cosine_sums(self.mean, self.u[units], float(spread[wide].min()))
                out[wide] = log_likelihood_from_cosines(sums, row, self.mean.size, spread[wide])
        else:
            direct, widths = np.arange(cell.size), factor
        if direct.size == 0:
            return out
        units, row = self._places(cell[direct])
        turns = self.mean / self.u[units, None]
        phase = turns - np.rint(turns)
        for part in chunks(direct.size, self.mean.size):
            here = direct[part]
            spread = (sigma[here] / self.u[cell[here]])[:, None] * widths
            out[here] = log_density_sum(phase[row[part]], spread)
        return out

    def _places(self, cell: IntArray) -> tuple[IntArray, IntArray]:
        """The different cells, and for each entry of `cell` its place among them."""
        used = np.zeros(self.index.size, dtype=bool)
        used[cell] = True
        return np.flatnonzero(used), (np.cumsum(used) - 1)[cell]


def _peak_density_sum(p: Problem, unit: FloatArray, sigmas: FloatArray) -> FloatArray:
    """Largest sum of log densities at each unit (rows) and sigma (columns)."""
    if p.equal:
        spread = np.sqrt(p.levels.factor[0]) * sigmas / unit[:, None]
        return p.mean.size * log_peak_density(spread)
    factors, counts = np.unique(p.levels.factor, return_counts=True)
    peak: FloatArray = np.zeros((unit.size, sigmas.size))
    for factor, count in zip(factors, counts, strict=True):
        peak += count * log_peak_density(np.sqrt(factor) * sigmas / unit[:, None])
    return peak


def _log_edge_weights(index: IntArray, size: int) -> FloatArray:
    """Log of the weight of each cell: zero but at the two ends of the lattice."""
    edge = _edge_weights(size)
    log_weight = np.zeros(index.size)
    for place in (index, size - 1 - index):
        near = place < edge.size
        log_weight[near] += np.log(edge[place[near]])
    return log_weight


@functools.cache
def _edge_weights(size: int) -> FloatArray:
    """Corrections to the first weights of a midpoint lattice, exact for cubics at the end."""
    order = 4
    if size < 2 * order:
        return np.ones(0)
    # ∫_0^order minus what the even weights give, for the powers 0 … order−1 about the end.
    t = np.arange(order) + 0.5
    powers = np.vander(t, order, increasing=True).T
    # The excess of the integral over the lattice sum, from the Euler–Maclaurin series at one end.
    end = np.array([0.0, -1 / 24, 0.0, 7 / 960])
    delta: FloatArray = np.linalg.solve(powers, end)
    return 1 + delta
