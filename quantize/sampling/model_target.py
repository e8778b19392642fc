"""The posterior of a model in the form that a sampler walks on."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.band import Band
from quantize.model import draws as drawing
from quantize.model.draws import predict
from quantize.model.mixture import posterior_of
from quantize.model.model import MixtureModel
from quantize.model.posterior import Posterior
from quantize.model.priors import priors_of
from quantize.model.wrapped_likelihood import likelihood_of
from quantize.readings import Readings
from quantize.sampling.target import UnitMode

_MOST_NODES_OF_NOISE = 700
"""With more of them quadrature takes longer than sampling."""


class ModelTarget:
    """Log posterior, starts and predictions for one sample, model and range of units."""

    def __init__(self, readings: Readings, band: Band, model: MixtureModel) -> None:
        self.readings = readings
        self.band = band
        self.model = model
        self.prior = priors_of(model, band, readings)
        self.likelihood = likelihood_of(model, readings)
        self.names = self.prior.names

    def log_prob(self, theta: FloatArray) -> FloatArray:
        """Log posterior up to a constant, shape (m,)."""
        return drawing.log_posterior(self.likelihood, self.prior, theta)

    def log_prior(self, theta: FloatArray) -> FloatArray:
        """Log prior density, shape (m,)."""
        return self.prior.log_density(self.prior.parameters(theta))

    def draw_prior(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draws from the prior, shape (n, d)."""
        return self.prior.coordinates(self.prior.draw(n, rng))

    @functools.cached_property
    def posterior(self) -> Posterior | None:
        """The posterior by quadrature, where that is feasible."""
        if Posterior.of(self.model, self.readings, self.band).noise.size > _MOST_NODES_OF_NOISE:
            return None
        return posterior_of(self.model, self.readings, self.band)

    @functools.cached_property
    def plain_posterior(self) -> Posterior:
        """That of unit and sigma alone; a starting point where nothing better exists."""
        measured = self.readings.select(self.readings.measured)
        return posterior_of(MixtureModel(), measured, self.band)

    def draw_start(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Where walkers start: draws from the quadrature posterior, in proportion to its modes.

        Without one, units and sigmas come from the plain model and the rest from the prior.
        """
        if self.posterior is not None:
            return self.posterior.coordinates(n, rng)
        theta = self.draw_prior(n, rng)
        plain = self.plain_posterior.draws(n, rng)
        theta[:, 0] = np.log(plain.unit)
        if "log_sigma" in self.names and self.readings.sigma is None:
            place = self.names.index("log_sigma")
            low, high = self.prior.sigma_reach()
            theta[:, place] = np.log(np.clip(plain.sigma, 1.01 * low, 0.99 * high))
        stuck = ~np.isfinite(self.log_prob(theta))
        if stuck.any():
            theta[stuck] = self.draw_prior(int(stuck.sum()), rng)
        return theta

    @functools.cached_property
    def modes(self) -> list[UnitMode]:
        """Modes of log unit by quadrature; empty where there is none."""
        if self.posterior is None:
            return []
        half = 0.5 * self.posterior.marginal.step
        return [
            UnitMode(
                low=float(np.log(mode.low)) - half,
                high=float(np.log(mode.high)) + half,
                share=mode.share,
                centre=float(np.log(mode.unit)),
                width=mode.unit_err / mode.unit,
            )
            for mode in self.posterior.modes
        ]

    @property
    def origin(self) -> float:
        """Where the phase of a free offset is counted from."""
        return self.prior.origin

    @property
    def fixed(self) -> dict[str, float]:
        """Values of sigma and offset where they are known."""
        known = {"sigma": self.prior.sigma, "offset": self.prior.offset}
        return {name: value for name, value in known.items() if isinstance(value, float)}

    def pointwise_log_likelihood(self, theta: FloatArray) -> FloatArray:
        """Log likelihood of each charge state, shape (m, J)."""
        return self.likelihood.pointwise(self.prior.parameters(theta))

    def integer_probabilities(self, theta: FloatArray) -> tuple[IntArray, FloatArray]:
        """Whole numbers (K,) and their probabilities for each reading (n, K), over `theta`."""
        share = np.full(len(theta), 1 / len(theta))
        whole, probability = self.likelihood.integer_shares(self.prior.parameters(theta), share)
        return whole, probability[self.likelihood.state_of_reading()]

    def predict(self, theta: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Readings that the same charge states would give again, shape (m, n)."""
        return predict(self.likelihood, self.prior.parameters(theta), rng)

    def describe(self) -> dict[str, Any]:
        """What a run must agree with to go on from its file."""
        return {
            "model": self.model.to_dict(),
            "unit_range": [self.band.low, self.band.high],
            "readings": self.readings.to_dict(),
        }

    @property
    def observed(self) -> FloatArray:
        """The readings, shape (n,)."""
        return self.readings.values

    @property
    def constant_data(self) -> dict[str, FloatArray | IntArray]:
        """What came with the readings."""
        data = self.readings
        given = {"state": data.state, "sigma": data.sigma, "resolution": data.resolution}
        return {name: value for name, value in given.items() if value is not None}
