"""Integration of the general model: lattices of units, halved where the likelihood can count.

Sigma, growth and the share of outliers have quadrature nodes of their own. For each of them the
units (and offsets) are covered by coarse cells. Anywhere in a cell no tooth moves by more than a
known distance, so that the likelihood with every reading taken that much nearer its tooth bounds
it from above. Cells whose bound is negligible are dropped, the others are halved, until their width
suits the posterior; there the likelihood itself is summed.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.model import priors
from quantize.comb.model.likelihood import PageLikelihood, Parameters
from quantize.comb.model.parameter_priors import ParameterPriors
from quantize.comb.problem import lattice_step
from quantize.comb.quadrature import Nodes

NEGLIGIBLE = 22.0
"""A node is dropped when its log mass is this far below the largest one."""
NEGLIGIBLE_OF_MANY = 15.0
"""... where there are so many nodes that the few that count have a large share each."""
_MOST_CELLS = 3_000_000
_FEWEST_CELLS = 64
_FEWEST_TURNS = 8
_COARSE = 0.1
_DEVIATIONS = 8.0
"""Posterior deviations of growth (about 1/sqrt(2n) in its log) that eight nodes cover."""
_HOPELESS = 60.0
"""Common nodes are left out when no candidate comes this near the best."""
_MOST_LEVELS = 12


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Common:
    """Nodes of sigma, growth and outlier share, with log weights of the priors."""

    sigma: FloatArray
    growth: FloatArray
    outliers: FloatArray
    log_weight: FloatArray

    @property
    def size(self) -> int:
        """Number of nodes."""
        return int(self.sigma.size)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class ModelNodes:
    """Nodes that count: log unit and its cell, offset coordinate and its cell, common node, mass.

    `shift` is the phase in turns from the origin where the offset is free, else the offset.
    """

    log_unit: FloatArray
    cell: FloatArray
    shift: FloatArray
    shift_cell: FloatArray
    index: IntArray
    log_mass: FloatArray
    common: Common
    log_evidence: float
    log_continuum: float

    @property
    def share(self) -> FloatArray:
        """Posterior probability of each node."""
        share: FloatArray = np.exp(self.log_mass - self.log_evidence)
        return share

    def as_nodes(self) -> Nodes:
        """In the form that `quantize.comb.posterior` reads."""
        return Nodes(
            log_unit=self.log_unit,
            cell=self.cell,
            sigma_index=self.index,
            phase=self.shift,
            phase_cell=self.shift_cell,
            log_mass=self.log_mass,
            log_evidence=self.log_evidence,
            sigma_nodes=self.common.sigma,
            log_sigma_prior=self.common.log_weight,
        )


def common_nodes(prior: ParameterPriors, n: int) -> Common:
    """The product of the three one-dimensional rules, about one node a posterior deviation."""
    sigma, log_s = prior.sigma_nodes(n)
    low, high = priors.reach(prior.growth)
    extent = float(np.log(high / low)) if low > 0 else 0.0
    growth, log_g = priors.nodes(
        prior.growth, max(int(np.ceil(extent * np.sqrt(2 * n) / _DEVIATIONS)), 1)
    )
    outliers, log_w = priors.nodes(prior.outliers, int(np.ceil(np.sqrt(n) / _DEVIATIONS)))
    s, g, w = (a.ravel() for a in np.meshgrid(sigma, growth, outliers, indexing="ij"))
    weight = log_s[:, None, None] + log_g[:, None] + log_w
    return Common(sigma=s, growth=g, outliers=w, log_weight=weight.ravel())


def integrate_model(
    likelihood: PageLikelihood,
    prior: ParameterPriors,
    candidates: FloatArray,
) -> ModelNodes:
    """Evidence and posterior nodes; `candidates` (c, 2) are units and offsets worth a first look.

    Raises
    ------
    InputError
        If the cells grow beyond memory, or no unit is possible at all.
    """
    common = common_nodes(prior, likelihood.x.size)
    search = _Search(likelihood, prior, common)
    first = search.first_look(candidates)
    found: list[tuple[FloatArray, ...]] = []
    worth = np.flatnonzero(~(first < first.max() - _HOPELESS))
    for i in worth[np.argsort(-first[worth], kind="stable")]:
        nodes = search.nodes_of(int(i))
        if nodes[0].size:
            found.append(nodes)
    parts = [np.concatenate([f[j] for f in found]) if found else np.empty(0) for j in range(6)]
    log_mass = parts[5]
    if not log_mass.size or not np.isfinite(log_mass.max()):
        raise InputError(
            "`model` makes these readings impossible at every unit of the range; widen its priors "
            "(sigma, window, integers) or `unit_range`."
        )
    near = log_mass > log_mass.max() - search.negligible
    log_unit, cell, shift, shift_cell, index, log_mass = (part[near] for part in parts)
    return ModelNodes(
        log_unit=log_unit,
        cell=cell,
        shift=shift,
        shift_cell=shift_cell,
        index=index.astype(np.int64),
        log_mass=log_mass,
        common=common,
        log_evidence=float(np.logaddexp.reduce(log_mass)),
        log_continuum=_log_continuum(likelihood, prior, common),
    )


def _log_continuum(likelihood: PageLikelihood, prior: ParameterPriors, common: Common) -> float:
    """Log evidence of the same page without steps, under the same priors of what it shares."""
    p = Parameters(
        unit=np.ones(common.size),
        sigma=common.sigma,
        offset=np.zeros(common.size),
        growth=common.growth,
        outliers=common.outliers,
    )
    log_l = likelihood.log_continuum(p)
    weight = common.log_weight + _marginal_sigma_density(prior, common.sigma)
    return float(np.logaddexp.reduce(log_l + weight))


def _marginal_sigma_density(prior: ParameterPriors, sigma: FloatArray) -> FloatArray:
    """Log prior density of log sigma with the unit integrated out."""
    if isinstance(prior.sigma, float):
        return np.zeros(sigma.size)
    edges = np.linspace(np.log(prior.low), np.log(prior.high), 201)
    unit = np.exp(0.5 * (edges[1:] + edges[:-1]))
    log_w = prior.log_unit_density(unit) + np.log(edges[1] - edges[0])
    log_w -= np.logaddexp.reduce(log_w)
    different, back = np.unique(sigma, return_inverse=True)
    value = np.array(
        [
            np.logaddexp.reduce(log_w + prior.log_sigma_density(np.full(unit.size, s), unit))
            for s in different
        ]
    )
    out: FloatArray = value[back]
    return out


class _Search:
    """The cells of one page, and the largest log mass met so far."""

    def __init__(self, likelihood: PageLikelihood, prior: ParameterPriors, common: Common) -> None:
        self.likelihood = likelihood
        self.prior = prior
        self.common = common
        self.start = float(np.log(prior.low))
        self.length = float(np.log(prior.high)) - self.start
        self.best = -np.inf
        self.turning = prior.free or priors.is_distribution(prior.offset)
        x = likelihood.x
        self.measured = likelihood.beyond == 0
        self.lever = np.abs(x - prior.origin) if prior.free else np.abs(x)
        many = self.turning or np.ptp(common.growth) > 0 or np.ptp(common.outliers) > 0
        self.negligible = NEGLIGIBLE_OF_MANY if many else NEGLIGIBLE
        self.fine = 0.8 if self.turning else lattice_step(x.size)

    def deviations(self, i: int) -> FloatArray:
        """Standard deviation of each reading at common node `i`, rounding included."""
        page, c = self.likelihood, self.common
        variance = np.square(c.sigma[i] * page.scale) + page.step**2 / 12
        variance = variance + np.square(c.growth[i]) * np.abs(page.x) ** page.power
        deviations: FloatArray = np.sqrt(variance)
        return deviations

    def steps_of(self, i: int) -> tuple[int, int]:
        """Cells of log unit that suit common node `i`, and how often they were halved."""
        sd = self.deviations(i)
        information = float(np.sqrt(np.sum(np.square(self.lever / sd)[self.measured])))
        wanted = self.length * max(information, 1e-300) / self.fine
        # The coarsest cells: the farthest reading moves by a deviation or a tenth of a unit.
        coarse = self.length * float(np.max(self.lever / np.maximum(sd, _COARSE * self.prior.high)))
        levels = int(np.clip(np.log2(wanted / max(coarse / 2, 1.0)), 0, _MOST_LEVELS))
        size = max(int(np.ceil(wanted / 2**levels)), _FEWEST_CELLS // 2**levels, 4)
        if size > _MOST_CELLS:
            raise InputError(self._too_large())
        return size * 2**levels, levels

    def _too_large(self) -> str:
        return (
            f"`unit_range` ({self.prior.low:g}, {self.prior.high:g}) needs more than "
            f"{_MOST_CELLS:.0e} cells under this model; narrow it, raise the low end of sigma, or "
            "use sample_mixture."
        )

    def first_look(self, candidates: FloatArray) -> FloatArray:
        """Best log mass of each common node at the candidates; a lower bound of the largest."""
        c = self.common
        inside = (candidates[:, 0] > self.prior.low) & (candidates[:, 0] < self.prior.high)
        candidates = candidates[inside]
        out = np.full(c.size, -np.inf)
        if not len(candidates):
            return out
        unit, offset = candidates.T
        for i in range(c.size):
            p = self._parameters(i, np.log(unit), self._shift(unit, offset))
            size, _ = self.steps_of(i)
            log_cell = np.log(self.length / size) + self._log_shift_cell(i, np.log(unit))
            mass = self.likelihood.log_likelihood(p) + self.prior_of(p) + log_cell
            out[i] = float(mass.max()) + c.log_weight[i]
        # A node may lie beside the candidate: half a deviation in unit, offset and sigma.
        self.best = float(out.max()) - 4.0
        return out

    def _shift(self, unit: FloatArray, offset: FloatArray) -> FloatArray:
        if self.prior.free:
            return (offset - self.prior.origin) / unit % 1.0
        return offset if self.turning else np.zeros(unit.size)

    def prior_of(self, p: Parameters) -> FloatArray:
        """Log prior of unit, sigma and offset; the rest is in the weights of the common nodes."""
        value = self.prior.log_unit_density(p.unit)
        if not isinstance(self.prior.sigma, float):
            value = value + self.prior.log_sigma_density(p.sigma, p.unit)
        if priors.is_distribution(self.prior.offset):
            value = value + priors.log_density(self.prior.offset, p.offset)
        return value

    def _parameters(self, i: int, log_unit: FloatArray, shift: FloatArray) -> Parameters:
        c, unit = self.common, np.exp(log_unit)
        same = np.ones(unit.size)
        if self.prior.free:
            offset = self.prior.origin + unit * shift
        else:
            offset = shift if self.turning else self.prior.offset * same
        return Parameters(
            unit=unit,
            sigma=c.sigma[i] * same,
            offset=offset,
            growth=c.growth[i] * same,
            outliers=c.outliers[i] * same,
        )

    def _turns(self, i: int, log_unit: FloatArray) -> IntArray:
        """Final number of offset cells at each unit, a power of two."""
        sd = self.deviations(i)
        information = float(np.sqrt(np.sum(1 / np.square(sd[self.measured]))))
        if self.prior.free:
            wanted = np.exp(log_unit) * information / self.fine
        else:
            low, high = priors.reach(self.prior.offset)
            width = min(self.fine / information, float(self.prior.offset.std()) / 4)
            wanted = np.full(log_unit.size, (high - low) / width)
        power = np.ceil(np.log2(np.maximum(wanted, _FEWEST_TURNS)))
        return (2**power).astype(np.int64)

    def _log_shift_cell(self, i: int, log_unit: FloatArray) -> FloatArray:
        if not self.turning:
            return np.zeros(log_unit.size)
        extent = 1.0
        if not self.prior.free:
            low, high = priors.reach(self.prior.offset)
            extent = high - low
        return np.log(extent / self._turns(i, log_unit))

    def nodes_of(self, i: int) -> tuple[FloatArray, ...]:
        """Log unit, cell, shift, its cell, common node and log mass at common node `i`."""
        size, levels = self.steps_of(i)
        place = np.arange(size >> levels)
        turn, turns = np.zeros(place.size, np.int64), np.ones(place.size, np.int64)
        if self.turning:
            place, turn, turns = self._with_turns(i, place, size, levels)
        for level in range(levels, -1, -1):
            step = self.length / (size >> level)
            log_unit = self._middle(place, step)
            shift, shift_cell = self._place_shift(turn, turns)
            p = self._parameters(i, log_unit, shift)
            if level:
                slack = self._slack(p, step, shift_cell)
                possible = np.isfinite(self._most_prior(p, 0.5 * step, slack))
                ripe = np.flatnonzero(possible & self._is_ripe(i, p.unit, step))
                bound = self._bound(i, p.rows(ripe), step, slack[ripe], size)
                possible[ripe] = bound > self.best - self.negligible
                place, turn, turns = self._halve(place[possible], turn[possible], turns[possible])
                if place.size > _MOST_CELLS:
                    raise InputError(self._too_large())
                if not place.size:
                    break
        if not place.size:
            return tuple(np.empty(0) for _ in range(6))
        log_prior = self.prior_of(p)
        possible = np.isfinite(log_prior)
        mass = np.full(place.size, -np.inf)
        mass[possible] = self.likelihood.log_likelihood(p.rows(np.flatnonzero(possible)))
        mass = mass + log_prior + np.log(step) + self.common.log_weight[i]
        if self.turning:
            mass = mass + np.log(shift_cell)
        self.best = max(self.best, float(mass.max()))
        keep = mass > self.best - self.negligible
        same = np.ones(int(keep.sum()))
        return log_unit[keep], step * same, shift[keep], shift_cell[keep], i * same, mass[keep]

    def _middle(self, place: IntArray, step: float) -> FloatArray:
        return self.start + (place.astype(np.float64) + 0.5) * step

    def _is_ripe(self, i: int, unit: FloatArray, step: float) -> BoolArray:
        """Whether a cell is so small that its bound can tell anything."""
        sd = self.deviations(i)
        far = int(np.argmax(self.lever / sd))
        ripe: BoolArray = 0.5 * step * self.lever[far] <= np.maximum(sd[far], _COARSE * unit)
        return ripe

    def _with_turns(
        self, i: int, place: IntArray, size: int, levels: int
    ) -> tuple[IntArray, IntArray, IntArray]:
        log_unit = self._middle(place, self.length / (size >> levels))
        turns = np.maximum(self._turns(i, log_unit) >> levels, 1)
        first = np.cumsum(turns) - turns
        turn = np.arange(int(turns.sum())) - np.repeat(first, turns)
        return np.repeat(place, turns), turn, np.repeat(turns, turns)

    def _place_shift(self, turn: IntArray, turns: IntArray) -> tuple[FloatArray, FloatArray]:
        low, extent = 0.0, 1.0
        if self.turning and not self.prior.free:
            low, high = priors.reach(self.prior.offset)
            extent = high - low
        cell = extent / turns
        return low + (turn + 0.5) * cell, cell

    def _halve(
        self, place: IntArray, turn: IntArray, turns: IntArray
    ) -> tuple[IntArray, IntArray, IntArray]:
        place = np.repeat(2 * place, 2)
        place[1::2] += 1
        turn, turns = np.repeat(turn, 2), np.repeat(turns, 2)
        if self.turning:
            place, turns = np.repeat(place, 2), np.repeat(2 * turns, 2)
            turn = np.repeat(2 * turn, 2)
            turn[1::2] += 1
        return place, turn, turns

    def _slack(self, p: Parameters, step: float, shift_cell: FloatArray) -> FloatArray:
        """How far the offset can move within each cell."""
        swing = 0.5 * step
        if not self.turning:
            return np.zeros(p.unit.size)
        slack: FloatArray = 0.5 * shift_cell
        if self.prior.free:
            slack = p.unit * (np.expm1(swing) + slack * np.exp(swing))
        return slack

    def _bound(
        self, i: int, p: Parameters, step: float, slack: FloatArray, size: int
    ) -> FloatArray:
        """Upper bound of the log mass of any final node within each cell."""
        swing = 0.5 * step
        bound = self.likelihood.log_likelihood(p, slack=slack, swing=swing)
        log_cell = np.log(self.length / size) + self._log_shift_cell(i, np.log(p.unit))
        log_cell = log_cell + self.common.log_weight[i]
        most: FloatArray = bound + self._most_prior(p, swing, slack) + log_cell
        return most

    def _most_prior(self, p: Parameters, swing: float, slack: FloatArray) -> FloatArray:
        """Largest log prior at the middle and the ends of each cell; it is smooth on that scale."""
        around = []
        for side in (-1.0, 0.0, 1.0):
            unit = np.clip(p.unit * np.exp(side * swing), self.prior.low, self.prior.high)
            offset = p.offset + side * slack
            around.append(self.prior_of(dataclasses.replace(p, unit=unit, offset=offset)))
        most: FloatArray = np.maximum.reduce(around) + 0.5
        return most
