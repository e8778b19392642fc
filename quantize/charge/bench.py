"""The joint posterior of a bench: the unit of charge and every input, from all inputs at once.

Every route gives the same charge, and a sphere has one weight. These are conditions which the true
inputs fulfil exactly and the stated ones nearly: least squares finds the inputs nearest to the
stated ones that fulfil all of them.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from quantize._support.errors import explained
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.adjustment import EXACT, Adjusted, Formulas, Joint, adjusted
from quantize.charge.agreement import (
    Agreement,
    Suspect,
    cases_of,
    said,
    spread_of,
    suspects_of,
    untested,
)
from quantize.charge.apparatus import Apparatus
from quantize.charge.budgets import (
    Divisions,
    by_every_route,
    one_division,
    one_weight,
    with_voltage,
)
from quantize.charge.checks import DOUBT
from quantize.charge.propagation import Propagation, correlation_matrix, few_repeats, propagate
from quantize.charge.quantity import normal
from quantize.charge.rows import Rows
from quantize.charge.stated import stated

if TYPE_CHECKING:
    from quantize._support.randomness import RngLike
    from quantize.charge.bench_sample import BenchSample

WHICH = "which input is wrong"
_THREE = (
    "ratio, weight from diameter",
    "drag, diameter known",
    "fall and rise, radius from the fall",
)
"""All three compare one speed of fall with one diameter: the third follows from the other two."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class BenchPosterior(Result):
    """Joint posterior of the unit in coulombs and of every input of a bench.

    Attributes
    ----------
    value, standard_uncertainty : float
        The unit and its standard uncertainty, in coulombs.
    information : float
        By how much the variance by the most exact route is larger than that of `value`.
    inputs : pandas.DataFrame
        One row for each input: input, unit, stated, stated_uncertainty; value and
        standard_uncertainty of the posterior; pull (stated less what all other inputs imply, in
        standard uncertainties of that difference; NaN where they imply nothing); redundancy (the
        part of its variance that the others take away, from 0 to 1).
    correlations : pandas.DataFrame
        Correlation coefficients of the posterior, one row and one column for each input that has
        an uncertainty, "unit charge" first; the names also in the column input.
    agreement : Agreement
        Whether all inputs agree on one sphere.
    charge : Propagation
        The unit with its budget.

    Examples
    --------
    >>> from quantize import charge
    >>> bench = {
    ...     "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
    ...     "sphere": {
    ...         "weight": "5.15(8)e-14 N",
    ...         "weight_of": "this sphere",
    ...         "diameter": "2.10(2) um",
    ...         "density": "1055 kg/m3",
    ...     },
    ...     "fall": {"divisions": "60.8 +/- 0.2 div"},
    ... }
    >>> found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1, trials=200).bench
    >>> row = found.inputs.set_index("input").loc["sphere.weight"]
    >>> bool(row["standard_uncertainty"] < row["stated_uncertainty"])
    True
    """

    _private: ClassVar[tuple[str, ...]] = ("charge", "joint")

    value: float
    standard_uncertainty: float
    information: float
    inputs: pd.DataFrame
    correlations: pd.DataFrame
    agreement: Agreement
    charge: Propagation
    joint: Joint

    @explained()
    def sample(self, *, draws: int = 1000, chains: int = 4, rng: RngLike = None) -> BenchSample:
        """Draw from the same posterior by ensembles of walkers, formulas bent as they are.

        Parameters
        ----------
        draws : int
            Draws that are kept of each ensemble, 100 or more.
        chains : int
            Ensembles, 2 or more, which do not know of each other.
        rng : int, SeedSequence or Generator, optional
            Seed or source of the random numbers.

        Returns
        -------
        BenchSample
            Where inputs disagree, drawn from every case in proportion to its probability. All
            errors are normal there, as in the fit, whatever their degrees of freedom.
        """
        from quantize.charge.bench_sample import sample_bench

        return sample_bench(self.joint, draws=draws, chains=chains, rng=rng)

    def _headline(self) -> str:
        return f"{stated(self.value, self.standard_uncertainty, 'C')[1]}, {self.agreement.told}"


