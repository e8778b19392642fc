"""Quadrature nodes: those of sigma, growth and outliers, and those of the posterior."""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.model import distributions
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.priors import ParameterPriors

_LOG_PANEL = 1.6
_FEW = 50
_PANEL_NODES = 8
_WIDENING = 3.0
_DEGREE, _APART = 7, 0.2


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Axis:
    """Nodes of one parameter, ascending, and the logs of their weights."""

    place: FloatArray
    log_weight: FloatArray

    @property
    def size(self) -> int:
        """Number of nodes."""
        return int(self.place.size)


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class NoiseNodes:
    """Nodes of sigma, growth and outlier share, with log weights of the priors.

    The arrays of the product run through the shares first, then growth, then sigma.
    """

    sigmas: Axis
    growths: Axis
    shares: Axis

    @property
    def size(self) -> int:
        """Number of nodes of the product."""
        return self.sigmas.size * self.growths.size * self.shares.size

    def _spread_out(self, axis: int, values: FloatArray) -> FloatArray:
        shape = (self.sigmas.size, self.growths.size, self.shares.size)
        view = values.reshape([-1 if i == axis else 1 for i in range(3)])
        flat: FloatArray = np.broadcast_to(view, shape).ravel()
        return flat

    @property
    def sigma(self) -> FloatArray:
        """Sigma of each node of the product."""
        return self._spread_out(0, self.sigmas.place)

    @property
    def growth(self) -> FloatArray:
        """Growth of each node of the product."""
        return self._spread_out(1, self.growths.place)

    @property
    def outliers(self) -> FloatArray:
        """Outlier share of each node of the product."""
        return self._spread_out(2, self.shares.place)

    @property
    def log_weight(self) -> FloatArray:
        """Log weight of each node of the product."""
        return (
            self._spread_out(0, self.sigmas.log_weight)
            + self._spread_out(1, self.growths.log_weight)
            + self._spread_out(2, self.shares.log_weight)
        )


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
        share: FloatArray = np.exp(self.log_mass - self.log_bayes_factor)
        return share

    @functools.cached_property
    def corrected(self) -> FloatArray:
        """Log unit of each, the bias taken off."""
        corrected: FloatArray = self.log_unit - self.bias
        return corrected

    @property
    def sigma(self) -> FloatArray:
        """Sigma of each node."""
        return self.noise.sigma[self.index]


def noise_nodes(prior: ParameterPriors, n: int) -> NoiseNodes:
    """The product of the three one-dimensional rules, for `n` readings."""
    sigma, log_s = prior.sigma_nodes(n)
    panels = 1
    if distributions.is_distribution(prior.growth):
        low, high = distributions.reach(prior.growth)
        panels = int(np.ceil(np.log(high / low) / min(_LOG_PANEL, 8 / np.sqrt(2 * n))))
    growth, log_g = distributions.nodes(prior.growth, panels)
    outliers, log_w = _share_nodes(prior.outliers, n)
    return NoiseNodes(
        sigmas=Axis(place=sigma, log_weight=log_s),
        growths=Axis(place=growth, log_weight=log_g),
        shares=Axis(place=outliers, log_weight=log_w),
    )


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
    return noise.log_weight + _marginal_sigma_density(prior, noise.sigma)


def _marginal_sigma_density(prior: ParameterPriors, sigma: FloatArray) -> FloatArray:
    """Log prior density of log sigma with the unit integrated out."""
    if isinstance(prior.sigma, float):
        return np.zeros(sigma.size)
    edges = np.linspace(np.log(prior.low), np.log(prior.high), 201)
    unit = np.exp(0.5 * (edges[1:] + edges[:-1]))
    log_w = prior.log_unit_density(unit) + np.log(edges[1] - edges[0])
    log_w -= np.logaddexp.reduce(log_w)
    different, back = np.unique(sigma, return_inverse=True)
    value = log_w + prior.log_sigma_density(different[:, None], unit)
    out: FloatArray = np.logaddexp.reduce(value, axis=1)[back]
    return out


def log_continuum_evidence(
    likelihood: Likelihood, prior: ParameterPriors, noise: NoiseNodes
) -> float:
    """Log evidence of the same sample without steps, under the same priors of what it shares.

    Without steps the likelihood is smooth in the logs of sigma and growth, and is interpolated; not
    where repeats disagree and some may be outliers.
    """
    shift, log_shift = np.zeros(1), np.zeros(1)
    if likelihood.shift_shows:
        shift, log_shift = _shift_nodes(likelihood, prior, noise)
    few = axes = [noise.sigmas.place, noise.growths.place]
    once = likelihood.states == likelihood.x.size
    if noise.growths.size > 1 and (once or not np.any(noise.shares.place)):
        few = [_evenly(place) for place in axes]
    offset, sigma, growth, outliers = (
        part.ravel() for part in np.meshgrid(shift, *few, noise.shares.place, indexing="ij")
    )
    p = Parameters(
        unit=np.ones(sigma.size), sigma=sigma, offset=offset, growth=growth, outliers=outliers
    )
    found = likelihood.log_continuum(p).reshape(shift.size, few[0].size, few[1].size, -1)
    for axis, (places, some) in enumerate(zip(axes, few, strict=True), start=1):
        if some is not places:
            from scipy.interpolate import make_interp_spline

            found = make_interp_spline(np.log(some), found, k=_DEGREE, axis=axis)(np.log(places))
    weight = np.add.outer(log_shift, log_noise_prior(prior, noise))
    return float(np.logaddexp.reduce(found.ravel() + weight.ravel()))


def _evenly(places: FloatArray) -> FloatArray:
    """Fewer places, even in the logarithm, from which a smooth function is known at all."""
    number = int(np.log(places[-1] / places[0]) / _APART) + _DEGREE + 1
    return places if number >= places.size else np.geomspace(places[0], places[-1], number)


def _shift_nodes(
    likelihood: Likelihood, prior: ParameterPriors, noise: NoiseNodes
) -> tuple[FloatArray, FloatArray]:
    """Shifts that the readings share, and log weights times prior, for the sample without steps.

    Gauss–Legendre panels that widen from the middle of the prior, and from the shift at which the
    readings of each state agree best: whatever sigma is, some are as wide as the likelihood.
    """
    best, width = likelihood.shift_within_states(float(noise.sigmas.place[0]))
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
