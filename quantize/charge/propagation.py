"""Linear propagation of uncertainty, with correlations and degrees of freedom (JCGM 100)."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity
from quantize.charge.stated import stated

if TYPE_CHECKING:
    import pandas as pd

RANDOM_SCOPES = ("reading", "state")
Model = Callable[..., Any]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Propagation(Result):
    """A derived quantity with its budget.

    Attributes
    ----------
    value, standard_uncertainty : float
    degrees_of_freedom : float
        Effective, by Welch and Satterthwaite.
    budget : pandas.DataFrame
        One row an input: input, value, unit, standard_uncertainty, degrees_of_freedom,
        distribution, scope, part, exponent (d ln y / d ln x), slope (dy / dx), contribution (its
        part of the standard uncertainty, in the unit of the value), share (of the variance;
        sums to 1).
    random, systematic : float
        Standard uncertainty from what differs between readings, and from what they share.
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

    def coverage_factor(self, prob: float = 0.95) -> float:
        """Student's t for the effective degrees of freedom, rounded down (JCGM 100, G.4.1)."""
        from scipy.stats import norm, t

        p = 0.5 + validation.fraction("prob", prob) / 2
        if math.isinf(self.degrees_of_freedom):
            return float(norm.ppf(p))
        return float(t.ppf(p, max(math.floor(self.degrees_of_freedom), 1)))

    def expanded(self, prob: float = 0.95) -> float:
        """Expanded uncertainty, half the width of the interval of probability `prob`."""
        return self.coverage_factor(prob) * self.standard_uncertainty

    def interval(self, prob: float = 0.95) -> FloatArray:
        """One row (low, high)."""
        half = self.expanded(prob)
        return np.array([[self.value - half, self.value + half]])

    def _headline(self) -> str:
        return stated(self.value, self.standard_uncertainty, self.unit)[1]


def propagate(
    model: Model,
    inputs: Mapping[str, Quantity],
    *,
    unit: str = "1",
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> Propagation:
    r"""Carry standard uncertainties through `model` to first order.

    Parameters
    ----------
    model : callable
        Takes one float for each input, in the order of `inputs`, and returns one float.
    inputs : mapping of str to Quantity
        In the order in which `model` takes them.
    unit : str
        SI unit of the result.
    correlations : mapping, optional
        Correlation coefficient of pairs of inputs.

    Returns
    -------
    Propagation

    Raises
    ------
    InputError
        When the model gives no finite value, or the correlations are impossible together.

    Notes
    -----
    :math:`u^2 = \sum_{ij} c_i c_j r_{ij} u_i u_j`, and
    :math:`\nu = u^4 / \sum_i (c_i u_i)^4/\nu_i` (JCGM 100, equations 16 and G.2b); the second
    holds for inputs that are not correlated.

    References
    ----------
    JCGM 100:2008, *Guide to the expression of uncertainty in measurement*, 5.1, 5.2, G.4.

    Examples
    --------
    >>> from quantize.charge import Quantity
    >>> area = propagate(
    ...     lambda a, b: a * b,
    ...     {"width": Quantity(value=2.0, standard_uncertainty=0.02, unit="m"),
    ...      "height": Quantity(value=3.0, standard_uncertainty=0.06, unit="m")},
    ... )
    >>> round(area.value, 3), round(area.standard_uncertainty, 4)
    (6.0, 0.1342)
    """
    names = list(inputs)
    value = float(model(*[inputs[n].value for n in names]))
    if not math.isfinite(value):
        raise InputError(
            "`model` gives no finite value at "
            + ", ".join(f"{n} = {inputs[n].value:g}" for n in names)
            + "; look at these inputs."
        )
    quantities = list(inputs.values())
    slopes = np.array([_slope(model, quantities, i) for i in range(len(names))])
    contribution = slopes * np.array([q.standard_uncertainty for q in quantities])
    variance_terms = contribution * (correlation_matrix(names, correlations or {}) @ contribution)
    combined = math.sqrt(max(float(variance_terms.sum()), 0.0))
    return Propagation(
        value=value,
        standard_uncertainty=combined,
        degrees_of_freedom=_effective_degrees(
            combined, contribution, [q.degrees_of_freedom for q in quantities]
        ),
        unit=unit,
        budget=_table(inputs, value, slopes, contribution, variance_terms),
        inputs=dict(inputs),
        correlations=dict(correlations or {}),
        model=model,
    )


def correlation_matrix(
    names: list[str], correlations: Mapping[tuple[str, str], float]
) -> FloatArray:
    """The matrix of coefficients; pairs that name no input here are left out."""
    matrix = np.eye(len(names))
    for (first, second), r in correlations.items():
        if first in names and second in names:
            i, j = names.index(first), names.index(second)
            matrix[i, j] = matrix[j, i] = r
    if np.linalg.eigvalsh(matrix).min() < -1e-9:
        raise InputError(
            "`correlations` contradict each other: no quantities can have all of them at once."
        )
    return matrix


def _slope(model: Model, inputs: list[Quantity], i: int) -> float:
    """Partial derivative by the input `i`, as a central difference."""
    quantity = inputs[i]
    step = max(1e-5 * abs(quantity.value), 1e-4 * quantity.standard_uncertainty) or 1e-6
    above, below = ([q.value for q in inputs] for _ in range(2))
    above[i] += step
    below[i] -= step
    return float((model(*above) - model(*below)) / (above[i] - below[i]))


def _effective_degrees(combined: float, contribution: FloatArray, degrees: list[float]) -> float:
    total = sum(
        float(c) ** 4 / nu for c, nu in zip(contribution, degrees, strict=True) if nu < math.inf
    )
    return combined**4 / total if total > 0 else math.inf


def _table(
    inputs: Mapping[str, Quantity],
    value: float,
    slopes: FloatArray,
    contribution: FloatArray,
    variance_terms: FloatArray,
) -> pd.DataFrame:
    import pandas as pd

    total = float(variance_terms.sum())
    x = np.array([q.value for q in inputs.values()])
    return pd.DataFrame(
        {
            "input": list(inputs),
            "value": x,
            "unit": [q.unit for q in inputs.values()],
            "standard_uncertainty": [q.standard_uncertainty for q in inputs.values()],
            "degrees_of_freedom": [q.degrees_of_freedom for q in inputs.values()],
            "distribution": [q.distribution for q in inputs.values()],
            "scope": [q.scope for q in inputs.values()],
            "part": [
                "random" if q.scope in RANDOM_SCOPES else "systematic" for q in inputs.values()
            ],
            "exponent": slopes * x / value if value else np.full(x.size, np.nan),
            "slope": slopes,
            "contribution": np.abs(contribution),
            "share": variance_terms / total if total > 0 else np.zeros(x.size),
        }
    )
