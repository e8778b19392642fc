"""Independent draws from the posterior of the general model."""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray
from quantize.comb.model.likelihood import PageLikelihood
from quantize.comb.model.parameter_priors import ParameterPriors
from quantize.comb.model.search import ModelNodes

_STEPS = 25
_TOGETHER = 0.6
_LOG_GROWTH = 0.4


def draw(
    likelihood: PageLikelihood,
    prior: ParameterPriors,
    nodes: ModelNodes,
    size: int,
    rng: np.random.Generator,
) -> FloatArray:
    """`size` independent draws in the coordinates of `prior`, shape (size, d).

    Nodes are drawn by their share. Each then takes twenty-five steps of Metropolis' rule under the
    exact posterior, their sizes matched to the node's hill, which takes the lattice out.
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


def log_posterior(
    likelihood: PageLikelihood, prior: ParameterPriors, theta: FloatArray
) -> FloatArray:
    """Log prior plus log likelihood at coordinates `theta` (m, d); −inf outside the support."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        p = prior.parameters(theta)
        value = prior.log_density(p)
    value = np.where(np.isnan(value), -np.inf, value)
    inside = np.flatnonzero(np.isfinite(value))
    if inside.size:
        value[inside] += likelihood.log_likelihood(p.rows(inside))
    return value


def at_nodes(prior: ParameterPriors, nodes: ModelNodes, pick: IntArray) -> FloatArray:
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


def _scales(prior: ParameterPriors, nodes: ModelNodes, pick: IntArray, n: int) -> FloatArray:
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
