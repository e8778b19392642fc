"""Sums over one unit at each sigma: what two independent units have in common is sigma."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.band import Band
from quantize.levels import Levels
from quantize.model import distributions, sigma_prior
from quantize.model.lattice import lattice_step
from quantize.model.pairs import NEGLIGIBLE, UnitLattice
from quantize.readings import Readings

TOO_SMALL = 60.0
"""A sigma is far too small where log evidence is this much below the best."""
_WIDEST_PANEL = 0.8
_UNITS_OF_PRIOR = 400


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Problem:
    """The levels, the nodes of sigma (which descends) with log weights, and what the taper leaves.

    `log_w` are the weights of the prior and of the scatter within states; `log_kept` the logs of
    the mean taper over the units, by which both sides are normalised.
    """

    data: Readings
    band: Band
    levels: Levels
    sigmas: FloatArray
    log_w: FloatArray
    log_kept: FloatArray

    @classmethod
    def of(cls, data: Readings, band: Band, low: float, high: float) -> Problem:
        levels = data.levels()
        sigmas, log_w = np.array([low]), np.zeros(1)
        if low < high:
            panel = min(_WIDEST_PANEL, 6 / np.sqrt(2 * len(data)))
            panels = int(np.ceil(np.log(high / low) / panel))
            sigmas, log_w = distributions.nodes(distributions.loguniform(low, high), panels)
            sigmas, log_w = sigmas[::-1], log_w[::-1]
        log_w = log_w - levels.degrees * np.log(sigmas) - 0.5 * levels.scatter / sigmas**2
        edges = np.linspace(np.log(band.low), np.log(band.high), _UNITS_OF_PRIOR + 1)
        unit = np.exp(0.5 * (edges[1:] + edges[:-1]))
        kept = np.zeros(sigmas.size)
        if sigmas.size > 1:
            tapers = [np.mean(np.exp(sigma_prior.log_taper(s / unit))) for s in sigmas]
            kept = np.log(np.maximum(tapers, 1e-300))
        return cls(
            data=data,
            band=band,
            levels=levels,
            sigmas=sigmas,
            log_w=log_w - np.logaddexp.reduce(log_w),
            log_kept=kept,
        )

    def lattice(self, i: int, fine: float) -> UnitLattice:
        """The units at sigma node `i`."""
        tapered = self.sigmas.size > 1
        return UnitLattice(
            self.levels, self.band, float(self.sigmas[i]), tapered=tapered, fine=fine
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
