"""Integration of the comb likelihood over unit, sigma and offset, exact to a stated tolerance.

The integrand is the likelihood of the comb divided by that of a flat continuum; it has many narrow
modes in the unit. In log u every mode has about the same width, sigma/sqrt(Σx²), and for a smooth
peak an even lattice whose step is that width integrates to 1e-8. A smaller sigma wants a finer
lattice, but only where it fits: starting from the largest sigma, cells of log u are halved as the
step shrinks, and a cell is dropped as soon as no sigma still to come can make it count.

`dense_log_evidence` is the plain double sum without any of this; the tests compare the two.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.polynomial.legendre import leggauss

from quantize._support.errors import InputError
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.likelihood import log_density_sum, log_density_sum_plain
from quantize.readings import Levels

_STEP = 0.6
"""Lattice step in posterior standard deviations."""
_NEGLIGIBLE = 32.0
"""A cell is dropped when its log contribution is this far below the largest one."""
_PANEL_NODES = 8
_CHUNK = 2**18
_MOST_CELLS = 4_000_000
_FEWEST_CELLS = 64


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Nodes:
    """The quadrature nodes that count, with the log of weight times integrand.

    `cell` is the width of a node's cell in log u, `sigma_index` its place in `sigma_nodes`, and
    `phase` the offset in turns (zero where it is fixed), `phase_cell` the width of its cell. `log_evidence` is the log of the sum of
    the masses, that is the log Bayes factor of the comb over the continuum.
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


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Problem:
    """What is integrated: levels relative to the offset, band, sigmas, whether the offset floats.

    `origin` is subtracted from the values first; with a free offset it only keeps the phases of
    unit and offset apart.
    """

    levels: Levels
    origin: float
    low: float
    high: float
    sigma_low: float
    sigma_high: float
    free: bool

    @property
    def mean(self) -> FloatArray:
        """Level means from the origin."""
        return self.levels.mean - self.origin

    @property
    def sigma_known(self) -> bool:
        """True when there is no integral over sigma."""
        return self.sigma_low == self.sigma_high

    def spread(self, sigma: float) -> FloatArray:
        """Standard deviation of each level mean; one number where all are equal."""
        factor = self.levels.factor
        if np.all(factor == factor[0]):
            factor = factor[:1]
        return sigma * np.sqrt(factor)

    def within(self, sigma: FloatArray | float) -> FloatArray:
        """Log likelihood of the scatter within states, up to a constant."""
        d, s = self.levels.degrees, self.levels.scatter
        log_likelihood: FloatArray = -d * np.log(sigma) - 0.5 * s / np.square(sigma)
        return log_likelihood


def sigma_quadrature(problem: Problem) -> tuple[FloatArray, FloatArray]:
    """Nodes in sigma, largest first, and log weights of the log-uniform prior.

    Gauss–Legendre panels in log sigma, each at most four posterior standard deviations wide.
    """
    if problem.sigma_known:
        return np.array([problem.sigma_low]), np.array([0.0])
    n = problem.levels.mean.size + problem.levels.degrees
    length = np.log(problem.sigma_high / problem.sigma_low)
    panels = max(int(np.ceil(length / min(1.0, 4 / np.sqrt(2 * n)))), 1)
    x, w = leggauss(_PANEL_NODES)
    width = length / panels
    node = (np.arange(panels)[:, None] + 0.5 * (x + 1)) * width
    weight = np.broadcast_to(0.5 * w / panels, node.shape)
    order = np.argsort(-node.ravel())
    sigma = problem.sigma_low * np.exp(node.ravel()[order])
    return sigma, np.log(weight.ravel()[order])


