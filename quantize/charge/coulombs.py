"""The unit in coulombs from all inputs at once, with its budget, and the routes beside it."""

from __future__ import annotations

import dataclasses
from typing import ClassVar

import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError, explained, warn
from quantize._support.randomness import RngLike
from quantize.charge.agreement import Agreement
from quantize.charge.apparatus import Apparatus, load_apparatus
from quantize.charge.bench import BenchPosterior, difference, fit_inputs
from quantize.charge.budgets import (
    Bench,
    Divisions,
    UnitFound,
    assumptions,
    divisions_of,
    lacking,
    lost_to_requests,
    taken_for_exact,
    with_voltage,
)
from quantize.charge.montecarlo import MonteCarlo, check_linear
from quantize.charge.propagation import Propagation
from quantize.charge.quantity import Quantity
from quantize.charge.routes import JOINT, ROUTES, SIMPLEST, by_way, route_name
from quantize.charge.rows import Rows
from quantize.charge.stated import degrees_of_freedom, expanded, raised, stated


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class UnitInCoulombs(Propagation):
    """Result of `unit_in_coulombs`: the fields of a `Propagation`, and these.

    Attributes
    ----------
    route : str
        "joint fit", or the name of the one route by which `value` was found.
    routes : pandas.DataFrame
        One row for the joint fit and for each route that the data allow, that of `value` first:
        route, value, standard_uncertainty, random, systematic, degrees_of_freedom, difference
        (relative, from the first), sigmas (that difference over its own uncertainty, what both
        share taken out), depends.
    bench : BenchPosterior
        The joint posterior of the unit and of all inputs.
    others : dict of str to Propagation
        The unit with its budget by every other route.
    monte_carlo : MonteCarlo
        The same propagation with whole distributions.
    exact : tuple of str
        Inputs of any route that were taken for exact, since no uncertainty was stated.
    notes : tuple of str
        What was assumed, and what does not fit.
    """

    _private: ClassVar[tuple[str, ...]] = (*Propagation._private, "others")
    schema_version: ClassVar[int] = 2

    route: str
    routes: pd.DataFrame
    bench: BenchPosterior
    others: dict[str, Propagation]
    monte_carlo: MonteCarlo
    exact: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def agreement(self) -> Agreement:
        """Whether all inputs agree on one sphere."""
        return self.bench.agreement

    @property
    def way(self) -> str:
        """How `value` was found, in words."""
        return by_way(self.route)

    @property
    def exponents(self) -> pd.DataFrame:
        """d ln e / d ln x of every input (rows) by every route (columns); blank is NaN."""
        budgets = {self.route: self.budget} | {name: p.budget for name, p in self.others.items()}
        return pd.DataFrame({n: b.set_index("input")["exponent"] for n, b in budgets.items()})

    def against(self, accepted: float) -> str:
        """Set the result beside an accepted value, in one sentence.

        Parameters
        ----------
        accepted : float
            The accepted value of the unit of charge in coulombs, above zero; it is used nowhere
            in the result.

        Returns
        -------
        str
        """
        value = validation.positive("accepted", accepted)
        off = self.value - value
        return (
            f"Compared with the accepted {value:.6g} C, the result is {100 * off / value:+.1f} % "
            f"away, {abs(off) / self.standard_uncertainty:.1f} standard uncertainties; the "
            "accepted value was used nowhere in it."
        )

    def __str__(self) -> str:
        forms = stated(self.value, self.standard_uncertainty, "C", symbol="unit")
        factor, degrees = self.coverage_factor(0.95), self.degrees_of_freedom
        low, high = self.interval(0.95)[0]
        lines = [
            f"{forms[1]}, {self.way}",
            f"  {forms[0]}",
            f"  {forms[2]}",
            f"  {expanded(self.value, self.standard_uncertainty, factor, degrees, 'C')}",
            raised(f"  95 % interval {low:.4g} C to {high:.4g} C"),
            raised(f"  of which random {self.random:.2g} C, shared {self.systematic:.2g} C"),
            "",
            budget_text(self.budget),
            "",
            raised(str(self.monte_carlo)),
        ]
        if len(self.routes) > 1:
            lines += ["", "The joint fit and every route, with the distance from the first"]
            lines += [
                f"  {r['route']:<35} {stated(r['value'], r['standard_uncertainty'], 'C')[1]:<16}"
                f" {100 * r['difference']:+6.2f} % {r['sigmas']:4.1f} sigma"
                for r in self.routes.to_dict("records")
            ]
            lines += ["", f"Do all inputs agree? {self.agreement.told}"]
        return "\n".join(lines + [f"Note: {note}" for note in self.notes])


def budget_text(budget: pd.DataFrame) -> str:
    """The budget as a table of 80 columns."""
    head = f"{'input':<24}{'value':>12}{'std. unc.':>11} {'unit':<6}{'dof':>6}{'exponent':>10}"
    head += f"{'share':>8}"
    lines = [head]
    for row in budget.to_dict("records"):
        dof = degrees_of_freedom(row["degrees_of_freedom"])
        unit = "" if row["unit"] == "1" else row["unit"]
        share = round(100 * row["share"], 1) + 0.0
        lines.append(
            f"{row['input']:<24}{row['value']:>12.5g}{row['standard_uncertainty']:>11.2g} "
            f"{unit:<6}{dof:>6}{row['exponent']:>10.3f}{share:>7.1f}%"
        )
    return "\n".join(lines)