def fit_bench(
    routes: Mapping[str, Propagation], conditions: Iterable[Propagation] = ()
) -> BenchPosterior:
    """Fit the unit of charge and every input to all routes at once (W. E. Deming, 1943).

    `conditions` are what should be 1 and does not follow from the routes, such as the weight as
    supplied over that from diameter and density. Where the inputs disagree, p < 0.01, and without
    one of them they do not, the value is averaged over the cases that each suspect in turn is
    wrong, and that none is; `inputs` are those of the likeliest. Where no single one explains it,
    the uncertainties of all that is compared are multiplied by the root of the chi-square over its
    degrees of freedom (R. T. Birge, 1932). Written out in ``docs/theory/charge.md``.
    """
    formulas, contrasts = _conditions(routes, list(conditions))
    fitted = adjusted(formulas, contrasts, formulas.covariance())
    agreement, suspects = _agreement(routes, formulas, fitted)
    compared = np.abs(fitted.slopes).max(axis=0, initial=0.0) > EXACT
    widening = np.where(compared, agreement.factor, 1.0)
    cases = [(1.0, fitted)]
    if agreement.left_out is not None:
        cases = cases_of(formulas, contrasts, fitted, suspects)
        # The likeliest, for the table of inputs.
        fitted = cases[1][1]
    elif agreement.factor != 1:
        fitted = adjusted(formulas, contrasts, formulas.covariance(widening))
        cases = [(1.0, fitted)]
    charge = _charge(formulas, contrasts, cases, widening, next(iter(routes.values())).unit)
    relative = min(p.standard_uncertainty / abs(p.value) for p in routes.values())
    own = charge.standard_uncertainty / charge.value
    return BenchPosterior(
        value=charge.value,
        standard_uncertainty=charge.standard_uncertainty,
        information=(relative / own) ** 2 if own > 0 else 1.0,
        inputs=_table(formulas, fitted),
        correlations=_correlations(formulas, fitted),
        agreement=agreement,
        charge=charge,
        joint=Joint(formulas, contrasts, tuple(cases)),
    )


def bench_of_run(run: Rows, analysis: object = None) -> BenchPosterior | None:
    """Of a run of one particle, one division taken for its unit; None where no route is possible.

    The unit is the same factor in every route, so that no analysis is needed; one that brings its
    coulombs is asked, so that there is one number.
    """
    coulombs = getattr(analysis, "coulombs", None)
    if coulombs is not None:
        known: BenchPosterior = coulombs.bench
        return known
    return fit_inputs(with_voltage(run.known, run), one_division(run))[1]


def fit_inputs(
    bench: Apparatus, divisions: Divisions
) -> tuple[dict[str, Propagation], BenchPosterior | None]:
    """The unit by every route that the bench allows, and by all of them; None if there is none."""
    found = by_every_route(bench, divisions)
    return found, fit_bench(found, one_weight(bench, found)) if found else None


def difference(first: Propagation, other: Propagation) -> tuple[float, float]:
    """Relative difference, and its size in standard uncertainties, shared inputs taken out."""
    parts = other.relative_parts.sub(first.relative_parts, fill_value=0.0)
    pairs = first.correlations | other.correlations
    matrix = correlation_matrix(parts.index.tolist(), pairs)
    errors = parts.to_numpy(float)
    spread = math.sqrt(max(float(errors @ matrix @ errors), 0.0))
    off = math.log(abs(other.value / first.value))
    return other.value / first.value - 1, abs(off) / spread if spread > 1e-12 else 0.0


def _conditions(
    routes: Mapping[str, Propagation], more: list[Propagation]
) -> tuple[Formulas, FloatArray]:
    """All formulas, and which of their logs are compared: routes with the first, others with 0."""
    independent = [n for n in routes if n != _THREE[2] or set(_THREE) - set(routes)]
    chosen = [routes[name] for name in independent]
    every = [*chosen, *more]
    inputs = {name: q for p in every for name, q in p.inputs.items()}
    names = list(inputs)
    formulas = Formulas(
        models=tuple(p.model for p in every),
        places=tuple(tuple(names.index(name) for name in p.inputs) for p in every),
        inputs=inputs,
        correlations={pair: r for p in routes.values() for pair, r in p.correlations.items()},
    )
    contrasts = np.eye(len(every))[1:]
    contrasts[: len(chosen) - 1, 0] = -1.0
    return formulas, contrasts


