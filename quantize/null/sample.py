"""The sorted levels of a sample, and the comb on them, at the nodes of its posterior.

Every hypothesis (comb, levels anywhere, sizes of any kind) is evaluated under the same nodes of
noise, those of the posterior. A node is a sigma and a growth; it gives each level mean a variance,
and the readings within the states a likelihood.
"""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

import numpy as np

from quantize._support.results import taken
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.window import log_unit_excess
from quantize.levels import Levels
from quantize.model.noise import POWERS, grown_variance
from quantize.model.posterior import Posterior
from quantize.null.choices import BLURRED
from quantize.null.partitions import LOG_2PI
from quantize.readings import Readings

MOST_ITEMS = 200
"""More levels than this are merged with their neighbours before groups are formed of them."""
_MOST_NODES = 4000
"""Nodes of the posterior at which the comb is evaluated, at most ..."""
_NEGLIGIBLE_NODE = 12.0
"""... and those whose log mass is this far below the largest are left out."""
_NEGLIGIBLE_NOISE = 15.0
"""Nodes of noise whose log evidence is this far below the largest are left out."""
_PART = 2_000_000
"""Variances that are worked out at a time."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Sample:
    """Sorted levels, or merged neighbours of them, with their variances at every node of noise.

    `values` (n,) are means of `count` levels each, with `variance` (S, n) as if these stood on one
    place; `lever` (n,) says by how many times the offset each is moved. Of each node there are
    the log prior mass, and the log likelihoods (S,) of the readings about the means of their
    states and of the levels about the means that they were merged into; the last belongs to
    hypotheses in which neighbours share a place. `levels` (N,) are all, sorted, none merged. The
    known offset `base` is subtracted from values and levels.
    """

    values: FloatArray
    count: IntArray
    variance: FloatArray
    log_prior: FloatArray
    log_within: FloatArray
    log_merged: FloatArray
    levels: FloatArray
    lever: FloatArray
    base: float

    @property
    def levers(self) -> FloatArray:
        """Those of all levels, (N,); of levels that are merged, their mean."""
        return np.repeat(self.lever, self.count)

    @property
    def sigma(self) -> FloatArray:
        """Typical deviation of a level at each node of noise."""
        return np.asarray(np.sqrt(np.median(self.variance * self.count, axis=1)))

    @functools.cached_property
    def least_sigma(self) -> float:
        """Smallest typical deviation of a level."""
        return float(self.sigma.min())

    @property
    def log_weight(self) -> FloatArray:
        """Log weight of each node for hypotheses in which neighbours may share a place."""
        return self.log_prior + self.log_within + self.log_merged

    @property
    def log_evidence_of_noise(self) -> float:
        """Log evidence of the readings about their states, all that sizes of any kind know."""
        return float(np.logaddexp.reduce(self.log_prior + self.log_within))

    def of_nodes(self) -> dict[str, Any]:
        """What there is of each node of noise."""
        return taken(self, "variance", "log_prior", "log_within", "log_merged")

    def at_nodes(self, which: BoolArray) -> Sample:
        """Some of the nodes of noise."""
        each = {name: of_all[which] for name, of_all in self.of_nodes().items()}
        return dataclasses.replace(self, **each)

    def rearranged(self, order: IntArray, values: FloatArray) -> Sample:
        """The items in another order and at other values; `levels` stay as they are."""
        return dataclasses.replace(
            self,
            values=values,
            count=self.count[order],
            variance=self.variance[:, order],
            lever=self.lever[order],
        )


def sample_of(found: Posterior) -> Sample:
    """The levels of a posterior's readings under its model."""
    data = found.readings.select(found.readings.measured)
    prior = found.prior
    levels = data.levels()
    base = prior.offset if isinstance(prior.offset, float) else 0.0
    lever = levers_of(data)
    # Equal ones in an order of their own, whatever that of the readings, turned with their sign.
    upper = np.where(levels.mean < levels.mean.mean(), -1, 1)
    order = np.lexsort((upper * lever, upper * levels.factor, levels.mean))
    log_prior = found.log_noise_prior
    parts = []
    for nodes in np.array_split(np.arange(log_prior.size), log_prior.size * len(data) // _PART + 1):
        variance, log_within = _level_variances(data, levels, found, nodes)
        part = Sample(
            values=levels.mean[order] - base,
            count=np.ones(order.size, dtype=np.int64),
            variance=variance[:, order],
            log_prior=log_prior[nodes],
            log_within=log_within,
            log_merged=np.zeros(nodes.size),
            levels=levels.mean[order] - base,
            lever=lever[order],
            base=base,
        )
        parts.append(part if order.size <= MOST_ITEMS else merged(part, MOST_ITEMS))
    each = [part.of_nodes() for part in parts]
    every: dict[str, Any] = {name: np.concatenate([one[name] for one in each]) for name in each[0]}
    return dataclasses.replace(parts[0], **every)


def levers_of(data: Readings) -> FloatArray:
    """By how many times the offset each level is moved."""
    return data.levels().averages(np.ones(len(data)) if data.shift is None else data.shift.lever)


def rounding_variance(data: Readings) -> FloatArray:
    """Variance of the rounding of each reading; zero where none was rounded."""
    step = np.zeros(len(data)) if data.steps is None else data.steps
    return np.square(step) * (1 if data.ends is None else data.ends) / 12


def _level_variances(
    data: Readings, levels: Levels, found: Posterior, nodes: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Variance of each level mean (S, J), and log likelihood of the readings about them (S,).

    At some nodes of the noise.
    """
    # Within a state the readings x_i, of variances v_i about a common level, have the density
    # ∏ N(x_i) = N(mean; F) · ∏(2πv_i)^-1/2 · (2πF)^1/2 · exp(−Σ(x_i − mean)²/2v_i), F = 1/Σ(1/v_i).
    scale = data.scale
    size = levels.mean[levels.index]
    deviation = np.square(data.values - size)
    sigma, growth = found.noise.sigma[nodes], found.noise.growth[nodes]
    power = POWERS[found.model.noise]
    rounding = rounding_variance(data) if found.likelihood.rounding else 0.0
    order = np.argsort(levels.index, kind="stable")
    constant = np.square(sigma[:, None] * scale[order])
    v = grown_variance(constant, growth[:, None], size[order], power)
    v = v + (rounding if isinstance(rounding, float) else rounding[order])
    if not levels.degrees:
        return v, np.zeros(sigma.size)
    starts = np.searchsorted(levels.index[order], np.arange(levels.mean.size))
    out = 1 / np.add.reduceat(1 / v, starts, axis=1)
    log_within = np.sum(np.log(out), axis=1) - np.sum(np.log(v), axis=1)
    log_within -= levels.degrees * LOG_2PI + np.sum(deviation[order] / v, axis=1)
    return out, 0.5 * log_within


def merged(sample: Sample, most: int) -> Sample:
    """At most so many items, each of neighbours as near each other as can be.

    A new item begins where the next level is farther from the item's first than a length, which is
    the smallest that gives few enough. They are counted from the end that is nearer the mean, so
    that a sample turned about zero has the same.
    """
    x = sample.values
    turned = x.mean() > 0.5 * (x[0] + x[-1])
    along = -x[::-1] if turned else x
    low, high = 0.0, float(np.ptp(x))
    starts = np.zeros(1, dtype=np.int64)
    for _ in range(40):
        middle = 0.5 * (low + high)
        found = _starts(along, middle)
        if found.size > most:
            low = middle
        else:
            high, starts = middle, found
    starts = np.r_[0, x.size - starts[:0:-1]] if turned else starts
    size, count = np.diff(np.r_[starts, x.size]), np.add.reduceat(sample.count, starts)
    weight = 1 / sample.variance
    total = np.add.reduceat(weight, starts, axis=1)
    mean = np.add.reduceat(x * sample.count, starts) / count
    deviation = np.square(x - np.repeat(mean, size))
    merged_log = 0.5 * (np.sum(-np.log(total), axis=1) + np.sum(np.log(weight), axis=1))
    merged_log -= 0.5 * ((x.size - starts.size) * LOG_2PI + np.sum(weight * deviation, axis=1))
    return dataclasses.replace(
        sample,
        values=mean,
        count=count,
        variance=1 / total,
        log_merged=sample.log_merged + merged_log,
        lever=np.add.reduceat(sample.lever * sample.count, starts) / count,
    )


def _starts(x: FloatArray, length: float) -> IntArray:
    """Where items begin that are nowhere longer than `length`."""
    out, at = [0], 0
    while True:
        at = int(np.searchsorted(x, x[at] + length, side="right"))
        if at >= x.size:
            return np.array(out)
        out.append(at)


def kept_nodes(log_evidence: FloatArray) -> BoolArray:
    """Nodes of noise that may count: near enough to the best."""
    return np.asarray(log_evidence > log_evidence.max() - _NEGLIGIBLE_NOISE)


@dataclasses.dataclass(frozen=True)
class Teeth:
    """The comb at the nodes that count: unit, offset and which node of noise, shape (K,).

    `integers` (K, n) are the nearest teeth of the sample's items, from a free offset near the
    middle of the readings. `log_likelihood` is the log prior mass of the node and the density of
    the levels, each free to take any tooth: the occupancy is not yet in it.
    """

    unit: FloatArray
    offset: FloatArray
    integers: IntArray
    noise: IntArray
    log_likelihood: FloatArray


def comb_at_nodes(found: Posterior, sample: Sample, high: float) -> Teeth:
    """The comb of a model without outliers or envelope, at units up to `high`.

    The likelihood of the posterior has the number of teeth in the span of the readings in it
    (`quantize.comb.window`); here the occupancy takes its place.
    """
    p, noise, log_mass = found.likeliest(
        _MOST_NODES, within=_NEGLIGIBLE_NODE, least=sample.sigma / BLURRED, largest=high
    )
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
    return Teeth(
        unit=p.unit,
        offset=offset,
        integers=whole.astype(np.int64),
        noise=noise,
        log_likelihood=log_density,
    )