def integrate(problem: Problem, *, head_start: float = -np.inf) -> Nodes:
    """Adaptive quadrature; see the module's description.

    `head_start` is a lower bound of the largest log node mass, known from elsewhere (a good fit);
    it only saves work.

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
    best = head_start
    kept: list[tuple[FloatArray, ...]] = []
    for i, sigma in enumerate(sigmas):
        lattice.refine(sigma, best)
        if lattice.index.size == 0:
            break
        log_u, phase, turn, log_mass = lattice.evaluate(sigma, best - log_weights[i])
        log_mass = log_mass + log_weights[i]
        if log_mass.size:
            best = max(best, float(log_mass.max()))
            near = log_mass > best - _NEGLIGIBLE
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
    near = log_mass > best - _NEGLIGIBLE
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
        self.index = np.arange(self.size)

    def _wanted(self, sigma: float) -> int:
        factor = self.problem.levels.factor
        lever = float(np.sqrt(np.sum(self.problem.mean**2 / factor)))
        return int(np.ceil(self.length * lever / (_STEP * sigma)))

    def _too_large(self) -> str:
        p = self.problem
        return (
            f"`unit_range` ({p.low:g}, {p.high:g}) with sigma down to {p.sigma_low:g} needs more "
            f"than {_MOST_CELLS:.0e} trial units; raise the low end of the range or of sigma."
        )

    @property
    def step(self) -> float:
        return self.length / self.size

    def _log_u(self, index: FloatArray) -> FloatArray:
        centre: FloatArray = self.start + (index + 0.5) * self.step
        return centre

    def refine(self, sigma: float, best: float) -> None:
        """Halve the cells until they suit `sigma`, dropping those that cannot count again."""
        wanted = self._wanted(sigma)
        while self.size < wanted:
            self.index = self.index[self._may_count(sigma, best)]
            self.index = np.repeat(2 * self.index, 2)
            self.index[1::2] += 1
            self.size *= 2
            if self.index.size > _MOST_CELLS:
                raise InputError(self._too_large())

    def _may_count(self, sigma: float, best: float) -> BoolArray:
        """Whether any sigma from here down could lift a cell to within reach of the best one.

        The root of the weighted residual sum of squares changes with log u no faster than
        sqrt(Σ(|x| + u/2)²/factor), so half a cell away it is at least `root`. For a given sum the
        best sigma is known in closed form.
        """
        p = self.problem
        if not np.isfinite(best):
            return np.ones(self.index.size, dtype=bool)
        factor = p.levels.factor
        n = p.mean.size
        keep = np.zeros(self.index.size, dtype=bool)
        total = float(np.sum(1 / factor))
        squares = float(np.sum(p.mean**2 / factor))
        log_prior = self.log_weight - np.log(self.size)
        for part in _chunks(self.index.size, n):
            u = np.exp(self._log_u(self.index[part]))
            turns = np.multiply.outer(1 / u, p.mean)
            phi = _phases_at_best_offset(turns, 1 / factor) if p.free else turns - np.rint(turns)
            rss = u**2 * (phi**2 @ (1 / factor))
            lever = np.sqrt(squares) + 0.5 * u * np.sqrt(total)
            root = np.maximum(np.sqrt(rss) - 0.5 * self.step * lever, 0.0)
            s = np.clip(root / np.sqrt(n), p.sigma_low, sigma)
            gauss = n * (np.log(u) - 0.5 * np.log(2 * np.pi)) - 0.5 * np.sum(np.log(factor))
            bound = gauss - n * np.log(s) - 0.5 * (root / s) ** 2
            spread = sigma * np.sqrt(factor) / u[:, None]
            images = np.log1p(
                2 * np.exp(-np.maximum(1 - 2 * np.abs(phi), 0) / (2 * spread**2))
            ).sum(axis=1)
            keep[part] = bound + images + log_prior > best - _NEGLIGIBLE
        return keep

    def evaluate(
        self, sigma: float, best: float
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Log unit, phase, width in phase and log mass of each cell at `sigma`, before the weight of sigma."""
        p = self.problem
        log_u = self._log_u(self.index)
        # No density is higher than at phase zero.
        ceiling = _peak_density_sum(p, log_u, sigma) - np.log(self.size)
        reachable = ceiling > best - _NEGLIGIBLE
        index, log_u = self.index[reachable], log_u[reachable]
        edge = _edge_weights(self.size)
        log_cell = np.full(index.size, -np.log(self.size))
        near = index < edge.size
        log_cell[near] += np.log(edge[index[near]])
        mirrored = self.size - 1 - index
        near = mirrored < edge.size
        log_cell[near] += np.log(edge[mirrored[near]])
        if not p.free:
            value = _log_likelihood(p, log_u, sigma)
            return log_u, np.zeros(log_u.size), np.zeros(log_u.size), value + log_cell
        return _over_offsets(p, log_u, log_cell, sigma, best)


def _peak_density_sum(p: Problem, log_u: FloatArray, sigma: float) -> FloatArray:
    spread = p.spread(sigma)
    times = p.mean.size if spread.size == 1 else 1
    width = spread / np.exp(log_u)[:, None]
    return times * log_density_sum_plain(np.zeros_like(width), width)


