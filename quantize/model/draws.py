"""Draws: parameters from the posterior, the same readings again, new readings from a model."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.comb.sums import blocks
from quantize.comb.unit_range import UnitRange
from quantize.model.bias import UnitBias
from quantize.model.envelope import Envelope, envelope_of
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.model import MixtureModel
from quantize.model.nodes import Nodes
from quantize.model.noise import POWERS, grown_variance
from quantize.model.priors import ParameterPriors, priors_of
from quantize.readings import Readings

_STEPS = 25
_TOGETHER = 0.6
_LOG_GROWTH = 0.4
_PART = 200
_NO_STEP = 1e-12


def draw(
    likelihood: Likelihood,
    prior: ParameterPriors,
    nodes: Nodes,
    size: int,
    rng: np.random.Generator,
) -> FloatArray:
    """`size` independent draws in the coordinates of `prior`, shape (size, d).

    Nodes are drawn by their share. Each then takes twenty-five steps of Metropolis' rule under the
    exact posterior, their sizes matched to the width of the mode, which takes the lattice out.
    """
    share = nodes.share / nodes.share.sum()
    pick = rng.choice(share.size, size=size, p=share)
    scale = _scales(prior, nodes, pick, likelihood.x.size)
    theta = at_nodes(prior, nodes, pick, nodes.log_unit)
    here = log_posterior(likelihood, prior, theta)
    for _ in range(_STEPS):
        # Some of the coordinates at a time, so that most moves are taken.
        some = rng.random(theta.shape) < _TOGETHER
        moved = theta + 1.5 * scale * some * rng.normal(size=theta.shape)
        there = log_posterior(likelihood, prior, moved)
        accept = np.log(rng.random(size)) < there - here
        theta[accept], here[accept] = moved[accept], there[accept]
    return UnitBias(likelihood, prior).taken_off(theta)


def log_posterior(likelihood: Likelihood, prior: ParameterPriors, theta: FloatArray) -> FloatArray:
    """Log prior plus log likelihood at coordinates `theta` (m, d); −inf outside the support."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        p = prior.parameters(theta)
        value = prior.log_density(p)
    value = np.where(np.isnan(value), -np.inf, value)
    inside = np.flatnonzero(np.isfinite(value))
    if inside.size:
        value[inside] += likelihood.log_likelihood(p.rows(inside))
    return value


def at_nodes(
    prior: ParameterPriors, nodes: Nodes, pick: IntArray, log_unit: FloatArray
) -> FloatArray:
    """Coordinates of some nodes; `log_unit` are those of all nodes, the bias in them or not."""
    noise = nodes.index[pick]
    column = {
        "log_unit": log_unit[pick],
        "log_sigma": np.log(nodes.noise.sigma[noise]),
        "phase": nodes.shift[pick],
        "offset": nodes.shift[pick],
        "outliers": nodes.noise.outliers[noise],
    }
    if "log_growth" in prior.names:
        column["log_growth"] = np.log(nodes.noise.growth[noise])
    return np.column_stack([column[name] for name in prior.names])


def _scales(prior: ParameterPriors, nodes: Nodes, pick: IntArray, n: int) -> FloatArray:
    """About one posterior standard deviation in each coordinate: a cell is a part of one."""
    w = nodes.noise.outliers[nodes.index[pick]]
    column = {
        "log_unit": 2 * nodes.cell[pick],
        "log_sigma": np.full(pick.size, max(1 / np.sqrt(2 * n), 0.02)),
        "phase": 2 * nodes.shift_cell[pick],
        "offset": 2 * nodes.shift_cell[pick],
        "outliers": np.sqrt(w * (1 - w) / n) + 0.01,
        "log_growth": np.full(pick.size, _LOG_GROWTH),
    }
    return np.column_stack([column[name] for name in prior.names])


def predict(
    likelihood: Likelihood,
    p: Parameters,
    rng: np.random.Generator,
    *,
    integers: FloatArray | None = None,
) -> FloatArray:
    """One replicated sample for each set of parameters, shape (m, n).

    The whole number of each state is given, or drawn from its probabilities given the readings and
    the parameters; errors, outliers and rounding are drawn anew (Gelman et al., *Bayesian Data
    Analysis*, 3rd ed. 2013, section 6.3).
    """
    parts = blocks(p.unit.size, _PART)
    given = [None if integers is None else integers[part] for part in parts]
    return np.concatenate(
        [_predict(likelihood, p.rows(part), k, rng) for part, k in zip(parts, given, strict=True)]
    )


