"""Integration over unit, offset and noise by boxes that are halved where they can count.

Sigma, growth and the share of outliers have quadrature nodes of their own; unit and offset lie on
an even lattice for each of them. At first one box holds all nodes of sigma and growth and a broad
cell of units and offsets. Anywhere in a box no tooth moves by more than a known distance, so that
the likelihood with every reading taken that much nearer its tooth, and every deviation as large as
it gets, bounds it from above. Boxes whose bound is negligible are dropped, the others are halved,
until each holds one node of a lattice that suits the posterior; there the likelihood is summed.
"""

from __future__ import annotations

import copy
import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.sums import blocks
from quantize.comb.unit_range import nearer_offset
from quantize.levels import far_values
from quantize.model import distributions, sigma_prior
from quantize.model.bias import UnitBias
from quantize.model.lattice import Boxes, Lattice, Shifts, joined, whole
from quantize.model.likelihood import Cell, Likelihood, Parameters
from quantize.model.nodes import Nodes, NoiseNodes, log_continuum_evidence
from quantize.model.priors import CUT, ParameterPriors, TaperedSigma

NEGLIGIBLE = 15.0
"""A node is dropped when its log mass is this far below the largest one: ln B errs by .0001."""
NEGLIGIBLE_OF_MANY = 13.0
"""... where there are so many nodes that the few that count have a large share each."""
_MOST_BOXES = 4_000_000
_MOST_WORK = 7e8
"""Terms of the likelihood in the boxes of a search: about a minute."""
_TERMS = "{:.0e} terms of the likelihood"
_LOOK_AHEAD, _LOOK_FROM, _SAMPLES, _SAMPLED = 0.005, 1000, 4, 12
"""After this share of the work and from so many boxes on it is foretold, by samples of some."""
_MOST_PAIRS = 50_000_000
"""Nodes of sigma and growth times levels that are begun with."""
MOST_WITH_SHIFT = 250_000
"""With a shift, which can be summed over instead."""
_COARSE = 0.1
_BROAD_NOISE = 4.0
"""A box whose deviations have a larger log ratio is halved without being looked at."""
_BLOCK, _NO_CHANCE, _BEST = 20_000, 745.0, 20
_LIGHT = 8.0
"""Boxes whose bound is this far below the largest node are halved less often where growth is open:
what they hold is a thousandth of the evidence, and errs by a part of that."""
_FIRST_NODES, _NEAR = 12, 40
"""Of sigma, and of growth, among which the best is looked for first, and of both beside that."""
_FIRST_LEVEL = 10
"""Cells are halved as often before any is looked at, where every node needs it."""


class TooManyBoxes(InputError):
    """The search would not fit in memory."""


def integrate(
    likelihood: Likelihood,
    prior: ParameterPriors,
    noise: NoiseNodes,
    candidates: FloatArray,
    *,
    most: int | None = None,
    one_of_many: bool = False,
    shifts: FloatArray | None = None,
    log_weight: FloatArray | None = None,
    floor: float = -np.inf,
) -> list[Nodes]:
    """Evidence and posterior nodes; `candidates` (c, 2) are units and offsets worth trying first.

    A posterior that is `one_of_many`, to be averaged, has a broad lattice. With some `shifts` in
    the place of the offset they are of each of these, and nodes are left out that are negligible
    beside the best of all, the `log_weight` of the shifts included, or beside the `floor`.

    `InputError` if the boxes grow beyond memory, or no unit is possible at all.
    """
    pairs = noise.tree.leaves.size
    if pairs * likelihood.states > _MOST_PAIRS:
        raise InputError(
            f"`model` leaves sigma and growth open together for {likelihood.x.size:,} readings; "
            f"that is {pairs:,} pairs of them for each reading, and {_MOST_PAIRS:,} in all are the "
            "limit: give `sigma` or the growth, average repeats, or use sample_mixture."
        )
    given = None if shifts is None or log_weight is None else Shifts(shifts, log_weight)
    search = _Search(Lattice(likelihood, prior, noise, broad=one_of_many, shifts=given), floor)
    search.begin_at(candidates)
    boxes = whole(search.lattice.root, min(int(search.lattice.levels.min()), _FIRST_LEVEL))
    nodes, place = search.sum_up(search.final_among(boxes, most or _MOST_BOXES))
    continua = log_continuum_evidence(likelihood, prior, noise, shifts)
    # Below the smallest number of double precision for every state, with or without steps.
    least = -_NO_CHANCE * likelihood.states
    best = float(nodes["log_mass"].max(initial=-np.inf))
    no_chance = not np.isfinite(best) or max(best, float(continua.max())) < least
    if no_chance and floor == -np.inf:
        raise InputError(
            "`model` makes these readings impossible at every unit of the range; widen its priors "
            "(sigma, window, integers) or `unit_range`."
        )
    # Nodes of one shift, sigma, growth and share together, units ascending.
    order = np.lexsort((nodes["shift"], nodes["log_unit"], nodes["index"], place))
    ends = np.searchsorted(place[order], np.arange(1, continua.size))
    out = []
    for rows, continuum in zip(np.split(order, ends), continua.tolist(), strict=True):
        own = {name: part[rows] for name, part in nodes.items()}
        own["log_mass"] = own["log_mass"] - continuum
        out.append(Nodes(**own, noise=noise, log_continuum=continuum))
    return out