def _charge(
    formulas: Formulas,
    contrasts: FloatArray,
    cases: list[tuple[float, Adjusted]],
    widening: FloatArray,
    unit: str,
) -> Propagation:
    """The unit at the adjusted inputs, as a product of powers of the formulas with its budget.

    Over several cases it is averaged; by how much they differ is an input of its own.
    """
    at_stated, slopes = formulas.linear(np.zeros(len(formulas.inputs)))
    covariance = formulas.covariance(widening)
    share = np.array([p for p, _ in cases])
    # Powers of the formulas in the unit.
    first = np.eye(len(formulas.models))[0]
    weights = np.array([first - c.formula_slopes[0] @ c.gain @ contrasts for _, c in cases])
    with np.errstate(all="ignore"):
        stated = weights @ at_stated
        reached = np.array([formulas.logs(case.deviation)[0] for _, case in cases])
    reached = np.where(np.isfinite(reached), reached, stated)
    inputs = {
        name: dataclasses.replace(q, standard_uncertainty=float(more) * q.standard_uncertainty)
        for (name, q), more in zip(formulas.inputs.items(), widening, strict=True)
    }
    if len(cases) > 1:
        rows = weights @ slopes
        own = np.sqrt(np.einsum("hi,ij,hj->h", rows, covariance, rows))
        mean = share @ rows
        apart = spread_of(share, reached, own) ** 2 - mean @ covariance @ mean
        inputs[WHICH] = normal(0.0, math.sqrt(max(float(apart), 0.0)), "1", "session")
    return propagate(
        functools.partial(_product, formulas, share @ weights, float(share @ (reached - stated))),
        inputs,
        unit=unit,
        correlations=formulas.correlations,
    )


def _product(formulas: Formulas, weights: FloatArray, constant: float, *values: Any) -> Any:
    """A product of powers of the formulas; where it stands on its own, so that it is pickled."""
    total: Any = constant + sum(values[len(formulas.inputs) :])
    for model, place, weight in zip(formulas.models, formulas.places, weights, strict=True):
        total = total + weight * np.log(model(*(values[i] for i in place)))
    return np.exp(total)


def _agreement(
    routes: Mapping[str, Propagation], formulas: Formulas, fitted: Adjusted
) -> tuple[Agreement, list[Suspect]]:
    degrees = fitted.misclosure.size
    variances = np.diag(np.linalg.inv(fitted.precision))
    if degrees == 0:
        return untested(f"what is known of the bench allows only '{next(iter(routes))}', so that "
                        "nothing checks it.", math.nan), []  # fmt: skip
    if math.sqrt(variances.max()) < 2 * EXACT:
        return untested("nothing that could make the inputs differ has an uncertainty.", 0.0), []
    freedom = np.array([q.degrees_of_freedom for q in formulas.inputs.values()])
    pull = fitted.misclosure @ fitted.precision
    parts = pull @ fitted.slopes * formulas.spread
    few = few_repeats(parts * (formulas.correlation @ parts), formulas.correlation, freedom)
    p = _tail(fitted.square, degrees, few)
    suspects = [] if p >= DOUBT else suspects_of(formulas, fitted)
    return said(formulas.inputs, fitted.square, degrees, p, suspects), suspects


def _tail(square: float, degrees: int, few: float) -> float:
    """p of a chi-square whose errors come in part from few repeats (Welch and Satterthwaite).

    It is also the variance, in its own direction, of which `few` is that of the estimate.
    """
    from scipy.stats import chi2, f

    if few == 0:
        return float(chi2.sf(square, degrees))
    return float(f.sf(square / degrees, degrees, square**2 / few))


def _table(formulas: Formulas, fitted: Adjusted) -> pd.DataFrame:
    before, after = np.diag(fitted.covariance), np.diag(fitted.posterior)
    taken = np.maximum(before - after, 0.0)
    with np.errstate(all="ignore"):
        # A millionth of a variance is what exact arithmetic would call nothing.
        pull = np.where(taken > 1e-6 * before, -fitted.deviation / np.sqrt(taken), np.nan)
        redundancy = np.where(before > 0, taken / before, 0.0)
        value = formulas.moved(fitted.deviation)
    scale = np.where(formulas.stated > 0, value, 1.0)
    return pd.DataFrame(
        {
            "input": list(formulas.inputs),
            "unit": [q.unit for q in formulas.inputs.values()],
            "stated": formulas.stated,
            "stated_uncertainty": [q.standard_uncertainty for q in formulas.inputs.values()],
            "value": value,
            "standard_uncertainty": np.sqrt(np.maximum(after, 0.0)) * scale,
            "pull": pull,
            "redundancy": redundancy,
        }
    )


def _correlations(formulas: Formulas, fitted: Adjusted) -> pd.DataFrame:
    uncertain = np.diag(fitted.posterior) > 0
    lift = np.vstack([fitted.formula_slopes[0], np.eye(uncertain.size)[uncertain]])
    covariance = lift @ fitted.posterior @ lift.T
    errors = np.sqrt(np.maximum(np.diag(covariance), np.finfo(float).tiny))
    names = ["unit charge", *np.array(list(formulas.inputs))[uncertain].tolist()]
    table = pd.DataFrame(covariance / np.outer(errors, errors), columns=names)
    table.insert(0, "input", names)
    return table