def _predict(
    terms: Likelihood, p: Parameters, k: FloatArray | None, rng: np.random.Generator
) -> FloatArray:
    if k is None:
        k = terms.draw_integers(p, rng).astype(np.float64)
    mean = (p.unit[:, None] * k)[:, terms.of_reading] + p.offset[:, None] * terms.lever
    constant = np.square(p.sigma[:, None] * terms.scale)
    sd = np.sqrt(grown_variance(constant, p.growth[:, None], mean, terms.power))
    kinds = terms.kinds
    if (i := kinds.is_changed).size:
        mean[:, i] += p.unit[:, None] * rng.uniform(-1, 1, (p.unit.size, i.size))
    x, _ = _with_errors(mean, sd, p.outliers[:, None], terms.envelope.limits, rng)
    i = np.flatnonzero(terms.step > 0)
    x[:, i] = _rounded(x[:, i], terms.step[i], np.isin(i, kinds.is_rounded_twice), rng)
    out = np.empty(x.shape)
    out[:, terms.order] = x
    return out


def _rounded(
    x: FloatArray, step: FloatArray | float, twice: BoolArray | bool, rng: np.random.Generator
) -> FloatArray:
    """Distances read to a step; `twice` where both of their ends were, which may stand anywhere."""
    start = step * rng.random(x.shape) * twice if np.any(twice) else np.zeros(x.shape)
    return step * (np.rint((x + start) / step) - np.rint(start / step))


def _with_errors(
    mean: FloatArray,
    sd: FloatArray,
    outliers: FloatArray,
    window: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[FloatArray, BoolArray]:
    """Readings about `mean`, and which of them are outliers: a share of them, anywhere."""
    x = mean + sd * rng.normal(size=mean.shape)
    stray = rng.random(mean.shape) < outliers
    x[stray] = rng.uniform(*window, size=int(stray.sum()))
    return x, stray


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class DrawnSample:
    """Readings and the truth behind them."""

    readings: Readings
    parameters: Parameters
    integers: IntArray
    outlier: BoolArray


def draw_sample(
    model: MixtureModel,
    unit_range: tuple[float, float],
    rng: np.random.Generator,
    *,
    states: int,
    repeats: int = 1,
    sigma: Any = None,
    resolution: float | None = None,
    ends: int = 1,
) -> DrawnSample:
    """A sample of `states` charge states, each read `repeats` times, with the truth behind it.

    `model` must say where readings can lie: a window, a range of integers or a distribution. With
    `sigma`, one for each reading, that of the model is the common factor. Readings are rounded to
    `resolution`; `ends` (1 or 2) says at how many ends of the distance they are read.
    """
    tried = UnitRange.given(unit_range)
    n = states * repeats
    prior = priors_of(model, tried, _stand_in(model, tried, sigma, resolution))
    p = prior.draw(1, rng)
    unit, offset = float(p.unit[0]), float(p.offset[0])
    envelope = envelope_of(model, None)
    if isinstance(model.envelope, str) and model.envelope == "levels":
        teeth = envelope.teeth(unit, offset)
        if teeth.size == 0:
            raise InputError("`window` holds no tooth; widen it.")
        k = rng.choice(teeth, size=states, p=rng.dirichlet(np.ones(teeth.size)))
    else:
        k = envelope.draw(unit, offset, states, rng)
    k = np.repeat(k, repeats)
    mean = np.asarray(offset + unit * k, float)
    scale = np.ones(n) if sigma is None else np.broadcast_to(np.asarray(sigma, float), (n,))
    constant = np.asarray(np.square(p.sigma[0] * scale), float)
    sd = np.sqrt(grown_variance(constant, p.growth, mean, POWERS[model.noise]))
    x, outlier = _with_errors(mean, sd, p.outliers, _sizes(envelope, unit, offset), rng)
    if resolution is not None:
        x = _rounded(x, resolution, ends == 2, rng)
    readings = Readings(
        x,
        sigma=sigma,
        state=np.repeat(np.arange(states), repeats) if repeats > 1 else None,
        resolution=resolution,
        ends=ends if ends == 2 else None,
    )
    return DrawnSample(readings=readings, parameters=p, integers=k, outlier=outlier)


def _stand_in(
    model: MixtureModel, tried: UnitRange, sigma: Any, resolution: float | None
) -> Readings:
    """Readings at the ends of the envelope, for the priors that depend on how far they reach.

    No step but the one asked for: the decimals of the ends are none of a record.
    """
    ends = np.array(_sizes(envelope_of(model, None), tried.high, 0.0))
    step = resolution or _NO_STEP * float(np.ptp(ends))
    return Readings(ends, sigma=None if sigma is None else np.ones(2), resolution=step)


def _sizes(envelope: Envelope, unit: float, offset: float) -> tuple[float, float]:
    """Ends of the sizes: those declared, or else of the whole numbers that occur."""
    if envelope.declared or envelope.density is not None:
        return envelope.limits
    return offset + unit * envelope.low, offset + unit * envelope.high
