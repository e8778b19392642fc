"""Linear propagation of uncertainty, with correlations and degrees of freedom (JCGM 100)."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity
from quantize.charge.stated import stated

RANDOM_SCOPES = ("reading", "state")
Model = Callable[..., Any]


class WithInterval:
    """What the results that are a value with a standard uncertainty have in common."""

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Give the interval of the value, with equal tails.

        Parameters
        ----------
        prob : float
            Probability that it holds, between 0 and 1.

        Returns
        -------
        numpy.ndarray, shape (1, 2)
            One row (low, high), in the unit of the value.
        """
        return np.array([self._ends((1 - validation.fraction("prob", prob)) / 2)])

    def _ends(self, tail: float) -> Any:
        """Where the distribution leaves `tail` on either side."""
        raise NotImplementedError


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Propagation(WithInterval, Result):
    """A derived quantity with its budget.

    Attributes
    ----------
    value, standard_uncertainty : float
        What the model gives at the values of its inputs, and its uncertainty.
    degrees_of_freedom : float
        Effective, by Welch and Satterthwaite; infinite where no input came from few repeats.
    unit : str
        SI unit of the value.
    budget : pandas.DataFrame
        One row for each input: input, value, unit, standard_uncertainty, degrees_of_freedom,
        distribution, scope, part, exponent (d ln y / d ln x), slope (dy / dx), contribution (its
        part of the standard uncertainty, in the unit of the value), share (of the variance;
        sums to 1).
    random, systematic : float
        Standard uncertainties from what differs between readings, and from what they share.
    """

    _private: ClassVar[tuple[str, ...]] = ("inputs", "model", "correlations")

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float
    unit: str
    budget: pd.DataFrame
    inputs: dict[str, Quantity]
    correlations: dict[tuple[str, str], float]
    model: Model

    @property
    def random(self) -> float:
        """Standard uncertainty from readings and states."""
        return self._part("random")

    @property
    def systematic(self) -> float:
        """Standard uncertainty from everything shared."""
        return self._part("systematic")

    def _part(self, part: str) -> float:
        share = float(self.budget.loc[self.budget["part"] == part, "share"].sum())
        return self.standard_uncertainty * math.sqrt(max(share, 0.0))

    @property
    def relative_parts(self) -> pd.Series[float]:
        """Contribution of every input to the relative uncertainty, with its sign."""
        signed = self.budget["slope"] * self.budget["standard_uncertainty"]
        return (signed / self.value).set_axis(self.budget["input"])

    def coverage_factor(self, prob: float = 0.95) -> float:
        """Factor from the standard to the expanded uncertainty.

        Student's t for the effective degrees of freedom, rounded down (JCGM 100, G.4.1).

        Parameters
        ----------
        prob : float
            Probability that the interval holds, between 0 and 1.
        """
        from scipy.stats import t

        p = 0.5 + validation.fraction("prob", prob) / 2
        return float(t.ppf(p, max(np.floor(self.degrees_of_freedom), 1)))

    def expanded(self, prob: float = 0.95) -> float:
        """Expanded uncertainty: half the width of an interval about the value.

        Parameters
        ----------
        prob : float
            Probability that the interval holds, between 0 and 1.
        """
        return self.coverage_factor(prob) * self.standard_uncertainty

    def _ends(self, tail: float) -> Any:
        half = self.expanded(1 - 2 * tail)
        return self.value - half, self.value + half

    def _headline(self) -> str:
        return stated(self.value, self.standard_uncertainty, self.unit)[1]


