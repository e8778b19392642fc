"""The unit, and the charge of every row, in coulombs: from all inputs at once, or by one route."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import ClassVar

import numpy as np
import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError, explained, warn
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray
from quantize.charge.adjustment import Formulas, Joint
from quantize.charge.agreement import Agreement, spread_of
from quantize.charge.apparatus import Apparatus, ApparatusLike, load_apparatus
from quantize.charge.bench import BenchPosterior, difference, fit_bench, fit_inputs
from quantize.charge.budgets import (
    Divisions,
    UnitFound,
    assumptions,
    by_route,
    divisions_of,
    fall_formula,
    fall_used,
    lacking,
    lost_to_requests,
    one_division,
    taken_for_exact,
    with_voltage,
)
from quantize.charge.faults import believed
from quantize.charge.montecarlo import MonteCarlo, check_linear
from quantize.charge.propagation import Propagation
from quantize.charge.quantity import Quantity
from quantize.charge.routes import JOINT, ROUTES, SIMPLEST, by_way, route_name
from quantize.charge.rows import Rows, scatter_as_read
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
    apparatus: ApparatusLike,
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
    divisions = divisions_of(unit, unit_err=unit_err, run=run, fall=bench.get("fall.divisions"))
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
        **best._fields(),
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


def charges_of(run: Rows, bench: Apparatus, *, route: str | None = None) -> pd.DataFrame:
    """The table of `Run.charges`."""
    bench.need_weight_of_each(run.particles)
    particles, told, doubted = [], [], []
    for label in run.particles:
        one = run.particle(label)
        mended, faults = believed(one)
        # Charges are of the rows as written, their random part of the page put right.
        as_written = "Taken as written, but put right for the random part: "
        doubted += [as_written + fault.sentence for fault in faults]
        own, divisions = with_voltage(bench.for_particle(label), one), one_division(one)
        found, joint = fit_inputs(own, divisions)
        if joint is not None:
            told.append((label, joint.agreement))
            found |= {JOINT: joint.charge}
        particles.append((one, mended, own, divisions, found))
    if route is None:
        known = [found for *_, found in particles if found]
        several = any(len(found) > 2 for found in known)
        route = JOINT if several else next((n for f in known for n in f if n in ROUTES), SIMPLEST)
    route_name(route)
    table = pd.concat([_charges(*particle, route) for particle in particles])
    table = table.sort_values("row", kind="stable", ignore_index=True)
    inputs = [found[route].inputs for *_, found in particles]
    exact = taken_for_exact(*({k: q for k, q in i.items() if k != "unit"} for i in inputs))
    compared = [one for one in told if one[1].degrees_of_freedom > 0]
    least, worst = min(compared, key=lambda one: one[1].p_value, default=(None, None))
    table.attrs |= {"route": route, "way": by_way(route), "exact": exact, "doubted": doubted}
    table.attrs |= {"agreement": worst, "agreement_of": least}
    return table


def _charges(
    run: Rows,
    mended: Rows,
    bench: Apparatus,
    divisions: Divisions,
    found: Mapping[str, Propagation],
    route: str,
) -> pd.DataFrame:
    """The rows of one particle with their charges."""
    if divisions.fall is None and not (bench.has("fall.divisions") or bench.has("fall.speed")):
        raise InputError(
            f"`run` ({run.source}) has no fall without field, and a row is turned into a charge by "
            "the divisions that it moved and those that it would have fallen; "
            f"{run.fall_wanted}, or give `fall.divisions` or `fall.speed` in the apparatus file."
        )
    fallen = fall_used(bench, divisions)
    # Where the route is not there, one sentence says which entry is missing.
    lacking = SIMPLEST if route == JOINT else route
    per_division = found[route] if route in found else by_route(lacking, bench, divisions)
    table = run.table.copy()
    with np.errstate(divide="ignore"):
        stretch = np.where(table["voltage"] == 0, np.nan, run.stretch(table))
    level = (run.moved(table) + fallen) * stretch
    table["charge"] = level * per_division.value
    own = scatter_as_read(mended, table)
    table["standard_uncertainty"] = own * np.abs(stretch) * per_division.value
    table["shared_uncertainty"] = _shared(route, bench, divisions, level, stretch)
    return table


def _shared(
    route: str, bench: Apparatus, divisions: Divisions, charge: FloatArray, stretch: FloatArray
) -> FloatArray:
    """What fall, weight, gap and voltage leave unsure of every charge, in coulombs.

    A charge is (x + F)·V0/V divisions times the unit by the route, in which F stands again, so
    that the fall drops out at balance. All but the error of F is the same for every row, and that
    is linear in the elasticity of the divisions against F. Where the unit is averaged over inputs
    that may be wrong, so is every charge, over the falls they imply.
    """
    charge = np.where(np.isfinite(charge) & (charge != 0), charge, np.nan)
    fall = fall_used(bench, divisions)
    # One division, taken in proportion to the fall.
    along = dataclasses.replace(
        divisions, unit=Quantity(value=1.0, unit="div"), fall_slope=1 / fall
    )
    fitted = fit_inputs(bench, along)[1] if route == JOINT else None
    joint = (fitted or fit_bench({route: by_route(route, bench, along)})).joint
    model, inputs = fall_formula(bench, along)
    place = tuple(list(joint.formulas.inputs).index(name) for name in inputs)
    falls = dataclasses.replace(joint.formulas, models=(model,), places=(place,))
    return np.abs(charge) * _averaged(joint, falls, stretch * fall / charge)


def _averaged(joint: Joint, falls: Formulas, elasticity: FloatArray) -> FloatArray:
    """How unsure one division of each row is over all cases, in coulombs.

    `joint` is that of divisions in proportion to the fall, which `falls` has as a formula; the
    divisions of the rows follow it with their `elasticity`. In each case the fall is another.
    """
    formulas = joint.formulas
    share = np.array([p for p, _ in joint.cases])
    cases = [case for _, case in joint.cases]
    nowhere = np.zeros(len(formulas.inputs))
    slopes, (log_fall, steady) = formulas.linear(nowhere)[1], falls.linear(nowhere)
    fallen = [falls.linear(case.deviation) for case in cases]
    fall = np.exp([float(log[0] - log_fall[0]) for log, _ in fallen])
    logs = np.array([formulas.logs(case.deviation)[0] for case in cases]) - np.log(fall)
    values, rows = np.unique(elasticity, return_inverse=True)
    elastic = values[:, None]
    moved = 1 + elastic * (fall - 1)
    # Without a sign that is known there is no log: to first order.
    centre = logs + np.where(moved > 0, np.log(np.maximum(moved, 1e-300)), moved - 1)
    variance = np.empty(centre.shape)
    for h, (case, (_, own_fall)) in enumerate(zip(cases, fallen, strict=True)):
        first = case.formula_slopes[0] + (elastic * fall[h] / moved[:, h, None] - 1) * own_fall[0]
        row = slopes[0] - first @ (case.gain @ joint.contrasts @ slopes)
        row = row + (elastic - 1) * steady[0]
        variance[:, h] = np.einsum("vi,ij,vj->v", row, cases[0].covariance, row)
    own = np.sqrt(np.maximum(variance, 0.0))
    found = np.full(values.shape, np.nan)
    for v in np.flatnonzero(np.isfinite(values)):
        found[v] = math.exp(share @ centre[v]) * spread_of(share, centre[v], own[v])
    return found[rows]
