"""What the quadrature integrates, and the plain double sum that it must agree with."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb import sigma_prior
from quantize.comb.likelihood import log_density_sum_plain
from quantize.comb.window import log_unit_excess
from quantize.readings import Levels

NEGLIGIBLE = 22.0
"""A node is dropped when its log mass is this far below the largest one."""
_PANEL_NODES = 10
_PRIOR_PANEL = 0.8
"""Widest panel in log sigma that follows the prior's fall within 1e-8."""
_CHUNK = 2**18


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

    @functools.cached_property
    def mean(self) -> FloatArray:
        """Level means from the origin."""
        return self.levels.mean - self.origin

    @property
    def sigma_known(self) -> bool:
        """True when there is no integral over sigma."""
        return self.sigma_low == self.sigma_high

    def spread(self, sigma: float) -> FloatArray:
        """Standard deviation of each level mean; one number where all are equal."""
        return sigma * np.sqrt(self.levels.factor[: 1 if self.equal else None])

    @functools.cached_property
    def equal(self) -> bool:
        """True when all levels have the same variance."""
        return bool(np.all(self.levels.factor == self.levels.factor[0]))

    @functools.cached_property
    def span(self) -> float:
        """Largest level mean minus smallest."""
        return float(np.ptp(self.mean))

    @property
    def count(self) -> int:
        """Number of levels within the span."""
        return self.mean.size

    def log_normaliser(
        self, unit: FloatArray, sigma: FloatArray | float, place: IntArray | None = None
    ) -> FloatArray:
        """What is subtracted from the sum of log densities: n·log(u·K/S).

        With `place`, one number for each pair of ``unit[place]`` and `sigma`.
        """
        typical = float(np.sqrt(np.mean(self.levels.factor)))
        spread = sigma * typical / (unit if place is None else unit[place])
        excess: FloatArray = log_unit_excess(unit, spread, self.span, self.count, place)
        return self.mean.size * excess

    def log_sigma_density(self, sigma: FloatArray | float, unit: FloatArray) -> FloatArray:
        """Log prior density of log sigma given the unit; zero where sigma is known."""
        if self.sigma_known:
            return np.zeros(np.broadcast(sigma, unit).shape)
        taper = sigma_prior.log_taper(np.asarray(np.divide(sigma, unit)))
        density: FloatArray = taper - self.log_sigma_normaliser(unit)
        return density

    def log_sigma_normaliser(self, unit: FloatArray) -> FloatArray:
        """What makes the prior of sigma add up to one at each unit; it grows with the unit."""
        if self.sigma_known:
            return np.zeros(np.shape(unit))
        return sigma_prior.log_normaliser(unit, self.sigma_low, self.sigma_high)

    @functools.cached_property
    def log_within_evidence(self) -> float:
        """Log of the likelihood within states, averaged over the prior of unit and sigma.

        It is what the continuum makes of the scatter within states, and divides the comb's share.
        """
        if self.sigma_known:
            return float(self.within(self.sigma_low))
        if self.levels.degrees == 0:
            return 0.0
        sigma, log_weight = sigma_quadrature(self)
        length = float(np.log(self.high / self.low))
        place, weight = panel_nodes(length, _PRIOR_PANEL)
        unit = self.low * np.exp(place)
        terms = self.log_sigma_density(sigma[:, None], unit) + np.log(weight / length)
        terms += (log_weight + self.within(sigma))[:, None]
        return float(np.logaddexp.reduce(terms, axis=None))

    def within(self, sigma: FloatArray | float) -> FloatArray:
        """Log likelihood of the scatter within states, up to a constant."""
        d, s = self.levels.degrees, self.levels.scatter
        log_likelihood: FloatArray = -d * np.log(sigma) - 0.5 * s / np.square(sigma)
        return log_likelihood


def lattice_step(n: int) -> float:
    """Lattice step for `n` readings, in posterior standard deviations.

    For a normal peak 1 would do. A few readings have kinks between their teeth; these steps keep
    the log evidence within 1e-6 from three to forty (``python -m benchmarks.evidence_error``).
    """
    return float(np.interp(n, (3, 10, 40, 100), (0.17, 0.25, 0.38, 0.5)))


@functools.cache
def _gauss_legendre() -> tuple[FloatArray, FloatArray]:
    from numpy.polynomial.legendre import leggauss

    x, w = leggauss(_PANEL_NODES)
    return x, w


def panel_nodes(length: float, widest: float) -> tuple[FloatArray, FloatArray]:
    """Places and weights of Gauss–Legendre panels on [0, length], none wider than `widest`."""
    panels = max(int(np.ceil(length / widest)), 1)
    x, w = _gauss_legendre()
    width = length / panels
    place = (np.arange(panels)[:, None] + 0.5 * (x + 1)) * width
    weight = np.broadcast_to(0.5 * w * width, place.shape)
    return place.ravel(), weight.ravel()


def sigma_quadrature(problem: Problem) -> tuple[FloatArray, FloatArray]:
    """Nodes in sigma, largest first, and log weights for an integral over log sigma.

    Gauss–Legendre panels, each at most five posterior standard deviations wide and narrow enough
    for the fall of the prior (`quantize.comb.sigma_prior`).
    """
    if problem.sigma_known:
        return np.array([problem.sigma_low]), np.array([0.0])
    n = problem.levels.mean.size + problem.levels.degrees
    length = float(np.log(problem.sigma_high / problem.sigma_low))
    place, weight = panel_nodes(length, min(_PRIOR_PANEL, 5 / np.sqrt(2 * n)))
    sigma = problem.sigma_low * np.exp(place[::-1])
    return sigma, np.log(weight[::-1])


def chunks(size: int, width: int) -> list[slice]:
    """Slices of `size` rows of `width` numbers that stay in the processor's cache."""
    step = max(1, _CHUNK // max(width, 1))
    return [slice(i, i + step) for i in range(0, size, step)]


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
    rows: list[float] = []
    prior: list[float] = []
    for sigma in np.exp(log_s):
        by_offset = [
            log_density_sum_plain(
                np.subtract(problem.mean / u[:, None], c),
                sigma * np.sqrt(problem.levels.factor) / u[:, None],
            )
            - problem.log_normaliser(u, sigma)
            for c in offsets
        ]
        log_l = np.logaddexp.reduce(by_offset, axis=0) - np.log(offsets.size)
        log_prior = problem.log_sigma_density(sigma, u)
        for values, out in ((log_l + log_prior, rows), (log_prior, prior)):
            top = values.max()
            integral = float(simpson(np.exp(values - top), x=log_u)) / (log_u[-1] - log_u[0])
            out.append(top + np.log(integral) + float(problem.within(sigma)))
    if problem.sigma_known:
        return float(rows[0] - prior[0])
    log_values, log_prior = np.array(rows), np.array(prior)
    top, top_prior = log_values.max(), log_prior.max()
    upper = top + np.log(float(simpson(np.exp(log_values - top), x=log_s)))
    lower = top_prior + np.log(float(simpson(np.exp(log_prior - top_prior), x=log_s)))
    return float(upper - lower)
