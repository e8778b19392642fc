"""Priors: a number, a pair that means log-uniform, or a frozen distribution of scipy.stats.

With them stand the rules to integrate by: Gauss–Legendre in the probability below, and even
lattices of midpoints.
"""

from __future__ import annotations

import dataclasses
import functools
from typing import Any, Protocol

import numpy as np
from numpy.polynomial.legendre import leggauss

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray

_PANEL_NODES = 8
_QUARTILES = 1.34898  # between those of a standard normal law
_TAIL = 1e-9


class Distribution(Protocol):
    """A frozen continuous distribution of ``scipy.stats``."""

    def ppf(self, q: Any) -> Any:
        """Quantiles."""

    def cdf(self, x: Any) -> Any:
        """Probability below."""

    def pdf(self, x: Any) -> Any:
        """Density."""

    def logpdf(self, x: Any) -> Any:
        """Log density."""

    def rvs(self, size: Any = 1, random_state: Any = None) -> Any:
        """Draws."""


def is_distribution(value: Any) -> bool:
    """Whether `value` is a frozen distribution."""
    return hasattr(value, "ppf") and hasattr(value, "logpdf") and hasattr(value, "rvs")


@dataclasses.dataclass(frozen=True)
class LogUniform:
    """Uniform in the logarithm from `low` to `high`: what is asked of that of ``scipy.stats``.

    To load those takes longer than most analyses.
    """

    low: float
    high: float

    def ppf(self, q: Any) -> FloatArray:
        """Quantiles."""
        low, high = np.log(self.low), np.log(self.high)
        return np.asarray(np.exp(low + np.asarray(q) * (high - low)))

    def logpdf(self, x: FloatArray) -> FloatArray:
        """Log density."""
        inside = (self.low <= x) & (x <= self.high)
        density = -np.log(np.where(inside, x, self.low)) - np.log(np.log(self.high / self.low))
        return np.where(inside, density, -np.inf)

    def rvs(self, size: int, random_state: np.random.Generator) -> FloatArray:
        """Draws."""
        return self.ppf(random_state.uniform(size=size))


def beta(a: float, b: float) -> Any:
    """Beta distribution."""
    from scipy import stats

    return stats.beta(a, b)


def student_t(degrees_of_freedom: float, scale: float) -> Any:
    """Student's t about zero; normal where the degrees of freedom are infinite."""
    from scipy import stats

    if np.isinf(degrees_of_freedom):
        return stats.norm(0.0, scale)
    return stats.t(degrees_of_freedom, 0.0, scale)


def positive_prior(name: str, value: Any) -> Any:
    """None, a number above zero, a pair, or a distribution on positive numbers."""
    if value is None:
        return None
    if is_distribution(value):
        if value.ppf(0.5) <= 0:
            raise InputError(
                f"`{name}` has a prior with median {float(value.ppf(0.5)):g}; it must be on "
                "positive numbers, for example scipy.stats.lognorm or scipy.stats.loguniform."
            )
        if not value.ppf(_TAIL) > 0:
            raise InputError(
                f"`{name}` has the prior {text(value)}, which goes below zero; cut it there with "
                "scipy.stats.truncnorm, or take scipy.stats.lognorm or scipy.stats.gamma."
            )
        return value
    return validation.number_or_range(name, value)


def nodes(prior: Any, panels: int = 1) -> tuple[FloatArray, FloatArray]:
    """Quadrature against `prior`: places, ascending, and log weights that add up to one.

    Gauss–Legendre in the probability below, so that any prior is integrated exactly. A pair means
    log-uniform between the two.
    """
    if not is_distribution(prior) and not isinstance(prior, tuple):
        return np.array([float(prior)]), np.zeros(1)
    x, w = leggauss(_PANEL_NODES)
    q = (np.arange(panels)[:, None] + 0.5 * (x + 1)) / panels
    weight = np.broadcast_to(0.5 * w / panels, q.shape)
    if isinstance(prior, tuple):
        low, high = np.log(prior)
        return np.exp(low + q.ravel() * (high - low)), np.log(weight.ravel())
    return np.asarray(prior.ppf(q.ravel()), float), np.log(weight.ravel())


def log_density(prior: Any, value: FloatArray) -> FloatArray:
    """Log density; zero for a number, which takes no part."""
    if not is_distribution(prior):
        return np.zeros(np.shape(value))
    return np.asarray(prior.logpdf(value), float)


def sample(prior: Any, size: int, rng: np.random.Generator) -> FloatArray:
    """`size` draws."""
    if not is_distribution(prior):
        return np.full(size, float(prior))
    return np.asarray(prior.rvs(size=size, random_state=rng), float)


def reach(prior: Any) -> tuple[float, float]:
    """Ends between which all but 2e-9 of the prior lies."""
    if not is_distribution(prior):
        return float(prior), float(prior)
    return float(prior.ppf(_TAIL)), float(prior.ppf(1 - _TAIL))


def spread(prior: Any) -> float:
    """Standard deviation of a distribution, or that of a normal one with its quartiles.

    The smaller of the two: heavy tails, which may leave no standard deviation, have a narrow core.
    """
    quartiles = float(prior.ppf(0.75) - prior.ppf(0.25))
    return float(np.fmin(prior.std(), quartiles / _QUARTILES))


def text(value: Any) -> str:
    """A prior in a few words."""
    if is_distribution(value):
        shown = ", ".join(
            [f"{x:g}" for x in value.args] + [f"{k}={x:g}" for k, x in value.kwds.items()]
        )
        return f"{value.dist.name}({shown})"
    if isinstance(value, tuple):
        return f"({', '.join(text(item) for item in value)})"
    if value is None:
        return "None"
    return value if isinstance(value, str) else f"{value:g}"


def described(value: Any) -> Any:
    """JSON-ready form."""
    if is_distribution(value):
        return {
            "distribution": value.dist.name,
            "args": [float(x) for x in value.args],
            "kwds": {k: float(x) for k, x in value.kwds.items()},
        }
    if isinstance(value, dict):
        return {k: described(v) for k, v in value.items()}
    if isinstance(value, tuple):
        return [described(item) for item in value]
    return value


def log_edge_weights(index: IntArray, size: int) -> FloatArray:
    """Log weight of each midpoint of an even lattice: zero but near its ends (`edge_weights`)."""
    edge = edge_weights(size)
    log_weight = np.zeros(index.size)
    for place in (index, size - 1 - index):
        near = place < edge.size
        log_weight[near] += np.log(edge[place[near]])
    return log_weight


@functools.cache
def edge_weights(size: int) -> FloatArray:
    """Corrections to the first weights of a midpoint lattice, exact for cubics at the end."""
    order = 4
    if size < 2 * order:
        return np.ones(0)
    # ∫_0^order minus what the even weights give, for the powers 0 … order−1 about the end.
    t = np.arange(order) + 0.5
    powers = np.vander(t, order, increasing=True).T
    # The excess of the integral over the lattice sum, from the Euler–Maclaurin series at one end.
    end = np.array([0.0, -1 / 24, 0.0, 7 / 960])
    delta: FloatArray = np.linalg.solve(powers, end)
    return 1 + delta
