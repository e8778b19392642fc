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
from quantize.comb.likelihood import log_density_sum
from quantize.comb.offsets import over_offsets, phases_at_best_offset
from quantize.comb.problem import NEGLIGIBLE, Problem, chunks, lattice_step, sigma_quadrature
from quantize.comb.window import least_log_unit_excess
from quantize.comb.wrapped import log_peak_density

_MOST_CELLS = 4_000_000
_FEWEST_CELLS = 64
_WORTH_A_FIT = 40
_FITS = 20
_MARGIN = 8.0


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
    log_sigma_prior: FloatArray

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
    # The prior of sigma given the scatter within states, the same under comb and continuum.
    log_weights = log_weights + problem.within(sigmas)
    log_weights = log_weights - np.logaddexp.reduce(log_weights)
    lattice = _Lattice(problem, sigmas[0], float(log_weights.max()))
    best = _head_start(problem, sigmas, log_weights)
    kept: list[tuple[FloatArray, ...]] = []
    for i, sigma in enumerate(sigmas):
        lattice.refine(sigma, best)
        if lattice.index.size == 0:
            break
        log_u, phase, turn, log_mass = lattice.evaluate(sigma, best - log_weights[i])
        log_mass = log_mass + log_weights[i]
        if log_mass.size:
            best = max(best, float(log_mass.max()))
            near = log_mass > best - NEGLIGIBLE
            same = np.ones(int(near.sum()))
            kept.append(
                (
                    log_u[near],
                    lattice.step * same,
                    i * same,
                    phase[near],
                    turn[near],
                    log_mass[near],
                )
            )
    log_u, cell, index, phase, turn, log_mass = (
        np.concatenate([part[j] for part in kept]) if kept else np.empty(0) for j in range(6)
    )
    near = log_mass > best - NEGLIGIBLE
    return Nodes(
        log_unit=log_u[near],
        cell=cell[near],
        sigma_index=index[near].astype(np.int64),
        phase=phase[near],
        phase_cell=turn[near],
        log_mass=log_mass[near],
        log_evidence=float(np.logaddexp.reduce(log_mass)) if log_mass.size else -np.inf,
        sigma_nodes=sigmas,
        log_sigma_prior=log_weights,
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
    best = -np.inf
    for i in np.argsort(found.criterion)[:_FITS]:
        unit, phase = float(found.unit[i]), float(found.phase[i])
        sigma = unit * float(np.sqrt(found.criterion[i] * levels.factor.min()))
        j = int(np.argmin(np.abs(np.log(sigmas) - np.log(np.maximum(sigma, 1e-300)))))
        k = np.rint(problem.mean / unit - phase)
        phase = float(np.average(problem.mean / unit - k, weights=weight)) if problem.free else 0.0
        turns = (problem.mean / unit - phase)[None, :]
        value = log_density_sum(turns - np.rint(turns), (problem.spread(sigmas[j]) / unit)[None, :])
        value = value - problem.log_normaliser(np.array([unit]), sigmas[j])
        lever = float(np.sqrt(np.sum(problem.mean**2 / levels.factor)))
        cells = (
            np.log(problem.high / problem.low)
            * lever
            / (lattice_step(levels.mean.size) * sigmas[j])
        )
        best = max(best, float(value[0] + log_weights[j] - np.log(max(cells, _FEWEST_CELLS))))
    return best - _MARGIN


class _Lattice:
    """Cells of log u that may still count, halved as sigma shrinks."""

    def __init__(self, problem: Problem, sigma: float, log_weight: float) -> None:
        self.problem = problem
        self.log_weight = log_weight
        self.start = float(np.log(problem.low))
        self.length = float(np.log(problem.high) - self.start)
        self.size = max(_FEWEST_CELLS, self._wanted(sigma))
        if self.size > _MOST_CELLS:
            raise InputError(self._too_large())
        self.index: IntArray = np.arange(self.size)
        self._root, self._images = np.empty(0), np.empty(0)
        self._table_size = 0
        self._table_index: IntArray = np.empty(0, dtype=np.int64)
        self._table: FloatArray = np.empty((0, 0))

    def _wanted(self, sigma: float) -> int:
        factor = self.problem.levels.factor
        lever = float(np.sqrt(np.sum(self.problem.mean**2 / factor)))
        return int(np.ceil(self.length * lever / (lattice_step(self.problem.mean.size) * sigma)))

    def _too_large(self) -> str:
        p = self.problem
        return (
            f"`unit_range` ({p.low:g}, {p.high:g}) with sigma down to {p.sigma_low:g} needs more "
            f"than {_MOST_CELLS:.0e} trial units; raise the low end of the range or of sigma."
        )

    @property
    def step(self) -> float:
        return self.length / self.size

    def _log_u(self, index: IntArray) -> FloatArray:
        centre: FloatArray = self.start + (index.astype(np.float64) + 0.5) * self.step
        return centre

    def refine(self, sigma: float, best: float) -> None:
        """Halve the cells until they suit `sigma`, dropping those that cannot count again."""
        wanted = self._wanted(sigma)
        while self.size < wanted:
            self._look(sigma)
            keep = self._bound(sigma) > best - NEGLIGIBLE
            self.index = np.repeat(2 * self.index[keep], 2)
            self.index[1::2] += 1
            self._root = np.repeat(self._root[keep], 2)
            self._images = np.repeat(self._images[keep], 2)
            self.size *= 2
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
        squares = float(np.sum(p.mean**2 / factor))
        for part in chunks(self.index.size, p.mean.size):
            u = np.exp(self._log_u(self.index[part]))
            turns = np.multiply.outer(1 / u, p.mean)
            phi = phases_at_best_offset(turns, 1 / factor) if p.free else turns - np.rint(turns)
            rss = u**2 * (phi**2 @ (1 / factor))
            lever = np.sqrt(squares) + 0.5 * u * np.sqrt(total)
            self._root[part] = np.maximum(np.sqrt(rss) - 0.5 * self.step * lever, 0.0)
            spread = sigma * np.sqrt(factor) / u[:, None]
            other = 2 * np.exp(-np.maximum(1 - 2 * np.abs(phi), 0) / (2 * spread**2))
            self._images[part] = np.log1p(other).sum(axis=1)

    def _bound(self, sigma: float) -> FloatArray:
        """Upper bound of the log mass of each cell at any sigma from here down.

        For a given residual sum of squares the best sigma is known in closed form.
        """
        p = self.problem
        n = p.mean.size
        if self._root.size != self.index.size:
            return np.full(self.index.size, np.inf)
        s = np.clip(self._root / np.sqrt(n), p.sigma_low, sigma)
        gauss = n * (self._log_u(self.index) - 0.5 * np.log(2 * np.pi))
        gauss -= 0.5 * np.sum(np.log(p.levels.factor)) + n * np.log(s)
        bound: FloatArray = gauss - 0.5 * (self._root / s) ** 2 + self._images
        bound -= self._least_normaliser(np.exp(self._log_u(self.index)))
        bound += self.log_weight - np.log(self.size)
        return bound

    def evaluate(
        self, sigma: float, best: float
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Log unit, phase, its width and log mass of each cell, before the weight of sigma."""
        p = self.problem
        # No density is higher than at phase zero.
        log_u = self._log_u(self.index)
        ceiling = _peak_density_sum(p, log_u, sigma) - np.log(self.size)
        ceiling -= self._least_normaliser(np.exp(log_u))
        bound = self._bound(sigma) - self.log_weight
        reachable = np.minimum(ceiling, bound) > best - NEGLIGIBLE
        index = self.index[reachable]
        log_u = self._log_u(index)
        edge = _edge_weights(self.size)
        log_cell = np.full(index.size, -np.log(self.size))
        near = index < edge.size
        log_cell[near] += np.log(edge[index[near]])
        mirrored = self.size - 1 - index
        near = mirrored < edge.size
        log_cell[near] += np.log(edge[mirrored[near]])
        if not p.free:
            value = self._likelihood(index, log_u, sigma) - p.log_normaliser(np.exp(log_u), sigma)
            return log_u, np.zeros(log_u.size), np.zeros(log_u.size), value + log_cell
        return over_offsets(p, log_u, log_cell, sigma, best)

    def _least_normaliser(self, unit: FloatArray) -> FloatArray:
        p = self.problem
        least: FloatArray = p.mean.size * least_log_unit_excess(unit, p.span)
        return least

    def _likelihood(self, index: IntArray, log_u: FloatArray, sigma: float) -> FloatArray:
        """Log likelihood at the cells, by harmonics where sigma/u is large, else directly."""
        p = self.problem
        spread = p.spread(sigma)
        if spread.size > 1:
            return _log_likelihood(p, log_u, sigma)
        s = spread[0] / np.exp(log_u)
        # log_u ascends, so the large spreads come first.
        count = int(np.searchsorted(-s, -WIDE, side="right"))
        out = np.empty(log_u.size)
        out[count:] = _log_likelihood(p, log_u[count:], sigma)
        if count:
            known = self._harmonics(index[:count])
            out[:count] = log_likelihood_from_cosines(known, p.mean.size, s[:count])
        return out

    def _harmonics(self, index: IntArray) -> FloatArray:
        """Rows of the table of cosine sums; it is made anew when the lattice is refined."""
        last = int(index[-1])
        if self._table_size != self.size or self._table_index[-1] < last:
            self._table_index = self.index[self.index <= last]
            self._table_size = self.size
            u = np.exp(self._log_u(self._table_index))
            self._table = cosine_sums(self.problem.mean, u)
        rows = np.searchsorted(self._table_index, index)
        table: FloatArray = self._table[rows]
        return table


def _peak_density_sum(p: Problem, log_u: FloatArray, sigma: float) -> FloatArray:
    spread = p.spread(sigma)
    times = p.mean.size if spread.size == 1 else 1
    peak: FloatArray = times * log_peak_density(spread / np.exp(log_u)[:, None]).sum(axis=1)
    return peak


def _log_likelihood(p: Problem, log_u: FloatArray, sigma: float) -> FloatArray:
    out = np.empty(log_u.size)
    spread = p.spread(sigma)
    for part in chunks(log_u.size, p.mean.size):
        u = np.exp(log_u[part])[:, None]
        turns = p.mean / u
        out[part] = log_density_sum(turns - np.rint(turns), spread / u)
    return out


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
