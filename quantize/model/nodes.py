"""Quadrature nodes: those of sigma, growth and outliers, and those of the posterior."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.model import distributions
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.priors import ParameterPriors, TaperedSigma

_STEP, _FEWEST, _BLOCKS = 1.2, 24, 8
"""Steps of the logs of sigma and growth in deviations, the fewest, and how many end uneven."""
_SURE, _SMOOTH, _TAPERED = 0.4, 0.3, 0.35
"""Cells are this long in deviations, and never longer than that: ln B errs by less than .001."""
_COARSER = 6.0
"""So much longer they may be where little depends on them (`quantize.model.quadrature`)."""
_RATIOS = 256
_FEW = 50
_PANEL_NODES = 8
_WIDENING = 3.0
_DEGREE, _APART = 7, 0.3


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Axis:
    """Nodes of one parameter, ascending, and the logs of their weights.

    Where they are even in the logarithm so many, a power of two, stand together in a `block`.
    """

    place: FloatArray
    log_weight: FloatArray
    block: int = 1

    @property
    def size(self) -> int:
        """Number of nodes."""
        return int(self.place.size)

    def middle(self, first: IntArray, last: IntArray) -> FloatArray:
        """The middle of some nodes, from `first` up to but not including `last`."""
        ends = self.place[first], self.place[last - 1]
        return np.where(last - first > 1, np.sqrt(ends[0] * ends[1]), ends[0])

    def log_total(self, first: IntArray, last: IntArray) -> FloatArray:
        """The log weight of some nodes together."""
        padded = np.append(self.log_weight, 0.0)
        total: FloatArray = np.logaddexp.reduceat(padded, np.stack([first, last], axis=1).ravel())
        return total[::2]


class NoiseTree:
    """Cells of sigma and growth, each halved in two until one node stands for what it holds.

    `sigma` and `growth` (2, T) are the smallest and the largest in each cell, `middle` (2, T) both
    in its middle, `half` (2, T) the numbers of its halves, and `leaves` (P,) the cells that are not
    halved, sigma ascending; `pair` is the place there of each, and of one that others hold. `wide`
    gives the lengths of cells, (4, m) ends of sigma and growth, in the longest that one node can
    stand for; without it every node stands for itself. Where little depends on it one can stand for
    those that are `coarse`.
    """

    def __init__(
        self, sigmas: Axis, growths: Axis, wide: Callable[[IntArray], FloatArray] | None = None
    ) -> None:
        rows = np.array([[0], [sigmas.size], [0], [growths.size]])
        cells, halves, coarse, count = [rows], [], [], 1
        while rows.size:
            length = rows[1::2] - rows[::2]
            wanted = np.where(length > 1, length if wide is None else wide(rows), 0.0)
            coarse.append(wanted.max(axis=0) <= (1 if wide is None else _COARSER))
            more = np.flatnonzero(wanted.max(axis=0) > 1)
            half = np.full(length.shape, -1)
            half[:, more] = count + 2 * np.arange(more.size) + np.array([[0], [1]])
            count += 2 * more.size
            halves.append(half)
            way = np.repeat(np.argmax(wanted[:, more], axis=0), 2)
            rows, column = np.repeat(rows[:, more], 2, axis=1), np.arange(way.size)
            first, last = rows[2 * way, column], rows[2 * way + 1, column]
            block = np.array([sigmas.block, growths.block])[way]
            size = np.where(last - first > block, block, 1)
            rows[2 * way + 1 - column % 2, column] = first + (last - first) // size // 2 * size
            cells.append(rows)
        s0, s1, g0, g1 = np.concatenate(cells, axis=1)
        self.coarse = np.concatenate(coarse)
        self.half = np.concatenate(halves, axis=1)
        whole = np.flatnonzero(self.half[0] < 0)
        self.leaves = whole[np.lexsort((g0[whole], s0[whole]))]
        self.middle = np.stack([sigmas.middle(s0, s1), growths.middle(g0, g1)])
        self.log_weight = sigmas.log_total(s0, s1) + growths.log_total(g0, g1)
        ends = [
            [sigmas.place[s0], sigmas.place[s1 - 1]],
            [growths.place[g0], growths.place[g1 - 1]],
        ]
        self.sigma, self.growth = np.where(self.half[0] < 0, self.middle[:, None], np.array(ends))
        self.pair = np.full(s0.size, -1)
        self.pair[self.leaves] = np.arange(whole.size)
        depths = np.split(np.arange(s0.size), np.cumsum([half.shape[1] for half in halves])[:-1])
        self._halved = [cells[self.half[0, cells] >= 0] for cells in reversed(depths)]
        for depth, cells in enumerate(self._halved):
            self.pair[cells] = self.pair[self.half[depth % 2, cells]]

    def largest(self, of_leaves: FloatArray) -> FloatArray:
        """The largest of some values of the leaves that each cell holds."""
        out = np.full(self.pair.size, -np.inf)
        out[self.leaves] = of_leaves
        for cells in self._halved:
            out[cells] = out[self.half[:, cells]].max(axis=0)
        return out


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class NoiseNodes:
    """Nodes of sigma, growth and outlier share, with log weights of the priors.

    Sigma and growth come in pairs, each in the middle of a cell of `tree`; every pair is taken with
    every share. The arrays of all run through the shares first.
    """

    tree: NoiseTree
    shares: Axis

    @property
    def size(self) -> int:
        """Number of nodes."""
        return self.tree.leaves.size * self.shares.size

    @property
    def sigma(self) -> FloatArray:
        """Sigma of each node."""
        return np.repeat(self.tree.sigma[0, self.tree.leaves], self.shares.size)

    @property
    def growth(self) -> FloatArray:
        """Growth of each node."""
        return np.repeat(self.tree.growth[0, self.tree.leaves], self.shares.size)

    @property
    def outliers(self) -> FloatArray:
        """Outlier share of each node."""
        return np.tile(self.shares.place, self.tree.leaves.size)

    @property
    def log_weight(self) -> FloatArray:
        """Log weight of each node."""
        return np.add.outer(self.tree.log_weight[self.tree.leaves], self.shares.log_weight).ravel()


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Nodes:
    """Nodes that count: log unit and its cell, the offset and its cell, node of noise, log mass.

    `shift` is the phase from the origin where the offset is free, else the offset. Masses are
    relative to the evidence of the same sample without steps, whose log is `log_continuum`.
    `log_unit` is that of the comb, `bias` how far it lies too high (`quantize.model.bias`).
    """

    log_unit: FloatArray
    bias: FloatArray
    cell: FloatArray
    shift: FloatArray
    shift_cell: FloatArray
    index: IntArray
    log_mass: FloatArray
    noise: NoiseNodes
    log_continuum: float

    @functools.cached_property
    def log_bayes_factor(self) -> float:
        """Log evidence of the comb over that of the continuum."""
        return float(np.logaddexp.reduce(self.log_mass))

    @functools.cached_property
    def share(self) -> FloatArray:
        """Posterior probability of each node."""
        return np.exp(self.log_mass - self.log_bayes_factor)

    @functools.cached_property
    def corrected(self) -> FloatArray:
        """Log unit of each, the bias taken off."""
        return self.log_unit - self.bias

    @property
    def sigma(self) -> FloatArray:
        """Sigma of each node."""
        return self.noise.sigma[self.index]


def noise_nodes(prior: ParameterPriors, likelihood: Likelihood) -> NoiseNodes:
    """Where the noise of these readings is known under the prior."""
    n = likelihood.x.size
    outliers, log_w = _share_nodes(prior.outliers, n)
    if distributions.is_distribution(prior.growth):
        tree = _tree_of_both(prior, likelihood)
    else:
        sigma, log_s = prior.sigma_nodes(n)
        fixed = Axis(place=np.array([float(prior.growth)]), log_weight=np.zeros(1))
        tree = NoiseTree(Axis(place=sigma, log_weight=log_s), fixed)
    return NoiseNodes(tree=tree, shares=Axis(place=outliers, log_weight=log_w))


def _tree_of_both(prior: ParameterPriors, likelihood: Likelihood) -> NoiseTree:
    """Cells of sigma and growth about as long as the readings leave the logs of both unsure.

    Where one of them makes nearly all of the scatter, those of the other are long.
    """
    measured = likelihood.beyond == 0
    x, scale = likelihood.x[measured], likelihood.scale[measured]
    ends = np.array([prior.sigma_reach(), distributions.reach(prior.growth)])
    reach = np.log(ends)
    longest = np.array([[_longest(prior.sigma)], [_longest(prior.growth)]])
    least = np.minimum(_STEP / np.sqrt(2 * x.size), longest[:, 0])
    sigmas, growths = (
        _even(each[0], each[1], most) for each, most in zip(ends, least, strict=True)
    )
    density = distributions.log_density(prior.growth, growths.place) + np.log(growths.place)
    growths = dataclasses.replace(growths, log_weight=growths.log_weight + density)
    step = (np.diff(reach, axis=1).T / [sigmas.size, growths.size]).T
    # Of the variance s²c² + g²|x|^p the part that grows, by the log of g/s.
    ratio = np.linspace(reach[1, 0] - reach[0, 1], reach[1, 1] - reach[0, 0], _RATIOS)
    size = np.abs(x) ** likelihood.power / np.square(scale)
    part = size / (size + np.exp(-2 * ratio[:, None]))
    sure = [np.sqrt(2 * np.sum(np.square(each), axis=1)) for each in (1 - part, part)]

    def wide(cells: IntArray) -> FloatArray:
        low, high = (reach[:, :1] + step * cells[end::2] for end in (0, 1))
        at = low[1] - high[0], high[1] - low[0]
        known = np.stack([np.interp(a, ratio, each) for a, each in zip(at, sure, strict=True)])
        lengths: FloatArray = (high - low) * np.maximum(
            known / _SURE, 1 / np.minimum(longest, _SMOOTH)
        )
        return lengths / (1 + 1e-9)

    return NoiseTree(sigmas, growths, wide)


def _longest(prior: Any) -> float:
    """The longest steps in the log of a parameter that show how its prior falls off."""
    if isinstance(prior, TaperedSigma):
        return _TAPERED
    if isinstance(prior, float | distributions.LogUniform) or prior.dist.name == "loguniform":
        return np.inf
    return 0.4 * float(np.log(prior.ppf(0.84) / prior.ppf(0.16)))


def _even(low: float, high: float, longest: float) -> Axis:
    """Midpoints of even steps of the logarithm, none longer than `longest`; one if it is known."""
    if low == high:
        return Axis(place=np.array([low]), log_weight=np.zeros(1))
    length = float(np.log(high / low))
    wanted = max(int(np.ceil(length / longest)), _FEWEST)
    block = 2 ** int(np.log2(wanted / _BLOCKS))
    size = -(-wanted // block) * block
    step = length / size
    place = low * np.exp(step * (np.arange(size) + 0.5))
    edges = distributions.log_edge_weights(np.arange(size), size)
    return Axis(place=place, log_weight=np.log(step) + edges, block=block)


def _share_nodes(prior: Any, n: int) -> tuple[FloatArray, FloatArray]:
    """Nodes of the outlier share.

    The likelihood of single readings is a polynomial in it, so that with a beta prior the rule of
    Gauss and Jacobi is exact from (n + 1)/2 nodes on, and good enough with fewer.
    """
    if not distributions.is_distribution(prior):
        return distributions.nodes(prior)
    if prior.dist.name != "beta" or prior.support() != (0.0, 1.0) or prior.kwds:
        return distributions.nodes(prior, 2 if n <= _FEW else 4)
    from scipy.special import roots_jacobi

    a, b = prior.args[:2]
    x, w = roots_jacobi(min((n + 2) // 2, 6 + int(np.sqrt(n))), b - 1, a - 1)
    return 0.5 * (x + 1), np.log(w / w.sum())


def log_noise_prior(prior: ParameterPriors, noise: NoiseNodes) -> FloatArray:
    """Log prior mass of each node of the noise, the unit integrated out."""
    if isinstance(prior.sigma, float):
        return noise.log_weight
    edges = np.linspace(np.log(prior.low), np.log(prior.high), 201)
    unit = np.exp(0.5 * (edges[1:] + edges[:-1]))
    log_w = prior.log_unit_density(unit) + np.log(edges[1] - edges[0])
    log_w -= np.logaddexp.reduce(log_w)
    different, back = np.unique(noise.sigma, return_inverse=True)
    value = log_w + prior.log_sigma_density(different[:, None], unit)
    return np.asarray(noise.log_weight + np.logaddexp.reduce(value, axis=1)[back])


def log_continuum_evidence(
    likelihood: Likelihood,
    prior: ParameterPriors,
    noise: NoiseNodes,
    shifts: FloatArray | None = None,
) -> FloatArray:
    """Log evidence of the same sample without steps, under the same priors of what it shares.

    One number, or that at each of some `shifts`.

    Without steps the likelihood is smooth in the logs of sigma and growth, and is interpolated; not
    where repeats disagree and some may be outliers.
    """
    shift: FloatArray = np.zeros(1)
    log_shift: FloatArray = np.zeros(1)
    if likelihood.shift_shows and shifts is not None:
        shift, log_shift = shifts, np.zeros(shifts.size)
    elif likelihood.shift_shows:
        shift, log_shift = _shift_nodes(likelihood, prior, noise)
    tree, shares = noise.tree, noise.shares.place
    pairs = np.stack([tree.sigma[0, tree.leaves], tree.growth[0, tree.leaves]])
    once = likelihood.states == likelihood.x.size
    between = distributions.is_distribution(prior.growth) and (once or not np.any(shares))
    few = [_evenly(place) for place in pairs] if between else []
    between = between and few[0].size * few[1].size < pairs.shape[1]
    at = np.stack(np.meshgrid(*few, indexing="ij")).reshape(2, -1) if between else pairs
    which = np.tile(np.repeat(np.arange(at.shape[1]), shares.size), shift.size)
    sigma, growth = at[:, which]
    p = Parameters(
        unit=np.ones(which.size),
        sigma=sigma,
        offset=np.repeat(shift, which.size // shift.size),
        growth=growth,
        outliers=np.tile(shares, which.size // shares.size),
    )
    found = likelihood.log_continuum(p).reshape(shift.size, at.shape[1], -1)
    if between:
        found = _between(few, np.moveaxis(found, 1, 0), pairs)
        found = np.moveaxis(found, 0, 1)
    weight = log_shift[:, None] + log_noise_prior(prior, noise)
    each = np.logaddexp.reduce(found.reshape(shift.size, -1) + weight, axis=1)
    if shifts is None:
        return np.logaddexp.reduce(each, keepdims=True)
    return np.broadcast_to(each, shifts.shape)


def _between(few: list[FloatArray], values: FloatArray, pairs: FloatArray) -> FloatArray:
    """Values known at each of a few sigmas and growths, (S·G, …), at other pairs of them."""
    from scipy.interpolate import make_interp_spline

    found = values.reshape(few[0].size, few[1].size, *values.shape[1:])
    places = []
    for axis, (some, place) in enumerate(zip(few, pairs, strict=True)):
        different, back = np.unique(place, return_inverse=True)
        places.append(back)
        if some.size > 1:
            spline = make_interp_spline(np.log(some), found, k=_DEGREE, axis=axis)
            found = spline(np.log(different))
    found = found[places[0], places[1]]
    return found


def _evenly(places: FloatArray) -> FloatArray:
    """Few places, even in the logarithm, from which a smooth function of such is known at all."""
    low, high = places.min(), places.max()
    number = int(np.log(high / low) / _APART) + _DEGREE + 1
    return np.geomspace(low, high, number if high > low else 1)


def _shift_nodes(
    likelihood: Likelihood, prior: ParameterPriors, noise: NoiseNodes
) -> tuple[FloatArray, FloatArray]:
    """Shifts that the readings share, and log weights times prior, for the sample without steps.

    Gauss–Legendre panels that widen from the middle of the prior, and from the shift at which the
    readings of each state agree best: whatever sigma is, some are as wide as the likelihood.
    """
    best, width = likelihood.shift_within_states(float(noise.sigma.min()))
    low, high = distributions.reach(prior.offset)
    scale = float(prior.offset.ppf(0.84))
    edges = [np.array([low, high])]
    for centre, first in ((0.0, scale), (best, min(width, scale))):
        size = first * _WIDENING ** np.arange(np.ceil(np.log(high / first) / np.log(_WIDENING)) + 1)
        edges += [np.array([centre]), centre + size, centre - size]
    ends = np.unique(np.clip(np.concatenate(edges), low, high))
    x, w = np.polynomial.legendre.leggauss(_PANEL_NODES)
    length = np.diff(ends)[:, None]
    shift = (ends[:-1, None] + 0.5 * length * (x + 1)).ravel()
    log_w = np.log(0.5 * w * length).ravel()
    return shift, log_w + distributions.log_density(prior.offset, shift)
