"""The evidence by plain sums over unit, sigma and offset: what the quadrature is held to.

Nothing is shared with the quadrature but the wrapped-normal density, which has its own tests
against a theta function.
"""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
from plain_window import plain_log_unit_excess
from scipy.integrate import simpson

from quantize.comb.wrapped import log_wrapped_normal
from quantize.readings import Readings

_POINTS_OF_PRIOR = 1001
_ROWS = 2000


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Problem:
    """Readings, the range of units, that of sigma (a factor on given ones), and the offset."""

    readings: Readings
    low: float
    high: float
    sigma_low: float
    sigma_high: float
    free: bool = False

    @functools.cached_property
    def groups(self) -> list[np.ndarray]:
        """The readings of each charge state."""
        if self.readings.state is None:
            return [np.array([i]) for i in range(len(self.readings))]
        return [np.flatnonzero(self.readings.state == j) for j in np.unique(self.readings.state)]

    @functools.cached_property
    def scale(self) -> np.ndarray:
        """Given sigmas, or one."""
        given = self.readings.sigma
        return np.ones(len(self.readings)) if given is None else given

    @functools.cached_property
    def mean(self) -> np.ndarray:
        """Weighted mean of each state."""
        x, w = self.readings.values, self.scale**-2.0
        return np.array([np.sum(w[g] * x[g]) / np.sum(w[g]) for g in self.groups])

    @functools.cached_property
    def factor(self) -> np.ndarray:
        """Variance of each mean, for sigma one."""
        return np.array([1 / np.sum(self.scale[g] ** -2.0) for g in self.groups])

    def within(self, sigma: float) -> float:
        """Log likelihood of the readings about the means of their states, up to a constant."""
        x, total = self.readings.values, 0.0
        for group, mean in zip(self.groups, self.mean, strict=True):
            deviation = (x[group] - mean) / self.scale[group] / sigma
            total += -0.5 * float(np.sum(deviation**2)) - (group.size - 1) * float(np.log(sigma))
        return total

    @property
    def sigma_known(self) -> bool:
        """Whether there is no integral over sigma."""
        return self.sigma_low == self.sigma_high

    def log_normaliser(self, unit: np.ndarray, sigma: float) -> np.ndarray:
        """What the number of whole units in the span takes from the sum of log densities."""
        spread = sigma * np.sqrt(np.mean(self.factor)) / unit
        count = self.mean.size
        return count * plain_log_unit_excess(unit, spread, float(np.ptp(self.mean)), count)

    def log_sigma_density(self, sigma: float, unit: np.ndarray) -> np.ndarray:
        """Log prior density of log sigma given the unit; zero where sigma is known."""
        if self.sigma_known:
            return np.zeros(unit.shape)
        log_s = np.linspace(np.log(self.sigma_low), np.log(self.sigma_high), _POINTS_OF_PRIOR)
        total = np.concatenate(
            [
                simpson(_taper(np.exp(log_s) / part[:, None]), x=log_s, axis=1)
                for part in np.array_split(unit, unit.size // _ROWS + 1)
            ]
        )
        return np.asarray(np.log(_taper(sigma / unit) / total))

    def log_likelihood(self, unit: np.ndarray, sigma: float, phase: float = 0.0) -> np.ndarray:
        """Log likelihood at each unit over that of a continuum."""
        out = np.empty(unit.size)
        for first in range(0, unit.size, _ROWS):
            part = slice(first, first + _ROWS)
            cycles = self.mean / unit[part, None] - phase
            spread = sigma * np.sqrt(self.factor) / unit[part, None]
            out[part] = log_wrapped_normal(cycles, spread).sum(axis=1)
        return out - self.log_normaliser(unit, sigma)


def dense_log_evidence(
    problem: Problem, *, unit_points: int, sigma_points: int, offset_points: int = 1
) -> float:
    """Log Bayes factor of the comb over the continuum, by Simpson's rule in log unit and sigma.

    The scatter within states has the same likelihood under both; the continuum averages it over
    the priors.
    """
    log_u = np.linspace(np.log(problem.low), np.log(problem.high), unit_points)
    u = np.exp(log_u)
    log_s = np.linspace(np.log(problem.sigma_low), np.log(problem.sigma_high), sigma_points)
    phases = np.arange(offset_points) / offset_points if problem.free else np.zeros(1)
    lowest = problem.log_sigma_density(problem.sigma_low, u)
    comb, continuum = [], []
    for sigma in np.exp(log_s[: 1 if problem.sigma_known else None]):
        by_phase = [problem.log_likelihood(u, float(sigma), float(c)) for c in phases]
        log_l = np.logaddexp.reduce(by_phase, axis=0) - np.log(phases.size)
        log_prior = lowest
        if not problem.sigma_known:
            log_prior = lowest + np.log(_taper(sigma / u) / _taper(problem.sigma_low / u))
        within = problem.within(float(sigma))
        comb.append(_log_mean(log_l + log_prior, log_u) + within)
        continuum.append(_log_mean(log_prior, log_u) + within)
    if problem.sigma_known:
        return comb[0] - continuum[0]
    return _log_integral(np.array(comb), log_s) - _log_integral(np.array(continuum), log_s)


def _taper(ratio: np.ndarray) -> np.ndarray:
    """The prior of log sigma is flat and falls off beyond a third of a unit."""
    return np.asarray(1 / (1 + (ratio / 0.35) ** 8))


def _log_integral(log_values: np.ndarray, place: np.ndarray) -> float:
    top = float(log_values.max())
    return top + float(np.log(simpson(np.exp(log_values - top), x=place)))


def _log_mean(log_values: np.ndarray, place: np.ndarray) -> float:
    return _log_integral(log_values, place) - float(np.log(place[-1] - place[0]))