@explained()
def unit_in_coulombs(
    unit: UnitFound | Quantity | float | str,
    apparatus: Bench,
    *,
    unit_err: float | None = None,
    run: Rows | None = None,
    route: str | None = None,
    trials: int = 20_000,
    rng: RngLike = 0,
) -> UnitInCoulombs:
    r"""Convert a unit in divisions per interval to coulombs, with its uncertainty.

    Parameters
    ----------
    unit : result of an analysis, Quantity, float or str
        The unit in divisions per interval at the balance voltage. A result brings its own error
        and, with `run`, the whole numbers from which it follows how the unit moves with the fall.
    apparatus : Apparatus, mapping, str or path-like
        The bench: an `Apparatus`, its sections as a mapping, or the name of its file.
    unit_err : float, optional
        Standard uncertainty of `unit` in divisions, where that is a bare number.
    run : Run, optional
        The run of one particle, from which fall without field, interval and balance voltage are
        taken where the apparatus does not state them.
    route : str, optional
        Name of a route in `quantize.charge.routes.ROUTES`; the joint fit of all inputs if left
        out, where they allow more than one route.
    trials : int, optional
        Number of draws of the Monte Carlo beside the linear budget, 100 or more.
    rng : None, int, SeedSequence or Generator, optional
        Source of these draws; the same seed each time unless another is given.

    Returns
    -------
    UnitInCoulombs
        The unit with its budget, beside it the joint posterior of the bench and every route.

    Raises
    ------
    InputError
        When an entry that the route needs is missing, no route has the name, or the unit or its
        error is no number above zero.

    Notes
    -----
    Ratio routes: :math:`e = \frac{u}{F}\,\frac{w\,d}{V}` with unit u and fall F in divisions,
    weight w, plate separation d, balance voltage V. The weight of a batch
    (``weight_of = "the batch"``, which is understood) is that of its mean diameter; that of one
    sphere has three times the relative spread of the diameters on top. When u came from readings
    to which F was added, the two are correlated, and the exponent of the fall is
    :math:`\frac{F}{u}\frac{\partial u}{\partial F} - 1` instead of -1.

    Examples
    --------
    >>> from quantize import charge
    >>> bench = {
    ...     "plates": {"separation": "4.24 +/- 0.02 mm", "voltage": "227 +/- 1 V"},
    ...     "sphere": {"weight": "5.15(8)e-14 N"},
    ...     "fall": {"divisions": "60.8 +/- 0.2 div"},
    ... }
    >>> found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1)
    >>> print(str(found).splitlines()[0])
    unit = 1.582(31) × 10⁻¹⁹ C, by the route 'ratio, weight given'
    """
    bench = with_voltage(load_apparatus(apparatus), run)
    divisions = divisions_of(unit, unit_err=unit_err, run=run)
    found, joint = fit_inputs(bench, divisions)
    if joint is None or (route is not None and route_name(route) not in (JOINT, *found)):
        raise InputError(
            lacking(ROUTES[SIMPLEST if route in (None, JOINT) else route], bench, divisions)
        )
    if joint.agreement.level in ("doubt", "bad"):
        warn(joint.agreement.told)
    if len(found) > 1 or joint.agreement.degrees_of_freedom > 0:
        found = {JOINT: joint.charge} | found
    route = next(iter(found)) if route in (None, JOINT) else route
    best = found[route]
    drawn = check_linear(best, trials=trials, rng=rng)
    exact = taken_for_exact(*(p.inputs for p in found.values()))
    return UnitInCoulombs(
        **{f.name: getattr(best, f.name) for f in dataclasses.fields(Propagation)},
        route=route,
        routes=side_by_side(found, first=route),
        bench=joint,
        monte_carlo=drawn,
        others={name: p for name, p in found.items() if name != route},
        exact=exact,
        notes=tuple(_notes(bench, divisions, exact, drawn)),
    )


def _notes(
    bench: Apparatus, divisions: Divisions, exact: tuple[str, ...], drawn: MonteCarlo
) -> list[str]:
    """What was assumed."""
    notes = assumptions(bench, exact) + lost_to_requests(bench, divisions)
    if divisions.fall_slope:
        notes.append(
            "the error of the unit in this table is that with the fall held fixed; the rest of it "
            "is in the line of the fall, as the readings leave the fall"
        )
    if drawn.agrees is False:
        notes.append("the linear budget and the Monte Carlo differ; trust the Monte Carlo")
    return notes


def side_by_side(found: dict[str, Propagation], *, first: str) -> pd.DataFrame:
    """All routes in one table, with how far each is from `first`."""
    told = ("value", "standard_uncertainty", "random", "systematic", "degrees_of_freedom")
    depends = {JOINT: "every input, as its budget says"} | {n: r.depends for n, r in ROUTES.items()}
    rows = []
    for name in sorted(found, key=lambda name: name != first):
        off, sigmas = difference(found[first], found[name])
        row = {"route": name} | {field: getattr(found[name], field) for field in told}
        apart = {"difference": off, "sigmas": sigmas, "depends": f"depends on {depends[name]}"}
        rows.append(row | apart)
    return pd.DataFrame(rows)
