"""Readings drawn from a model: parameters from the priors, then whole numbers, then errors."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.band import Band
from quantize.model.envelope import envelope_of
from quantize.model.likelihood import Parameters
from quantize.model.model import MixtureModel
from quantize.model.noise import POWERS
from quantize.model.priors import priors_of
from quantize.readings import Readings


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Page:
    """Readings and the truth behind them."""

    readings: Readings
    parameters: Parameters
    integers: IntArray
    outlier: FloatArray


def draw_page(
    model: MixtureModel,
    unit_range: tuple[float, float],
    rng: np.random.Generator,
    *,
    states: int,
    repeats: int = 1,
    sigma: Any = None,
    resolution: float | None = None,
    ends: int = 1,
) -> Page:
    """One page of `states` charge states, each read `repeats` times.

    Parameters
    ----------
    model : MixtureModel
        Must say where readings can lie: a window, a range of integers or a distribution.
    unit_range : (float, float)
        Support of the unit.
    rng : numpy.random.Generator
    states, repeats : int
    sigma : array_like, shape (states·repeats,), optional
        Sigmas that come with the readings; the model's sigma is then their common factor.
    resolution : float, optional
        Step of the ruler; readings are rounded to it.
    ends : {1, 2}
        How many ends of the distance are read.
    """
    low, high = validation.unit_range(unit_range)
    band = Band(low=low, high=high, chosen=False, reason="given by the caller")
    n = states * repeats
    prior = priors_of(model, band, _stand_in(model, sigma, n))
    p = prior.draw(1, rng)
    unit, offset = float(p.unit[0]), float(p.offset[0])
    envelope = envelope_of(model, None)
    if isinstance(model.envelope, str) and model.envelope == "levels":
        k = _from_free_weights(envelope.teeth(unit, offset), states, rng)
    else:
        k = envelope.draw(unit, offset, states, rng)
    k = np.repeat(k, repeats)
    mean = offset + unit * k
    scale = np.ones(n) if sigma is None else np.broadcast_to(np.asarray(sigma, float), (n,))
    variance = np.square(p.sigma[0] * scale)
    variance = variance + np.square(p.growth[0]) * np.abs(mean) ** POWERS[model.noise]
    x = mean + np.sqrt(variance) * rng.normal(size=n)
    outlier = rng.random(n) < p.outliers[0]
    x[outlier] = rng.uniform(envelope.low, envelope.high, size=int(outlier.sum()))
    if resolution is not None:
        start = resolution * rng.random(n) if ends == 2 else np.zeros(n)
        x = resolution * (np.rint((x + start) / resolution) - np.rint(start / resolution))
    readings = Readings(
        x,
        sigma=sigma,
        state=np.repeat(np.arange(states), repeats) if repeats > 1 else None,
        resolution=resolution,
        ends=ends if ends == 2 else None,
    )
    return Page(readings=readings, parameters=p, integers=k, outlier=outlier)


def _stand_in(model: MixtureModel, sigma: Any, n: int) -> Readings:
    """Readings at the ends of the envelope, for the priors that depend on how far they reach."""
    envelope = envelope_of(model, None)
    ends = np.array([envelope.low, envelope.high])
    return Readings(ends, sigma=None if sigma is None else np.ones(2))


def _from_free_weights(teeth: IntArray, size: int, rng: np.random.Generator) -> IntArray:
    if teeth.size == 0:
        raise InputError("`window` holds no tooth; widen it.")
    drawn: IntArray = rng.choice(teeth, size=size, p=rng.dirichlet(np.ones(teeth.size)))
    return drawn