class _Search:
    """The boxes still to be looked at, and the largest log mass met so far."""

    def __init__(self, lattice: Lattice, floor: float) -> None:
        self.lattice = lattice
        self.likelihood, self.prior = lattice.likelihood, lattice.prior
        self.noise = lattice.noise
        self.best, self.work, self.all_at_once = floor, 0.0, floor > -np.inf
        self.most_work = _MOST_WORK * self.lattice.places
        self.looks_ahead_at = _LOOK_AHEAD * self.most_work
        self.open_growth = distributions.is_distribution(self.prior.growth)
        many = lattice.broad or self.open_growth or self.noise.shares.size > 1
        self.negligible = NEGLIGIBLE_OF_MANY if many else NEGLIGIBLE

    def begin_at(self, candidates: FloatArray) -> None:
        """A lower bound of the largest mass, from the best of some units and offsets.

        It is looked for at a part of the nodes of sigma and growth, then at those about the best.
        """
        inside = (candidates[:, 0] > self.prior.low) & (candidates[:, 0] < self.prior.high)
        unit, offset = candidates[inside].T
        if not unit.size:
            return
        place = np.tile(np.arange(self.lattice.places), unit.size)
        unit, offset = (np.repeat(each, self.lattice.places) for each in (unit, offset))
        tree = self.lattice.tree
        number = _FIRST_NODES ** (2 if self.open_growth else 1)
        some = tree.leaves[:: -(-tree.leaves.size // number)]
        best = self._best_beside(self._nodes_at(unit, offset, place, some), _BEST)
        p = self.lattice.parameters(best, *self.lattice.centres(best))
        far = np.abs(np.log(tree.sigma[0, tree.leaves] / p.sigma[0]))
        if self.open_growth:
            far = far + np.abs(np.log(tree.growth[0, tree.leaves] / p.growth[0]))
        near = tree.leaves[np.argsort(far, kind="stable")[:_NEAR]]
        self._best_beside(self._nodes_at(p.unit, p.offset, best.part, near), 1)

    def _nodes_at(
        self, unit: FloatArray, offset: FloatArray, place: IntArray, noise: IntArray
    ) -> Boxes:
        """The boxes of single nodes that hold these units, and offsets or given shifts."""
        noise, which = np.repeat(noise, unit.size), np.tile(np.arange(unit.size), noise.size)
        unit, offset = unit[which], offset[which]
        level, fold = self.lattice.levels[noise], self.lattice.folds(noise, unit)
        low, high = self.lattice.extent
        shift = (offset - self.prior.origin) / unit % 1.0 if self.prior.free else offset
        part = place[which]
        if self.lattice.moving:
            part = np.clip((shift - low) / (high - low) * 2.0**fold, 0, 2**fold - 1)
        along = (np.log(unit) - self.lattice.start) / self.lattice.length
        cell = (along * self.lattice.root * 2.0**level).astype(np.int64)
        return Boxes(np.stack([cell, level, part.astype(np.int64), fold, noise]))

    def _best_beside(self, boxes: Boxes, most: int) -> Boxes:
        """The best of the nodes and of those beside the `most` best, whose mass is kept."""
        mass = self.lattice.log_masses(boxes, *self.lattice.centres(boxes)).max(axis=1)
        best = boxes.rows(np.argsort(-mass)[:most])
        around = np.arange(-3, 4)
        last = self.lattice.root * 2**best.level - 1
        nearby = []
        for i in around:
            for j in around if self.lattice.moving else (0,):
                columns = best.columns.copy()
                columns[0] = np.clip(best.place + i, 0, last)
                if self.lattice.moving:
                    columns[2] = (best.part + j) % 2**best.fold
                nearby.append(Boxes(columns))
        boxes = joined(nearby)
        mass = self.lattice.log_masses(boxes, *self.lattice.centres(boxes)).max(axis=1)
        self.best = max(self.best, float(mass.max()))
        return boxes.rows(np.array([np.argmax(mass)]))

    def final_among(self, todo: Boxes, most: int) -> Boxes:
        """The nodes of the lattices in some boxes that may count."""
        done: list[Boxes] = [todo.rows(slice(0, 0))]
        while todo.size:
            if todo.size > _LOOK_FROM and self.work + self._about(todo) > self.looks_ahead_at:
                self._look_ahead(todo, most)
                self.looks_ahead_at = 4 * (self.work + self._about(todo))
            final, todo = self._sorted_out(todo)
            done.append(final)
            if todo.size > most:
                raise TooManyBoxes(self._too_large(f"{_MOST_BOXES:.0e} cells"))
        return joined(done)

    def _about(self, todo: Boxes) -> float:
        """Roughly how much work it is to look at each of the boxes."""
        some = todo.rows(slice(None, None, todo.size // _LOOK_FROM * 10))
        p = self.lattice.parameters(some, *self.lattice.centres(some))
        return todo.size * float(np.mean(self.likelihood.work(p, self._cell(some, p))))

    def _look_ahead(self, todo: Boxes, most: int) -> None:
        """Refuse a search that will be too long, by twice, by each of some samples of its boxes.

        One sample that says it will end is enough: boxes that hold a peak are few, and cost most.
        """
        one_in = todo.size // _SAMPLED
        for start in np.arange(_SAMPLES) * one_in // _SAMPLES:
            trial = copy.copy(self)
            trial.work, trial.most_work = 0.0, 2 * (self.most_work - self.work) / max(one_in, 1)
            trial.looks_ahead_at = np.inf
            try:
                trial.final_among(todo.rows(slice(int(start), None, max(one_in, 1))), most)
            except TooManyBoxes:
                continue
            return
        raise TooManyBoxes(self._too_large(_TERMS.format(_MOST_WORK)))

    def _sorted_out(self, todo: Boxes) -> tuple[Boxes, Boxes]:
        """The boxes that are nodes, and the halves of the others that may hold nodes that count."""
        lattice = self.lattice
        p = lattice.parameters(todo, *lattice.centres(todo))
        if isinstance(self.prior.sigma, TaperedSigma):
            # Larger sigmas are impossible for every unit of the box.
            largest = CUT * p.unit * np.exp(0.5 * lattice.step(todo))
            some = lattice.tree.sigma[0, todo.noise] <= largest
            todo, p = todo.rows(some), p.rows(np.flatnonzero(some))
            p = dataclasses.replace(p, sigma=np.minimum(p.sigma, largest[some]))
        cell = self._cell(todo, p)
        blame, broad = self._blame(todo, p, cell)
        if self.all_at_once:
            # Far out in the law of a shift nothing counts beside the floor, as broad boxes show.
            broad[:], self.all_at_once = False, False
        most_prior = self._most_prior(todo, p, cell)
        keep = np.isfinite(most_prior + lattice.log_shift_weight(todo))
        # A node itself costs less than its bound.
        final = keep & np.all(blame < 0, axis=0)
        ripe = np.flatnonzero(keep & ~final & ~broad)
        parts = (todo.rows(ripe), p.rows(ripe), cell.rows(ripe), most_prior[ripe])
        apart = self.likelihood.bound_within_states(*parts[1:3], self.noise.shares.place)
        if apart is not None:
            # Of cells in which readings of one state lie far from each other no tooth is asked.
            keep[ripe] = self._bound(apart[:, None], *parts) > self.best - self.negligible
            ripe = ripe[keep[ripe]]
            parts = (todo.rows(ripe), p.rows(ripe), cell.rows(ripe), most_prior[ripe])
        self._allow(*parts[1:3])
        bound = self._bound(self.likelihood.bound(*parts[1:3], self.noise.shares.place), *parts)
        keep[ripe] = bound > self.best - self.negligible
        if self.open_growth:
            light = ripe[keep[ripe] & (bound < self.best - _LIGHT)]
            final[light] = lattice.coarse(todo.rows(light), p.unit[light])
        rest = np.flatnonzero(keep & ~final)
        halves = todo.rows(rest).halved(np.argmax(blame[:, rest], axis=0), lattice.tree)
        # Most halves of what was kept would be kept: they are halved before they are looked at.
        p = lattice.parameters(halves, *lattice.centres(halves))
        blame, _ = self._blame(halves, p, self._cell(halves, p))
        more = np.any(blame >= 0, axis=0)
        if self.open_growth:
            more &= ~lattice.coarse(halves, p.unit)
        quarters = halves.rows(more).halved(np.argmax(blame[:, more], axis=0), lattice.tree)
        return todo.rows(final), joined([halves.rows(~more), quarters])

    def _blame(self, todo: Boxes, p: Parameters, cell: Cell) -> tuple[FloatArray, BoolArray]:
        """What each direction adds to how loose the bound of a box is, and where that is too much.

        Negative where there is nothing to halve.
        """
        lattice = self.lattice
        need_unit = todo.level < lattice.levels[todo.noise]
        need_offset = np.zeros(todo.size, dtype=bool)
        if lattice.folding:
            need_offset = todo.fold < lattice.folds(todo.noise, p.unit)
        least = lattice.deviation(cell.sigma_low, cell.growth_low)
        deviation = lattice.deviation(p.sigma, p.growth)
        moves_unit = lattice.farthest * np.expm1(cell.log_unit)
        moves_offset = lattice.half_shift(todo, p.unit)
        coarse = np.maximum(deviation, _COARSE * p.unit)
        broad_unit = need_unit & (moves_unit > coarse)
        wide, any_offset = self.likelihood.in_waves(p, cell)
        broad_unit |= need_unit & wide & ~any_offset & lattice.folding
        broad_offset = need_offset & (moves_offset > coarse) & ~any_offset
        ratio = np.log(deviation / least)
        blame = np.stack(
            [
                np.where(need_unit, moves_unit / deviation, -1.0),
                np.where(need_offset, np.where(any_offset, 0.0, moves_offset / deviation), -1.0),
                np.where(lattice.tree.half[0, todo.noise] >= 0, ratio, -1.0),
            ]
        )
        blame[0, broad_unit] = np.inf
        blame[1, broad_offset & ~broad_unit] = np.inf
        return blame, broad_unit | broad_offset | (ratio > _BROAD_NOISE)

    def sum_up(self, boxes: Boxes) -> tuple[dict[str, Any], IntArray]:
        """What `Nodes` are made of, of those that count, and the place of the shift of each."""
        found: list[dict[str, Any]] = []
        shares, bias = self.noise.shares.size, UnitBias(self.likelihood, self.prior)
        for rows in blocks(max(boxes.size, 1), _BLOCK):
            part = boxes.rows(rows)
            log_unit, shift = self.lattice.centres(part)
            mass = self.lattice.log_masses(part, log_unit, shift)
            self.best = max(self.best, float(mass.max(initial=-np.inf)))
            row, w = np.nonzero(mass > self.best - self.negligible)
            some, p = part.rows(row), self.lattice.parameters(part, log_unit, shift, middle=True)
            found.append(
                {
                    "log_unit": log_unit[row],
                    "cell": self.lattice.step(some),
                    "shift": shift[row],
                    "shift_cell": self.lattice.shift_cell(some),
                    "index": self.lattice.tree.pair[some.noise] * shares + w,
                    "bias": bias(p.rows(row)),
                    "log_mass": mass[row, w],
                    "weight": self.lattice.log_shift_weight(some),
                    "place": np.zeros_like(row) if self.lattice.moving else some.part,
                }
            )
        nodes = {name: np.concatenate([each[name] for each in found]) for name in found[0]}
        near = nodes["log_mass"] > nodes["log_mass"].max(initial=-np.inf) - self.negligible
        nodes = {name: part[near] for name, part in nodes.items()}
        nodes["log_mass"] = nodes["log_mass"] - nodes.pop("weight")
        return nodes, nodes.pop("place")

    def _allow(self, p: Parameters, cell: Cell) -> None:
        """Refuse a search that would take longer than about a minute."""
        likelihood, shares, last = self.likelihood, self.noise.shares, self.likelihood.last_number
        # Readings of one state, and last numbers, go through every share of outliers by themselves.
        each = shares.size if likelihood.states < likelihood.x.size or last is not None else 1
        terms = likelihood.work(p, cell)
        if last is not None and np.any(shares.place > 0):
            terms = terms + likelihood.states * (last.most - last.first)
        self.work += each * float(terms.sum())
        if self.work > self.most_work:
            raise TooManyBoxes(self._too_large(_TERMS.format(_MOST_WORK)))

    def _too_large(self, limit: str) -> str:
        x, offset = self.likelihood.x, self.prior.offset
        known = isinstance(offset, float)
        remedy = nearer_offset(float(np.abs(x - offset).max()), float(np.ptp(x))) if known else ""
        if not known and not self.prior.free:
            remedy = ", narrow the prior of the offset, or take offset='free'"
        far = "".join(
            f"; {value:g} lies far from all others, so look whether a digit is wrong there"
            for value in x[far_values(x)]
        )
        return (
            f"`unit_range` ({self.prior.low:g}, {self.prior.high:g}) needs more than "
            f"{limit} for these {x.size:,} readings under this model; narrow it, raise the low "
            f"end of sigma, {'' if remedy else 'or '}use sample_mixture{remedy}{far}."
        )

    def _cell(self, b: Boxes, p: Parameters) -> Cell:
        half = 0.5 * self.lattice.step(b)
        offset = self.lattice.half_shift(b, p.unit)
        if self.prior.free:
            offset = p.unit * np.expm1(half) + offset * np.exp(half)
        return Cell(
            log_unit=half,
            offset=offset,
            sigma_low=self.lattice.tree.sigma[0, b.noise],
            growth_low=self.lattice.tree.growth[0, b.noise],
        )

    def _bound(
        self, bound: FloatArray, b: Boxes, p: Parameters, cell: Cell, most_prior: FloatArray
    ) -> FloatArray:
        """Upper bound of the log mass of any node in each box, from that of its likelihoods."""
        most = np.max(bound + self.noise.shares.log_weight, axis=1)
        most += most_prior + self.lattice.most_log_weight[b.noise]
        most += self.lattice.log_shift_weight(b)
        most += np.log(self.lattice.length / self.lattice.root)
        most -= np.log(2) * self.lattice.levels[b.noise]
        if self.lattice.moving:
            low, high = self.lattice.extent
            small = p.unit * np.exp(-cell.log_unit)
            folds = self.lattice.folds(b.noise, small)
            most += np.log((high - low) / 2.0**folds)
        return np.asarray(most)

    def _most_prior(self, b: Boxes, p: Parameters, cell: Cell) -> FloatArray:
        """Largest log prior within each box; densities are smooth on the scale of a cell."""
        low = np.clip(p.unit * np.exp(-cell.log_unit), self.prior.low, self.prior.high)
        high = np.clip(p.unit * np.exp(cell.log_unit), self.prior.low, self.prior.high)
        units = (low, p.unit, high)
        most = np.maximum.reduce([self.prior.log_unit_density(u) for u in units])
        if self.prior.unit is not None:
            most = most + 0.5
        if isinstance(self.prior.sigma, TaperedSigma):
            ends = self.prior.sigma
            most = most + sigma_prior.log_taper(cell.sigma_low / high)
            most = most - sigma_prior.log_normaliser(low, ends.low, ends.high)
            most[cell.sigma_low > CUT * high] = -np.inf
        if distributions.is_distribution(self.prior.offset):
            around = [p.offset + side * cell.offset for side in (-1, 0, 1)]
            most = most + 0.5 + np.maximum.reduce([self.prior.offset.logpdf(b) for b in around])
        return np.asarray(most)
