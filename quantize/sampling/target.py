"""The posterior of a model as a function of the coordinates on which walkers move.

Coordinates are named as in `quantize.model.priors`: ``log_unit`` first, ``log_sigma``,
``log_growth``, a free offset as ``phase`` in cycles of the unit, and ``offset`` and ``outliers`` as
they stand.
"""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.unit_range import UnitRange
from quantize.model.bias import UnitBias
from quantize.model.draws import log_posterior, predict
from quantize.model.mixture import posterior_of, typical_sigma
from quantize.model.model import MixtureModel
from quantize.model.modes import Mode
from quantize.model.posterior import Posterior
from quantize.model.priors import priors_of
from quantize.model.wrapped_likelihood import likelihood_of
from quantize.readings import Readings

_MOST_NODES_OF_NOISE = 700
"""With more of them quadrature takes longer than sampling."""
_TRIES = 100


class Target:
    """Log posterior and starts for one sample, range of units and model.

    Arrays `theta` hold coordinates in their last axis, of length d.
    """

    def __init__(self, readings: Readings, unit_range: UnitRange, model: MixtureModel) -> None:
        self.readings = readings
        self.unit_range = unit_range
        self.model = model.as_recorded(readings, unit_range.low)
        self.prior = priors_of(self.model, unit_range, readings)
        self.likelihood = likelihood_of(self.model, readings, unit_range.low)
        self.bias = UnitBias(self.likelihood, self.prior)
        self.names = self.prior.names

    def __getstate__(self) -> dict[str, Any]:
        # Workers do without the quadrature, which may not be theirs to have.
        left_out = ("posterior", "plain_posterior")
        return {name: value for name, value in self.__dict__.items() if name not in left_out}

    def log_prob(self, theta: FloatArray) -> FloatArray:
        """Log posterior up to a constant, shape (m,); −inf outside the support."""
        return log_posterior(self.likelihood, self.prior, theta)

    def draw_prior(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draws from the prior, shape (n, d)."""
        return self.prior.coordinates(self.prior.draw(n, rng))

    @functools.cached_property
    def posterior(self) -> Posterior | None:
        """The posterior by quadrature, where that is feasible."""
        if (
            Posterior.of(self.model, self.readings, self.unit_range).noise.size
            > _MOST_NODES_OF_NOISE
        ):
            return None
        return posterior_of(self.model, self.readings, self.unit_range)

    @functools.cached_property
    def modes(self) -> list[Mode]:
        """Modes of the unit by quadrature, the best first; empty where there is none."""
        if self.posterior is None:
            return []
        # They are stretches of a grid, whose outermost cells reach half a step further.
        half = float(np.exp(0.5 * self.posterior.marginal.step))
        return [
            dataclasses.replace(mode, low=mode.low / half, high=mode.high * half)
            for mode in self.posterior.modes
        ]

    @functools.cached_property
    def plain_posterior(self) -> Posterior:
        """That of unit and sigma alone; a starting point where nothing better exists."""
        measured = self.readings.select(self.readings.measured)
        return posterior_of(MixtureModel(), measured, self.unit_range)

    def start(self, n: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        """Where `n` walkers start, (n, d), and their log posterior.

        They are draws from the posterior by quadrature, in proportion to its modes. Without one,
        units and sigmas come from the plain model and the rest from the prior; walkers that would
        stand where the posterior is zero are drawn again from the prior.

        `InputError` when the prior excludes the readings.
        """
        theta = self._draw_near(n, rng)
        log_prob = self.log_prob(theta)
        for _ in range(_TRIES):
            stuck = ~np.isfinite(log_prob)
            if not stuck.any():
                return theta, log_prob
            theta[stuck] = self.draw_prior(int(stuck.sum()), rng)
            log_prob[stuck] = self.log_prob(theta[stuck])
        raise InputError(
            f"`readings` are next to impossible under the priors: for {int(stuck.sum())} of {n} "
            f"walkers none of {_TRIES} draws could have produced them; widen the priors."
        )

    def _draw_near(self, n: int, rng: np.random.Generator) -> FloatArray:
        if self.posterior is not None:
            return self.prior.coordinates(self.posterior.draws(n, rng))
        theta = self.draw_prior(n, rng)
        plain = self.plain_posterior.draws(n, rng)
        theta[:, 0] = np.log(plain.unit)
        if "log_sigma" in self.names and self.readings.sigma is None:
            low, high = self.prior.sigma_reach()
            sigma = np.clip(plain.sigma, 1.01 * low, 0.99 * high)
            theta[:, self.names.index("log_sigma")] = np.log(sigma)
        return theta

    def unknown(self, theta: FloatArray) -> dict[str, FloatArray]:
        """What is not known, by name and not as a logarithm; offsets in [0, unit) if free."""
        shape = theta.shape[:-1]
        p = self.prior.parameters(theta.reshape(-1, theta.shape[-1]))
        names = ["offset" if name == "phase" else name.removeprefix("log_") for name in self.names]
        return {name: np.reshape(getattr(p, name), shape) for name in names}

    def quantities(self, theta: FloatArray) -> dict[str, FloatArray]:
        """Unit, sigma and offset, known or not, and whatever else is unknown.

        Sigma is in the unit of the readings also where it is a factor.
        """
        shape = theta.shape[:-1]
        p = self.prior.parameters(theta.reshape(-1, theta.shape[-1]))
        sigma = p.sigma * typical_sigma(self.readings)
        first = {"unit": p.unit, "sigma": sigma, "offset": p.offset}
        return self.unknown(theta) | {name: np.reshape(v, shape) for name, v in first.items()}

    def readings_before(self, theta: FloatArray, rng: np.random.Generator) -> FloatArray:
        """One sample of readings for each row of `theta`, nothing read yet, shape (m, n).

        NaN where the model has no whole number at all for these parameters.
        """
        p = self.prior.parameters(theta)
        pairs = zip(p.unit.tolist(), p.offset.tolist(), strict=True)
        integers = np.stack([self._levels_before(u, b, rng) for u, b in pairs])
        return predict(self.likelihood, p, rng, integers=integers)

    def _levels_before(self, unit: float, offset: float, rng: np.random.Generator) -> FloatArray:
        """A whole number for each state from the envelope alone, shape (J,).

        A flat envelope that has no end is the range of the readings, as in the likelihood.
        """
        sizes, states = self.likelihood.envelope, self.likelihood.states
        low, high = (sizes.low - offset) / unit, (sizes.high - offset) / unit
        if sizes.most is not None:
            last = np.arange(sizes.first + 1, sizes.most + 1)
            chance = 1 / last
            teeth = np.arange(sizes.first, rng.choice(last, p=chance / chance.sum()) + 1)
        elif sizes.closed:
            teeth = sizes.teeth(unit, offset)
        else:
            place: FloatArray = np.rint(rng.uniform(low, high, size=states))
            if not self.likelihood.free_weights:
                return np.clip(place, sizes.first, sizes.last)
            teeth = np.clip(np.arange(np.rint(low), np.rint(high) + 1), sizes.first, sizes.last)
        if not teeth.size:
            return np.full(states, np.nan)
        weight = np.ones(teeth.size)
        if self.likelihood.free_weights:
            weight = rng.dirichlet(weight)
        elif sizes.density is not None:
            weight = sizes.density.pdf(offset + unit * teeth)
        return rng.choice(teeth, size=states, p=weight / weight.sum()).astype(float)

    def integer_probabilities(self, theta: FloatArray) -> tuple[IntArray, FloatArray]:
        """Whole numbers (K,) and their probabilities for each reading (n, K), over `theta`."""
        share = np.full(len(theta), 1 / len(theta))
        whole, probability = self.likelihood.integer_shares(self.prior.parameters(theta), share)
        return whole, probability[self.likelihood.state_of_reading()]

    def describe(self) -> dict[str, Any]:
        """Model and data, JSON-ready; two targets are the same when these are."""
        return {
            "model": self.model.to_dict(),
            "unit_range": [self.unit_range.low, self.unit_range.high],
            "readings": self.readings.to_dict(),
        }
