"""Least squares: inputs under exact conditions, and one constant from correlated values.

Inputs are moved as little as their uncertainties allow until they fulfil the conditions:
W. E. Deming, *Statistical Adjustment of Data*, Wiley, 1943.
"""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np

from quantize._support.validation import FloatArray
from quantize.charge.propagation import Model, correlation_matrix
from quantize.charge.quantity import Quantity

EXACT = 1e-6  # relative standard deviation below which no difference can be judged
_MOST_STEPS = 30
_SETTLED = 1e-9  # of a log; slopes by differences leave steps of 1e-11, which never end
_LOG_STEP = 1e-5
_FARTHEST = 1e3  # spread between runs, in the largest of their errors
_OUTSIDE = 40.0  # standard deviations beyond which a normal law holds nothing


@dataclasses.dataclass(frozen=True)
class Formulas:
    """Formulas of shared inputs as functions of how far the inputs are from the stated ones.

    `deviation` counts ln(input / stated) for inputs above zero, the plain difference for others.
    """

    models: tuple[Model, ...]
    places: tuple[tuple[int, ...], ...]
    inputs: dict[str, Quantity]
    correlations: dict[tuple[str, str], float]

    @functools.cached_property
    def stated(self) -> FloatArray:
        """Values as stated."""
        return np.array([q.value for q in self.inputs.values()])

    @functools.cached_property
    def spread(self) -> FloatArray:
        """Standard deviations of the deviations."""
        errors = np.array([q.standard_uncertainty for q in self.inputs.values()])
        return errors / np.where(self.stated > 0, self.stated, 1.0)

    @functools.cached_property
    def correlation(self) -> FloatArray:
        """The matrix of coefficients."""
        return correlation_matrix(list(self.inputs), self.correlations)

    def covariance(self, widening: FloatArray | float = 1.0) -> FloatArray:
        """Of the deviations, their standard deviations `widening` times as large."""
        return scaled(self.correlation, widening * self.spread)

    def moved(self, deviation: FloatArray) -> FloatArray:
        """The inputs, the last axis of `deviation` running over them."""
        positive = self.stated > 0
        above = np.exp(np.where(positive, deviation, 0.0))
        return np.where(positive, self.stated * above, self.stated + deviation)

    def logs(self, deviation: FloatArray) -> FloatArray:
        """Logs of all formulas, shape (formulas, ...)."""
        x = self.moved(deviation)
        size = deviation.shape[:-1]
        values = [
            np.broadcast_to(model(*(x[..., i] for i in place)), size)
            for model, place in zip(self.models, self.places, strict=True)
        ]
        return np.asarray(np.log(values))

    def linear(self, deviation: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Logs of the formulas at a deviation, and their slopes by central differences."""
        # Large enough that the last digits of logs near −40 do not show in the slope.
        step = np.where(self.stated > 0, _LOG_STEP, 1e-3 * self.spread)
        step = np.where(step > 0, step, np.maximum(1e-5 * np.abs(self.stated), 1e-6))
        around = np.stack([deviation + np.diag(step), deviation - np.diag(step)])
        above, below = np.moveaxis(self.logs(around), 1, 0)
        return self.logs(deviation), (above - below) / (2 * step)


@dataclasses.dataclass(frozen=True)
class Adjusted:
    """Inputs that fulfil the conditions, and the conditions linearised there.

    `slopes` are those of the conditions, `precision` the inverse covariance of their misclosures,
    `misclosure` what the stated inputs leave of the conditions.
    """

    deviation: FloatArray
    logs: FloatArray
    formula_slopes: FloatArray
    covariance: FloatArray
    slopes: FloatArray
    precision: FloatArray
    misclosure: FloatArray

    @property
    def gain(self) -> FloatArray:
        """By how much each input follows each misclosure."""
        return self.covariance @ self.slopes.T @ self.precision

    @property
    def posterior(self) -> FloatArray:
        """Covariance of the deviations given the conditions."""
        return self.covariance - self.gain @ self.slopes @ self.covariance

    @property
    def square(self) -> float:
        """Chi-square: of the misclosures, and so of the deviations."""
        return float(self.misclosure @ self.precision @ self.misclosure)


@dataclasses.dataclass(frozen=True)
class Joint:
    """Formulas, what is compared of their logs, and the cases adjusted, with probabilities."""

    formulas: Formulas
    contrasts: FloatArray
    cases: tuple[tuple[float, Adjusted], ...]


def scaled(correlation: FloatArray, spread: FloatArray) -> FloatArray:
    """A covariance from correlations and standard deviations."""
    return np.asarray(correlation * np.outer(spread, spread))


def adjusted(formulas: Formulas, contrasts: FloatArray, covariance: FloatArray) -> Adjusted:
    """Gauss and Newton's steps from the stated inputs; the first of them where they get lost."""
    at = np.zeros(len(formulas.inputs))
    tiny = np.eye(len(contrasts)) * EXACT**2
    found: list[Adjusted] = []
    for _ in range(_MOST_STEPS):
        with np.errstate(all="ignore"):
            logs, slopes = formulas.linear(at)
        if found and not (np.isfinite(logs).all() and np.isfinite(slopes).all()):
            return found[0]
        a: FloatArray = contrasts @ slopes
        precision = np.asarray(np.linalg.inv(a @ covariance @ a.T + tiny), dtype=np.float64)
        misclosure: FloatArray = contrasts @ logs - a @ at
        before, at = at, -covariance @ a.T @ precision @ misclosure
        found.append(Adjusted(at, logs, slopes, covariance, a, precision, misclosure))
        if np.max(np.abs(at - before), initial=0.0) < _SETTLED:
            return found[-1]
    return found[0]


@dataclasses.dataclass(frozen=True)
class Constant:
    """A constant by generalised least squares, with the chi-square of the values about it."""

    value: float
    standard_uncertainty: float
    weights: FloatArray
    chi_square: float


def constant(y: FloatArray, covariance: FloatArray) -> Constant:
    """The constant nearest to values `y` of that covariance."""
    solved = np.linalg.solve(covariance, np.ones(y.size))
    total = float(solved.sum())
    weights = np.asarray(solved / total, dtype=np.float64)
    value = float(weights @ y)
    square = float((y - value) @ np.linalg.solve(covariance, y - value))
    return Constant(value, 1 / math.sqrt(total), weights, square)


def each_left_out(y: FloatArray, covariance: FloatArray) -> FloatArray:
    """The constant without each of the values in turn."""
    others = ~np.eye(y.size, dtype=bool)
    return np.array([constant(y[k], covariance[np.ix_(k, k)]).value for k in others])


def covariance_of(own: FloatArray, slopes: FloatArray) -> FloatArray:
    """Of values with errors of their own and slopes on shared inputs of unit variance."""
    return np.asarray(np.diag(own**2) + slopes @ slopes.T)


def homogeneity(square: float, degrees: int) -> dict[str, float]:
    """A chi-square about one unit, with its p-value."""
    from scipy.stats import chi2

    p = float(chi2.sf(square, degrees))
    return {"chi_square": square, "degrees_of_freedom": float(degrees), "p_value": p}


def paule_mandel(y: FloatArray, covariance: FloatArray) -> float:
    r"""Standard deviation :math:`\tau` between values `y`, on top of their stated covariance.

    At it the chi-square about the weighted mean is n - 1; zero where it is smaller without any.
    """
    from scipy.optimize import brentq

    def beyond(tau: float) -> float:
        return constant(y, covariance + tau**2 * np.eye(y.size)).chi_square - (y.size - 1)

    if beyond(0.0) <= 0:
        return 0.0
    largest = _FARTHEST * (float(np.ptp(y)) + math.sqrt(float(np.diag(covariance).max())))
    return float(brentq(beyond, 0.0, largest))


def mixture_quantile(
    below: float, share: FloatArray, centre: FloatArray, deviation: FloatArray
) -> float:
    """Where the probability `below` lies under it, of normal laws with these shares."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    def beyond(y: float) -> float:
        return float(share @ ndtr((y - centre) / deviation)) - below

    low, high = (centre - _OUTSIDE * deviation).min(), (centre + _OUTSIDE * deviation).max()
    return float(brentq(beyond, low, high))