def _phases_at_best_offset(turns: FloatArray, weight: FloatArray) -> FloatArray:
    """Distances of each row of turns to its teeth, at the offset with the least squares.

    Sorted phases, cut at one of their gaps, are a stretch of line; the best offset is the weighted
    mean of the stretch with the least variance.
    """
    phase = turns - np.floor(turns)
    order = np.argsort(phase, axis=1)
    t, w = np.take_along_axis(phase, order, axis=1), weight[order]

    def of_the_smallest(term: FloatArray) -> FloatArray:
        """Sum of a term over the j smallest phases, for every j."""
        sums = np.cumsum(term, axis=1)
        return np.concatenate([np.zeros((len(term), 1)), sums[:, :-1]], axis=1)

    total = float(np.sum(weight))
    moved = of_the_smallest(w)
    first = (w * t).sum(axis=1, keepdims=True) + moved
    second = (w * t**2).sum(axis=1, keepdims=True) + 2 * of_the_smallest(w * t) + moved
    cut = np.argmin(second - first**2 / total, axis=1)
    rows = np.arange(len(cut))
    line = t + (np.arange(t.shape[1])[None, :] < cut[:, None])
    out = np.empty_like(line)
    np.put_along_axis(out, order, line - first[rows, cut][:, None] / total, axis=1)
    return out


def _log_likelihood(p: Problem, log_u: FloatArray, sigma: float) -> FloatArray:
    out = np.empty(log_u.size)
    spread = p.spread(sigma)
    for part in _chunks(log_u.size, p.mean.size):
        u = np.exp(log_u[part])[:, None]
        turns = p.mean / u
        out[part] = log_density_sum(turns - np.rint(turns), spread / u)
    return out


def _over_offsets(
    p: Problem, log_u: FloatArray, log_cell: FloatArray, sigma: float, best: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The same with an even lattice of offsets, one turn round, at each unit."""
    spread = p.spread(sigma)
    precision = float(np.sqrt(np.sum(1 / p.levels.factor)))
    found = [(np.empty(0),) * 4]
    # The width of the peak in turns is sigma/(u·precision): serve units of like width together.
    counts = np.maximum(8, np.ceil(np.exp(log_u) * precision / (_STEP * sigma))).astype(int)
    counts = 2 ** np.ceil(np.log2(counts)).astype(int)
    for count in np.unique(counts):
        cells = np.flatnonzero(counts == count)
        offsets = np.arange(count) / count
        for part in _chunks(cells.size, int(count) * p.mean.size):
            which = cells[part]
            u = np.exp(log_u[which])
            turns = p.mean / u[:, None]
            phi = turns[:, None, :] - offsets[None, :, None]
            phi = (phi - np.rint(phi)).reshape(-1, p.mean.size)
            widths = np.repeat(spread / u[:, None], count, axis=0)
            value = log_density_sum(phi, widths).reshape(which.size, count)
            value += (log_cell[which] - np.log(count))[:, None]
            rows, columns = np.nonzero(value > max(best, value.max()) - _NEGLIGIBLE)
            turn = np.full(rows.size, 1 / count)
            found.append((log_u[which][rows], offsets[columns], turn, value[rows, columns]))
    one, two, three, four = (np.concatenate([f[j] for f in found]) for j in range(4))
    return one, two, three, four


def _chunks(size: int, width: int) -> list[slice]:
    step = max(1, _CHUNK // max(width, 1))
    return [slice(i, i + step) for i in range(0, size, step)]


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


def dense_log_evidence(
    problem: Problem, *, unit_points: int, sigma_points: int, offset_points: int = 1
) -> float:
    """Log Bayes factor by plain sums on a dense grid (Simpson in log sigma and log u)."""
    from scipy.integrate import simpson

    log_u = np.linspace(np.log(problem.low), np.log(problem.high), unit_points)
    u = np.exp(log_u)
    log_s = np.linspace(np.log(problem.sigma_low), np.log(problem.sigma_high), sigma_points)
    if problem.sigma_known:
        log_s = log_s[:1]
    offsets = np.arange(offset_points) / offset_points if problem.free else np.zeros(1)
    rows, prior = [], []
    for sigma in np.exp(log_s):
        by_offset = [
            log_density_sum_plain(
                np.subtract(problem.mean / u[:, None], c),
                sigma * np.sqrt(problem.levels.factor) / u[:, None],
            )
            for c in offsets
        ]
        log_l = np.logaddexp.reduce(by_offset, axis=0) - np.log(offsets.size)
        top = log_l.max()
        integral = float(simpson(np.exp(log_l - top), x=log_u)) / (log_u[-1] - log_u[0])
        rows.append(top + np.log(integral))
        prior.append(float(problem.within(sigma)))
    if problem.sigma_known:
        return float(rows[0])
    log_values, log_prior = np.array(rows) + np.array(prior), np.array(prior)
    top, top_prior = log_values.max(), log_prior.max()
    upper = top + np.log(float(simpson(np.exp(log_values - top), x=log_s)))
    lower = top_prior + np.log(float(simpson(np.exp(log_prior - top_prior), x=log_s)))
    return float(upper - lower)
