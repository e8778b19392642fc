"""Likelihood of levels that stand on the teeth of a comb, at the nodes of its posterior."""

from __future__ import annotations

import dataclasses

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.window import log_unit_excess
from quantize.model.posterior import Posterior
from quantize.null.sample import Sample

WIDEST = 0.30
"""Combs with a larger spread (sigma over unit) cannot be told from a continuum and are left out."""
_MOST_NODES = 4000
_NEGLIGIBLE = 12.0
_LOG_2PI = float(np.log(2 * np.pi))


@dataclasses.dataclass(frozen=True)
class Teeth:
    """The comb at the nodes that count.

    Attributes
    ----------
    unit, offset : arrays, shape (K,)
        A free offset is the tooth nearest the middle of the readings.
    integers : array, shape (K, n)
        Nearest teeth of the sample's items.
    noise : array, shape (K,)
        Which node of noise each belongs to.
    log_likelihood : array, shape (K,)
        Log of the prior mass of the node times the density of the levels, each free to take any
        tooth: the occupancy is not yet in it.
    log_nearest : array, shape (K,)
        The same with every item on its nearest tooth. The nulls with levels leave out groups that
        interleave, so they are compared with this one.
    """

    unit: FloatArray
    offset: FloatArray
    integers: IntArray
    noise: IntArray
    log_likelihood: FloatArray
    log_nearest: FloatArray


def comb_at_nodes(found: Posterior, sample: Sample, high: float) -> Teeth:
    """The comb of a model without outliers or envelope, at units up to `high`.

    The likelihood of the posterior has the number of teeth in the span of the readings in it
    (`quantize.comb.window`); here the occupancy takes its place.
    """
    typical = np.sqrt(np.median(sample.variance / sample.weight_of_one, axis=1))
    points = found.likeliest(_MOST_NODES, within=_NEGLIGIBLE, least=typical / WIDEST, largest=high)
    p, noise, log_mass = points.parameters, points.noise, points.log_mass
    n, likelihood = sample.levels.size, found.likelihood
    span = likelihood.envelope.span
    excess = log_unit_excess(p.unit, likelihood.blur_in_units(p), span, n)
    log_density = log_mass + n * (excess + np.log(span / p.unit))
    offset = p.offset - sample.base
    if found.prior.free and np.all(sample.lever == 1):
        # A free offset is known best among the readings: teeth are counted from there.
        offset += p.unit * np.rint((sample.levels.mean() - offset) / p.unit)
    from_offset = sample.values - offset[:, None] * sample.lever
    whole = np.rint(from_offset / p.unit[:, None])
    away = np.square(from_offset - p.unit[:, None] * whole)
    variance = sample.variance[noise]
    nearest = -0.5 * np.sum(away / variance + np.log(variance) + _LOG_2PI, axis=1)
    nearest += points.log_prior + sample.log_within[noise] + sample.log_merged[noise]
    return Teeth(
        unit=p.unit,
        offset=offset,
        integers=whole.astype(np.int64),
        noise=noise,
        log_likelihood=log_density,
        log_nearest=nearest,
    )
