"""Independent draws from the posterior, and of readings that might be taken again."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.model.likelihood import Likelihood, Parameters
from quantize.model.nodes import Nodes
from quantize.model.noise import grown_variance
from quantize.model.priors import ParameterPriors

_STEPS = 25
_TOGETHER = 0.6
_LOG_GROWTH = 0.4
_PART = 200


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
    theta = at_nodes(prior, nodes, pick)
    here = log_posterior(likelihood, prior, theta)
    for _ in range(_STEPS):
        # Some of the coordinates at a time, so that most moves are taken.
        some = rng.random(theta.shape) < _TOGETHER
        moved = theta + 1.5 * scale * some * rng.normal(size=theta.shape)
        there = log_posterior(likelihood, prior, moved)
        accept = np.log(rng.random(size)) < there - here
        theta[accept], here[accept] = moved[accept], there[accept]
    return theta


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


def at_nodes(prior: ParameterPriors, nodes: Nodes, pick: IntArray) -> FloatArray:
    """Coordinates of some nodes."""
    common = nodes.index[pick]
    column = {
        "log_unit": nodes.log_unit[pick],
        "log_sigma": np.log(nodes.common.sigma[common]),
        "phase": nodes.shift[pick],
        "offset": nodes.shift[pick],
        "outliers": nodes.common.outliers[common],
    }
    if "log_growth" in prior.names:
        column["log_growth"] = np.log(nodes.common.growth[common])
    return np.column_stack([column[name] for name in prior.names])


def _scales(prior: ParameterPriors, nodes: Nodes, pick: IntArray, n: int) -> FloatArray:
    """About one posterior standard deviation in each coordinate: a cell is a part of one."""
    w = nodes.common.outliers[nodes.index[pick]]
    column = {
        "log_unit": 2 * nodes.cell[pick],
        "log_sigma": np.full(pick.size, max(1 / np.sqrt(2 * n), 0.02)),
        "phase": 2 * nodes.shift_cell[pick],
        "offset": 2 * nodes.shift_cell[pick],
        "outliers": np.sqrt(w * (1 - w) / n) + 0.01,
        "log_growth": np.full(pick.size, _LOG_GROWTH),
    }
    return np.column_stack([column[name] for name in prior.names])


def predict(likelihood: Likelihood, p: Parameters, rng: np.random.Generator) -> FloatArray:
    """One replicated sample for each set of parameters, shape (m, n).

    The whole number of each state is drawn from its probabilities given the readings and the
    parameters; errors, outliers and rounding are drawn anew (Gelman et al., *Bayesian Data
    Analysis*, 3rd ed. 2013, section 6.3).
    """
    parts = [p.rows(slice(i, i + _PART)) for i in range(0, p.unit.size, _PART)]
    return np.concatenate([_predict(likelihood, part, rng) for part in parts])


def _predict(terms: Likelihood, p: Parameters, rng: np.random.Generator) -> FloatArray:
    k = terms.draw_integers(p, rng)
    mean = (p.unit[:, None] * k)[:, terms.of_reading] + p.offset[:, None] * terms.lever
    constant = np.square(p.sigma[:, None] * terms.scale)
    sd = np.sqrt(grown_variance(constant, p.growth[:, None], mean, terms.power))
    x = mean + sd * rng.normal(size=mean.shape)
    stray = rng.random(mean.shape) < p.outliers[:, None]
    x[stray] = rng.uniform(terms.envelope.low, terms.envelope.high, size=int(stray.sum()))
    step = np.where(terms.step > 0, terms.step, 1.0)
    out = np.empty(x.shape)
    out[:, terms.order] = np.where(terms.step > 0, step * np.rint(x / step), x)
    return out
