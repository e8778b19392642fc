"""Readings that the same charge states would give again, for a posterior-predictive check."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray
from quantize.comb.model.likelihood import PageLikelihood, Parameters

_PART = 200


def predict(page: PageLikelihood, p: Parameters, rng: np.random.Generator) -> FloatArray:
    """One replicated page for each set of parameters, shape (m, n).

    The whole number of each state is drawn from its probabilities given the readings and the
    parameters; errors, outliers and rounding are drawn anew (Gelman et al., *Bayesian Data
    Analysis*, 3rd ed. 2013, section 6.3).
    """
    size = p.unit.size
    parts = [p.rows(slice(i, i + _PART)) for i in range(0, size, _PART)]
    return np.concatenate([_predict(page, part, rng) for part in parts])


def _predict(page: PageLikelihood, p: Parameters, rng: np.random.Generator) -> FloatArray:
    teeth, probability = page.teeth(p)
    running = np.cumsum(probability, axis=2)
    chance = rng.random(running.shape[:2])[:, :, None] * running[:, :, -1:]
    place = np.minimum(np.sum(running < chance, axis=2), teeth.shape[2] - 1)
    k = np.take_along_axis(teeth, place[:, :, None], axis=2)[:, :, 0]
    mean = (p.offset[:, None] + p.unit[:, None] * k)[:, page.of_reading]
    grown = np.square(p.growth)[:, None] * np.abs(mean) ** page.power if page.power else 0.0
    sd = np.sqrt(np.square(p.sigma[:, None] * page.scale) + grown)
    x = mean + sd * rng.normal(size=mean.shape)
    stray = rng.random(mean.shape) < p.outliers[:, None]
    x[stray] = rng.uniform(page.envelope.low, page.envelope.high, size=int(stray.sum()))
    step = np.where(page.step > 0, page.step, 1.0)
    out = np.empty(x.shape)
    out[:, page.order] = np.where(page.step > 0, step * np.rint(x / step), x)
    return out
