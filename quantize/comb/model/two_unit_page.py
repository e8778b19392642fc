"""One page for two units: its problem at each sigma, the prior of sigma, and one unit for all."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb import sigma_prior
from quantize.comb.grid import Band
from quantize.comb.problem import Problem
from quantize.comb.quadrature import Nodes, integrate
from quantize.readings import Readings

_PLAIN_UNITS = 400
TOO_SMALL = 60.0
"""A sigma is far too small where log evidence is this much below the best."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class _Page(Problem):
    """A page, or a population of it, at known sigma; the envelope is that of the whole page."""

    whole_span: float
    whole_count: int

    @property
    def span(self) -> float:
        """Largest level mean of the whole page minus the smallest."""
        return self.whole_span

    @property
    def count(self) -> int:
        """Number of levels of the whole page."""
        return self.whole_count


class TwoUnitPage:
    """What both ways have in common: the page, the nodes of sigma, one unit and a continuum."""

    def __init__(self, data: Readings, band: Band, sigmas: FloatArray, log_w: FloatArray) -> None:
        self.data, self.band, self.sigmas = data, band, sigmas
        self.levels = data.levels()
        whole = self.problem(data, 0)
        self.log_w = log_w + np.array([float(whole.within(s)) for s in sigmas])
        self.log_w -= np.logaddexp.reduce(self.log_w)
        edges = np.linspace(np.log(band.low), np.log(band.high), _PLAIN_UNITS + 1)
        unit = np.exp(0.5 * (edges[1:] + edges[:-1]))
        tapers = [np.mean(np.exp(self.log_taper(s, unit))) for s in sigmas]
        self.log_kept = np.log(np.maximum(tapers, 1e-300))

    def log_taper(self, sigma: float, unit: FloatArray) -> FloatArray:
        """Log of what is left of the prior where sigma is large next to the unit."""
        if self.sigmas.size == 1:
            return np.zeros(unit.shape)
        return sigma_prior.log_taper(sigma / unit)

    def problem(self, data: Readings, i: int) -> _Page:
        """Some of the readings at sigma node `i`."""
        return _Page(
            levels=data.levels(),
            origin=0.0,
            low=self.band.low,
            high=self.band.high,
            sigma_low=float(self.sigmas[i]),
            sigma_high=float(self.sigmas[i]),
            free=False,
            whole_span=float(np.ptp(self.levels.mean)),
            whole_count=int(self.levels.mean.size),
        )

    def nodes(self, data: Readings, i: int) -> tuple[Nodes, FloatArray, float]:
        """Nodes of one unit at sigma node `i`, their log masses and the log of the sum."""
        found = integrate(self.problem(data, i))
        mass = found.log_mass + self.log_taper(self.sigmas[i], np.exp(found.log_unit))
        return found, mass, float(np.logaddexp.reduce(mass)) if mass.size else -np.inf

    def log_one_unit(self) -> float:
        """Log evidence of one unit for all over a continuum."""
        total = np.array([node[2] for node in self.over_sigma(self.data)])
        prior = np.logaddexp.reduce(self.log_w + self.log_kept)
        return float(np.logaddexp.reduce(self.log_w[: total.size] + total) - prior)

    def over_sigma(self, data: Readings) -> list[tuple[Nodes, FloatArray, float]]:
        """`nodes` for each sigma, which descends, until it is far too small."""
        found: list[tuple[Nodes, FloatArray, float]] = []
        best = -np.inf
        for i in range(self.sigmas.size):
            found.append(self.nodes(data, i))
            best = max(best, found[-1][2])
            if i > 10 and max(node[2] for node in found[-3:]) < best - TOO_SMALL:
                break
        return found

    def log_two(self, totals: FloatArray) -> float:
        """Log evidence of two units over a continuum from that at each sigma."""
        prior = np.logaddexp.reduce(self.log_w + 2 * self.log_kept)
        return float(np.logaddexp.reduce(self.log_w[: totals.size] + totals) - prior)
