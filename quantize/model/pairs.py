"""Sums over one unit or two on a lattice of units at each sigma, which two units have in common.

Where it is not known which reading belongs to which unit, each is of the first with probability w,
else of the second. The sum runs over the pairs of the lattice: blocks of pairs are bounded by the
largest density of each reading over the nodes of either block, and dropped or halved. It is that
over all pairs, less what is negligible.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.sums import blocks
from quantize.comb.unit_range import UnitRange
from quantize.model import distributions, sigma_prior
from quantize.model.envelope import envelope_of
from quantize.model.lattice import lattice_step
from quantize.model.likelihood import Parameters
from quantize.model.model import MixtureModel
from quantize.model.wrapped_likelihood import WrappedLikelihood
from quantize.readings import Readings

NEGLIGIBLE = 15.0
FINE = 0.6
"""Lattice step, in posterior standard deviations, where pairs are summed."""
_FEWEST = 64
_MOST = 20_000_000
_TOP = 32
_ROUNDS = 3
_CHUNK = 200_000
_BLOCK = 2**18
_MOST_PAIRS = 5_000_000
TOO_SMALL = 60.0
"""A sigma is far too small where log evidence is this much below the best."""
_WIDEST_PANEL = 0.8
_UNITS_OF_PRIOR = 400


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class PairNodes:
    """Nodes that count: two log units, the share of the first, log mass, and the lattice step."""

    first: FloatArray
    second: FloatArray
    share: FloatArray
    log_mass: FloatArray
    step: float


class UnitLattice:
    """Log densities of every level at every unit of the lattice, relative to no steps at all.

    `tapered` says whether sigma is unknown, so that its prior falls off where it nears the unit;
    `fine` is the step in posterior standard deviations.
    """

    def __init__(
        self,
        likelihood: WrappedLikelihood,
        unit_range: UnitRange,
        sigma: float,
        *,
        tapered: bool,
        fine: float,
    ) -> None:
        mean = likelihood.mean
        length = float(np.log(unit_range.factor))
        wanted = length * float(np.linalg.norm(mean / likelihood.root)) / (sigma * fine)
        size = max(int(np.ceil(wanted)), _FEWEST)
        if size * mean.size > _MOST:
            raise InputError(
                f"`unit_range` ({unit_range.low:g}, {unit_range.high:g}) is too wide for two units "
                f"at sigma {sigma:.3g}; narrow it or raise the low end of `sigma_range`."
            )
        self.step = length / size
        place = np.arange(size, dtype=np.float64) + 0.5
        self.log_unit = float(np.log(unit_range.low)) + place * self.step
        unit = np.exp(self.log_unit)
        self.log_density = likelihood.log_on_comb(Parameters.plain(unit, np.full(size, sigma)))
        taper = sigma_prior.log_taper(sigma / unit) if tapered else np.zeros(size)
        self.log_prior = (
            taper - np.log(size) + distributions.log_edge_weights(np.arange(size), size)
        )

    def log_masses(self, members: IntArray) -> FloatArray:
        """Log mass of each unit for some of the levels."""
        return np.asarray(self.log_density[:, members].sum(axis=1) + self.log_prior)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Problem:
    """The likelihood, nodes of sigma (which descends) with log weights, and what the taper leaves.

    `log_w` are the weights of the prior and of the scatter within states; `log_kept` the logs of
    the mean taper over the units, by which both sides are normalised.
    """

    unit_range: UnitRange
    likelihood: WrappedLikelihood
    sigmas: FloatArray
    log_w: FloatArray
    log_kept: FloatArray

    @classmethod
    def of(cls, data: Readings, unit_range: UnitRange, low: float, high: float) -> Problem:
        likelihood = WrappedLikelihood(data, envelope_of(MixtureModel(), data))
        sigmas, log_w = np.array([low]), np.zeros(1)
        if low < high:
            panel = min(_WIDEST_PANEL, 6 / np.sqrt(2 * len(data)))
            panels = int(np.ceil(np.log(high / low) / panel))
            sigmas, log_w = distributions.nodes((low, high), panels)
            sigmas, log_w = sigmas[::-1], log_w[::-1]
        log_w = log_w + likelihood.log_within_states(sigmas)
        edges = np.linspace(np.log(unit_range.low), np.log(unit_range.high), _UNITS_OF_PRIOR + 1)
        unit = np.exp(0.5 * (edges[1:] + edges[:-1]))
        kept = np.zeros(sigmas.size)
        if sigmas.size > 1:
            tapers = [np.mean(np.exp(sigma_prior.log_taper(s / unit))) for s in sigmas]
            kept = np.log(np.maximum(tapers, 1e-300))
        return cls(
            unit_range=unit_range,
            likelihood=likelihood,
            sigmas=sigmas,
            log_w=log_w - np.logaddexp.reduce(log_w),
            log_kept=kept,
        )

    def lattice(self, i: int, fine: float) -> UnitLattice:
        """The units at sigma node `i`."""
        tapered = self.sigmas.size > 1
        return UnitLattice(
            self.likelihood, self.unit_range, float(self.sigmas[i]), tapered=tapered, fine=fine
        )

    def evidence(self, totals: FloatArray, units: int) -> float:
        """Log evidence of so many units over no steps, from that at each of the first sigmas."""
        prior = np.logaddexp.reduce(self.log_w + units * self.log_kept)
        return float(np.logaddexp.reduce(self.log_w[: totals.size] + totals) - prior)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class OneUnit:
    """Nodes of one unit for some of the levels: log unit, its cell, sigma node, log mass.

    `totals` are the logs of the sums at each sigma node.
    """

    log_unit: FloatArray
    cell: FloatArray
    index: IntArray
    log_mass: FloatArray
    totals: FloatArray


def one_unit(problem: Problem, groups: list[IntArray]) -> list[OneUnit]:
    """One unit for each group of levels, at every sigma until it is far too small."""
    parts: list[list[tuple[FloatArray, ...]]] = [[] for _ in groups]
    totals: list[list[float]] = [[] for _ in groups]
    for i in range(problem.sigmas.size):
        lattice = problem.lattice(i, lattice_step(min(group.size for group in groups)))
        for group, part, total in zip(groups, parts, totals, strict=True):
            mass = lattice.log_masses(group)
            total.append(float(np.logaddexp.reduce(mass)))
            near = mass > mass.max() - NEGLIGIBLE - 7
            step, index = np.full(int(near.sum()), lattice.step), np.full(int(near.sum()), i)
            part.append((lattice.log_unit[near], step, index, mass[near]))
        fallen = [max(total[-3:]) < max(total) - TOO_SMALL for total in totals]
        if i > 10 and all(fallen):
            break
    return [
        OneUnit(
            log_unit=np.concatenate([p[0] for p in part]),
            cell=np.concatenate([p[1] for p in part]),
            index=np.concatenate([p[2] for p in part]).astype(np.int64),
            log_mass=np.concatenate([p[3] for p in part]),
            totals=np.array(total),
        )
        for part, total in zip(parts, totals, strict=True)
    ]


class PairLattice:
    """The pairs of a lattice with the shares of the first unit."""

    def __init__(self, lattice: UnitLattice, shares: FloatArray, log_shares: FloatArray) -> None:
        self.lattice, self.shares, self.log_shares = lattice, shares, log_shares
        self.log_prior = lattice.log_prior
        self.density = np.exp(np.maximum(lattice.log_density, -690.0))

    def climb(self) -> float:
        """Log mass of a good pair: the best partner of the best unit, and so on."""
        one = int(np.argmax(np.log(self.density).sum(axis=1) + self.log_prior))
        best = -np.inf
        for _ in range(_ROUNDS):
            every = np.arange(self.log_prior.size)
            mass = self._log_masses(np.full(every.size, one), every)
            one = int(np.argmax(mass.max(axis=1)))
            best = max(best, float(mass.max()))
        return best

    def sum_up(self, best: float) -> PairNodes:
        """The pairs within reach of `best`."""
        one, two = self._pairs_within(best)
        found = []
        for part in blocks(one.size, _CHUNK):
            i, j = one[part], two[part]
            mass = self._log_masses(i, j)
            row, w = np.nonzero(mass > best - NEGLIGIBLE)
            found.append((i[row], j[row], w, mass[row, w]))
            refuse_too_many(sum(f[0].size for f in found))
        a, b, w, log_mass = (
            np.concatenate([f[k] for f in found]) if found else np.empty(0, int) for k in range(4)
        )
        return PairNodes(
            first=self.lattice.log_unit[a],
            second=self.lattice.log_unit[b],
            share=self.shares[w],
            log_mass=log_mass.astype(np.float64),
            step=self.lattice.step,
        )

    def _pairs_within(self, best: float) -> tuple[IntArray, IntArray]:
        """Pairs whose bound comes within reach of `best`."""
        pyramid = [(self.density, self.log_prior)]
        while pyramid[-1][1].size > _TOP:
            density, prior = pyramid[-1]
            starts = np.arange(0, prior.size, 2)
            pyramid.append(
                (np.maximum.reduceat(density, starts), np.maximum.reduceat(prior, starts))
            )
        one, two = np.triu_indices(pyramid[-1][1].size)
        for level in range(len(pyramid) - 1, 0, -1):
            density, prior = pyramid[level]
            bound = np.empty(one.size)
            for part in blocks(one.size, _BLOCK // density.shape[1]):
                largest = np.maximum(density[one[part]], density[two[part]])
                bound[part] = np.log(largest).sum(axis=1) + prior[one[part]] + prior[two[part]]
            keep = bound + np.log(2) > best - NEGLIGIBLE
            refuse_too_many(int(keep.sum()))
            one, two = _children(one[keep], two[keep], pyramid[level - 1][1].size)
        return one, two

    def _log_masses(self, i: IntArray, j: IntArray) -> FloatArray:
        """Log mass of pairs at each share; a pair stands for both of its orders."""
        out = np.empty((i.size, self.shares.size))
        for part in blocks(i.size, _BLOCK // self.density.shape[1]):
            c1, c2 = self.density[i[part]], self.density[j[part]]
            for k, w in enumerate(self.shares):
                out[part, k] = np.log(w * c1 + (1 - w) * c2).sum(axis=1)
        out += (self.log_prior[i] + self.log_prior[j] + np.where(i == j, 0, np.log(2)))[:, None]
        return out + self.log_shares


def refuse_too_many(pairs: int) -> None:
    """InputError where pairs of units, sigmas and shares are more than `_MOST_PAIRS`."""
    if pairs > _MOST_PAIRS:
        raise InputError(
            f"`readings` leave more than {_MOST_PAIRS:.3g} pairs of units possible, which do not "
            "fit in memory; narrow `unit_range`, add readings, or say with `labels` which is which."
        )


def _children(one: IntArray, two: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """The pairs of halves of pairs of blocks, each pair once; there are `size` halves."""
    a = np.concatenate([2 * one, 2 * one, 2 * one + 1, 2 * one + 1])
    b = np.concatenate([2 * two, 2 * two + 1, 2 * two, 2 * two + 1])
    keep = (a <= b) & (b < size)
    return a[keep], b[keep]
