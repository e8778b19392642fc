"""One lattice of units at one sigma, for one comb or two whose readings may not say whose they are.

A reading belongs to the comb of the first unit with probability w, else to that of the second. The
sum runs over the pairs of the lattice: blocks of pairs are bounded by the largest density of each
reading over the nodes of either block, and dropped or halved. It is that over all pairs, less what
is negligible.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.band import Band
from quantize.comb.window import log_unit_excess
from quantize.comb.wrapped import log_wrapped_normal
from quantize.levels import Levels
from quantize.model import sigma_prior
from quantize.model.edges import log_edge_weights

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
        self, levels: Levels, band: Band, sigma: float, *, tapered: bool, fine: float
    ) -> None:
        mean, factor = levels.mean, levels.factor
        length = float(np.log(band.factor))
        wanted = length * float(np.sqrt(np.sum(mean**2 / factor))) / (sigma * fine)
        size = max(int(np.ceil(wanted)), _FEWEST)
        if size * mean.size > _MOST:
            raise InputError(
                f"`unit_range` ({band.low:g}, {band.high:g}) is too wide for two units at "
                f"sigma {sigma:.3g}; narrow it or raise the low end of `sigma_range`."
            )
        self.step = length / size
        place = np.arange(size, dtype=np.float64) + 0.5
        self.log_unit = float(np.log(band.low)) + place * self.step
        unit = np.exp(self.log_unit)
        self.log_density = level_densities(levels, unit, np.full(size, sigma))
        taper = sigma_prior.log_taper(sigma / unit) if tapered else np.zeros(size)
        self.log_prior = taper - np.log(size) + log_edge_weights(np.arange(size), size)

    def log_masses(self, members: IntArray) -> FloatArray:
        """Log mass of each unit for some of the levels."""
        masses: FloatArray = self.log_density[:, members].sum(axis=1) + self.log_prior
        return masses


def level_densities(levels: Levels, unit: FloatArray, sigma: FloatArray) -> FloatArray:
    """Log density of each level on the comb over that of a flat continuum, shape (m, J)."""
    root = np.sqrt(levels.factor)
    density = log_wrapped_normal(levels.mean / unit[:, None], (sigma / unit)[:, None] * root)
    typical = sigma * float(np.sqrt(np.mean(levels.factor))) / unit
    excess = log_unit_excess(unit, typical, float(np.ptp(levels.mean)), int(levels.mean.size))
    relative: FloatArray = density - excess[:, None]
    return relative


class PairLattice:
    """The pairs of a lattice with the shares of the first unit."""

    def __init__(self, lattice: UnitLattice, shares: FloatArray, log_shares: FloatArray) -> None:
        self.lattice, self.shares, self.log_shares = lattice, shares, log_shares
        self.log_prior = lattice.log_prior
        self.density = np.exp(np.maximum(lattice.log_density, -690.0))

    def climb(self) -> float:
        """Log mass of a good pair: the best partner of the best unit, and so on in turn."""
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
        for first in range(0, one.size, _CHUNK):
            i, j = one[first : first + _CHUNK], two[first : first + _CHUNK]
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
            for part in _blocks(one.size, density.shape[1]):
                largest = np.maximum(density[one[part]], density[two[part]])
                bound[part] = np.log(largest).sum(axis=1) + prior[one[part]] + prior[two[part]]
            keep = bound + np.log(2) > best - NEGLIGIBLE
            refuse_too_many(int(keep.sum()))
            one, two = _children(one[keep], two[keep], pyramid[level - 1][1].size)
        return one, two

    def _log_masses(self, i: IntArray, j: IntArray) -> FloatArray:
        """Log mass of pairs at each share; a pair stands for both of its orders."""
        out = np.empty((i.size, self.shares.size))
        for part in _blocks(i.size, self.density.shape[1]):
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


def _blocks(size: int, width: int) -> list[slice]:
    step = max(1, _BLOCK // max(width, 1))
    return [slice(i, i + step) for i in range(0, size, step)]