def propagate(
    model: Model,
    inputs: Mapping[str, Quantity],
    *,
    unit: str = "1",
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> Propagation:
    r"""Propagate standard uncertainties through a model to first order.

    Parameters
    ----------
    model : callable
        Function that takes one float for each input, in the order of `inputs`, and returns one
        float.
    inputs : mapping of str to Quantity
        Inputs by name, in the order in which `model` takes them.
    unit : str
        SI unit of the result.
    correlations : mapping of (str, str) to float, optional
        Correlation coefficients of pairs of inputs, between -1 and 1; pairs that are left out,
        or name no input, have none.

    Returns
    -------
    Propagation
        Value, standard uncertainty and budget.

    Raises
    ------
    InputError
        When the model gives no finite value, or the correlations are impossible together.

    Notes
    -----
    :math:`u^2 = \sum_{ij} c_i c_j r_{ij} u_i u_j = \sum_i t_i` (JCGM 100, equation 16), the slopes
    :math:`c_i` by central differences, and
    :math:`\nu = u^4 / \sum_{ij} r_{ij}^2 t_i t_j/\sqrt{\nu_i \nu_j}`: equation G.2b where nothing
    is correlated; else errors that are correlated by r come from repeats whose estimated variances
    are so by r².

    References
    ----------
    JCGM 100:2008, *Guide to the expression of uncertainty in measurement*, 5.1, 5.2, G.4.

    Examples
    --------
    >>> from quantize.charge.quantity import Quantity
    >>> area = propagate(
    ...     lambda a, b: a * b,
    ...     {"width": Quantity(value=2.0, standard_uncertainty=0.02, unit="m"),
    ...      "height": Quantity(value=3.0, standard_uncertainty=0.06, unit="m")},
    ... )
    >>> round(area.value, 3), round(area.standard_uncertainty, 4)
    (6.0, 0.1342)
    """
    quantities = list(inputs.values())
    value = float(model(*[q.value for q in quantities]))
    if not math.isfinite(value):
        raise InputError(
            "`model` gives no finite value at "
            + ", ".join(f"{name} = {q.value:g}" for name, q in inputs.items())
            + "; look at these inputs."
        )
    slopes = np.array([_slope(model, quantities, i) for i in range(len(quantities))])
    contribution = slopes * np.array([q.standard_uncertainty for q in quantities])
    matrix = correlation_matrix(list(inputs), correlations or {})
    variance_terms = contribution * (matrix @ contribution)
    combined = math.sqrt(max(float(variance_terms.sum()), 0.0))
    degrees = np.array([q.degrees_of_freedom for q in quantities])
    few = few_repeats(variance_terms, matrix, degrees)
    return Propagation(
        value=value,
        standard_uncertainty=combined,
        degrees_of_freedom=combined**4 / few if few > 0 < combined else math.inf,
        unit=unit,
        budget=_table(inputs, value, slopes, contribution, variance_terms),
        inputs=dict(inputs),
        correlations=dict(correlations or {}),
        model=model,
    )


def few_repeats(terms: FloatArray, matrix: FloatArray, degrees: FloatArray) -> float:
    """Half the variance of an estimated variance, which is the sum of `terms` (see `propagate`)."""
    scaled = terms / np.sqrt(degrees)
    return float(scaled @ matrix**2 @ scaled)


def correlation_matrix(
    names: list[str], correlations: Mapping[tuple[str, str], float]
) -> FloatArray:
    """The matrix of coefficients; pairs that name no input here are left out."""
    matrix = np.eye(len(names))
    for (first, second), r in correlations.items():
        if first in names and second in names:
            i, j = names.index(first), names.index(second)
            matrix[i, j] = matrix[j, i] = r
    if np.linalg.eigvalsh(matrix).min(initial=0.0) < -1e-9:
        raise InputError(
            "`correlations` contradict each other: no quantities can have all of them at once."
        )
    return matrix


def root_of(matrix: FloatArray) -> FloatArray:
    """A root of a matrix of coefficients, by which independent inputs become correlated ones."""
    values, vectors = np.linalg.eigh(np.asarray(matrix, dtype=np.float64))
    return np.asarray(vectors * np.sqrt(np.clip(values, 0, None)))


def _slope(model: Model, inputs: list[Quantity], i: int) -> float:
    """Partial derivative by the input `i`, as a central difference."""
    quantity = inputs[i]
    step = max(1e-5 * abs(quantity.value), 1e-4 * quantity.standard_uncertainty) or 1e-6
    above, below = ([q.value for q in inputs] for _ in range(2))
    above[i] += step
    below[i] -= step
    return float((model(*above) - model(*below)) / (above[i] - below[i]))


def _table(
    inputs: Mapping[str, Quantity],
    value: float,
    slopes: FloatArray,
    contribution: FloatArray,
    variance_terms: FloatArray,
) -> pd.DataFrame:
    quantities = list(inputs.values())
    values = np.array([q.value for q in quantities])
    total = float(variance_terms.sum())
    none = np.zeros(len(inputs))
    scopes = [q.scope for q in quantities]
    return pd.DataFrame(
        {
            "input": list(inputs),
            "value": values,
            "unit": [q.unit for q in quantities],
            "standard_uncertainty": [q.standard_uncertainty for q in quantities],
            "degrees_of_freedom": [q.degrees_of_freedom for q in quantities],
            "distribution": [q.distribution for q in quantities],
            "scope": scopes,
            "part": ["random" if scope in RANDOM_SCOPES else "systematic" for scope in scopes],
            "exponent": slopes * values / value if value else none + math.nan,
            "slope": slopes,
            "contribution": np.abs(contribution),
            "share": variance_terms / total if total > 0 else none,
        }
    )
