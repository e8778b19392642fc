"""The base model as a target: unit, sigma known or not, offset fixed or free."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Mapping
from typing import Any

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb import posterior
from quantize.comb.likelihood import log_density_sum
from quantize.comb.mixture import MixtureFit
from quantize.comb.sampling.target import Hill
from quantize.comb.sigma_prior import draw_sigma
from quantize.comb.window import log_unit_excess
from quantize.comb.wrapped import log_wrapped_normal

_NEIGHBOURS = np.arange(-4, 5)


class BaseTarget:
    """The posterior that `fit_mixture` integrates, from its result."""

    def __init__(self, found: MixtureFit) -> None:
        self.problem = found.problem
        self.readings = found.readings
        self.nodes = found.nodes
        self.modes = posterior.find_modes(found.problem, found.nodes, found.marginal)
        self._marginal_step = found.marginal.step
        names = ["log_unit"]
        if not self.problem.sigma_known:
            names.append("log_sigma")
        if self.problem.free:
            names.append("phase")
        self.names = tuple(names)
        self.origin = self.problem.origin
        self.observed = self.readings.values
        self._state = self.problem.levels.index
        self._offset_given = found.settings["offset"]

    @property
    def fixed(self) -> dict[str, float]:
        """Values of sigma (a factor, where the readings have their own) and offset, if known."""
        p = self.problem
        out = {"sigma": p.sigma_low} if p.sigma_known else {}
        return out if p.free else out | {"offset": p.origin}

    @functools.cached_property
    def hills(self) -> list[Hill]:
        """Hills of log unit, half a step of the fine marginal added at their ends."""
        half = 0.5 * self._marginal_step
        return [
            Hill(
                low=float(np.log(mode.low)) - half,
                high=float(np.log(mode.high)) + half,
                share=mode.share,
                centre=float(np.log(mode.unit)),
                width=mode.unit_err / mode.unit,
            )
            for mode in self.modes
        ]

    @property
    def constant_data(self) -> Mapping[str, FloatArray | IntArray]:
        """State, sigma and resolution of each reading, where given."""
        data = self.readings
        given = {"state": data.state, "sigma": data.sigma, "resolution": data.resolution}
        return {name: value for name, value in given.items() if value is not None}

    def _parts(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Unit, sigma and phase, each of shape (m,)."""
        p = self.problem
        unit = np.exp(theta[:, 0])
        sigma = np.full(len(theta), p.sigma_low) if p.sigma_known else np.exp(theta[:, 1])
        phase = theta[:, -1] if p.free else np.zeros(len(theta))
        return unit, sigma, phase

    def _inside(self, theta: FloatArray) -> Any:
        p = self.problem
        inside = (theta[:, 0] >= np.log(p.low)) & (theta[:, 0] <= np.log(p.high))
        if not p.sigma_known:
            inside &= (theta[:, 1] >= np.log(p.sigma_low)) & (theta[:, 1] <= np.log(p.sigma_high))
        if p.free:
            inside &= (theta[:, -1] >= 0) & (theta[:, -1] < 1)
        return inside

    def log_prob(self, theta: FloatArray) -> FloatArray:
        """Log posterior up to a constant."""
        p = self.problem
        inside = self._inside(theta)
        out = np.full(len(theta), -np.inf)
        unit, sigma, phase = self._parts(theta[inside])
        turns = p.mean / unit[:, None] - phase[:, None]
        factor = np.sqrt(p.levels.factor)
        if np.all(factor == factor[0]):
            factor = factor[:1]
        value = log_density_sum(turns - np.rint(turns), (sigma / unit)[:, None] * factor)
        value = value - p.log_normaliser(unit, sigma)
        if not p.sigma_known:
            value = value + p.within(sigma) + p.log_sigma_density(sigma, unit)
        out[inside] = value
        return out

    def log_prior(self, theta: FloatArray) -> FloatArray:
        """Log-uniform in unit, uniform in the phase, and that of `sigma_prior` in sigma."""
        p = self.problem
        unit, sigma, _ = self._parts(theta)
        density = p.log_sigma_density(sigma, unit) - np.log(np.log(p.high / p.low))
        return np.where(self._inside(theta), density, -np.inf)

    def draw_prior(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Independent draws from the prior."""
        p = self.problem
        columns = [rng.uniform(np.log(p.low), np.log(p.high), size=n)]
        if not p.sigma_known:
            unit = np.exp(columns[0])
            columns.append(np.log(draw_sigma(unit, p.sigma_low, p.sigma_high, rng)))
        if p.free:
            columns.append(rng.random(n))
        return np.column_stack(columns)

    def draw_start(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Independent draws from the posterior by quadrature."""
        unit, sigma, phase = posterior.draw(self.problem, self.nodes, n, rng)
        columns = [np.log(unit)]
        if not self.problem.sigma_known:
            columns.append(np.log(sigma))
        if self.problem.free:
            columns.append(phase)
        return np.column_stack(columns)

    def pointwise_log_likelihood(self, theta: FloatArray) -> FloatArray:
        """Log density of the readings of each state, each tooth of the window equally likely."""
        p = self.problem
        unit, sigma, phase = self._parts(theta)
        factor, count = p.levels.factor, p.levels.count
        spread = sigma[:, None] * np.sqrt(factor)
        turns = p.mean / unit[:, None] - phase[:, None]
        out = log_wrapped_normal(turns - np.rint(turns), spread / unit[:, None])
        mean_spread = sigma * np.sqrt(np.mean(factor)) / unit
        excess = log_unit_excess(unit, mean_spread, p.span, p.mean.size)
        out = out - (excess + np.log(p.span))[:, None]
        # The readings of a state about their mean.
        given = self.readings.sigma
        scale = np.ones(len(self.readings)) if given is None else given
        deviation = (self.observed - p.levels.mean[self._state]) / scale
        scatter = np.bincount(self._state, weights=deviation**2)
        log_scale = np.bincount(self._state, weights=np.log(scale))
        constant = 0.5 * np.log(factor) - log_scale - 0.5 * (count - 1) * np.log(2 * np.pi)
        within = -(count - 1) * np.log(sigma)[:, None] - 0.5 * scatter / sigma[:, None] ** 2
        total: FloatArray = out + within + constant
        return total

    def _teeth(self, theta: FloatArray) -> tuple[IntArray, FloatArray]:
        """Whole numbers near each state and their probabilities, shape (m, J, T).

        With a free offset they count from the tooth in [0, unit).
        """
        p = self.problem
        unit, sigma, phase = self._parts(theta)
        turns = p.mean / unit[:, None] - phase[:, None]
        if p.free:
            turns += np.floor(p.origin / unit + phase)[:, None]
        spread = sigma[:, None] * np.sqrt(p.levels.factor) / unit[:, None]
        nearest = np.rint(turns)[:, :, None]
        # Distances from the nearest tooth first, so that no weight underflows for all of them.
        near = np.square(turns[:, :, None] - nearest)
        k = nearest + _NEIGHBOURS
        weight = np.exp(0.5 * (near - np.square(turns[:, :, None] - k)) / spread[:, :, None] ** 2)
        return k.astype(np.int64), weight / weight.sum(axis=2, keepdims=True)

    def integer_probabilities(self, theta: FloatArray) -> tuple[IntArray, FloatArray]:
        """Whole numbers (K,) and their probabilities for each reading (n, K), over `theta`."""
        k, probability = self._teeth(theta)
        first = int(k.min())
        whole = np.arange(first, int(k.max()) + 1)
        states = k.shape[1]
        place = k - first + whole.size * np.arange(states)[:, None]
        total = np.bincount(
            place.ravel(), weights=probability.ravel(), minlength=states * whole.size
        )
        return whole, total.reshape(states, whole.size)[self._state] / len(theta)

    def predict(self, theta: FloatArray, rng: np.random.Generator) -> FloatArray:
        """New readings of the same states: their whole numbers are drawn given the readings."""
        p = self.problem
        unit, sigma, phase = self._parts(theta)
        k, probability = self._teeth(theta)
        drawn = (rng.random((*k.shape[:2], 1)) > np.cumsum(probability, axis=2)).sum(axis=2)
        whole = np.take_along_axis(k, np.minimum(drawn, k.shape[2] - 1)[:, :, None], axis=2)[..., 0]
        offset = p.origin + phase * unit
        if p.free:
            offset = offset % unit
        level = offset[:, None] + unit[:, None] * whole
        given = self.readings.sigma
        scale = np.ones(len(self.readings)) if given is None else given
        noise = rng.normal(size=(len(theta), self.observed.size)) * sigma[:, None] * scale
        out: FloatArray = level[:, self._state] + noise
        return out

    def describe(self) -> dict[str, Any]:
        """Readings by a digest, the rest in full."""
        p, data = self.problem, self.readings
        columns = [data.values, self._state.astype(float)]
        if data.sigma is not None:
            columns.append(data.sigma)
        digest = hashlib.sha256(np.concatenate(columns).astype("<f8").tobytes()).hexdigest()
        return {
            "readings": f"{len(data)} values {digest[:16]}",
            "coordinates": list(self.names),
            "offset": self._offset_given,
            "unit_range": [p.low, p.high],
            "sigma_range": [p.sigma_low, p.sigma_high],
        }
