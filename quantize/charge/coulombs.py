"""The unit in coulombs, with its budget."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, warn
from quantize._support.randomness import RngLike
from quantize.charge.agreement import Agreement, agree, difference
from quantize.charge.apparatus import load_apparatus
from quantize.charge.assumptions import assumptions, taken_for_exact
from quantize.charge.montecarlo import MonteCarlo, check_linear
from quantize.charge.propagation import Propagation, propagate
from quantize.charge.quantity import Quantity
from quantize.charge.routes import ROUTES, Divisions, available, gather, model_of, route_name
from quantize.charge.rows import Rows as Run
from quantize.charge.soundness import sphere_agreement
from quantize.charge.stated import degrees_of_freedom, short, stated

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.apparatus import Apparatus

_FAR = 2.576  # standard uncertainties; beyond it lies one difference in a hundred


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class UnitInCoulombs(Propagation):
    """Result of `unit_in_coulombs`: the fields of a `Propagation`, and these.

    Attributes
    ----------
    route : str
        The route of `value`.
    routes : pandas.DataFrame
        All routes that the data allow: route, value, standard_uncertainty, random, systematic,
        degrees_of_freedom, difference (relative, from the first), sigmas (that difference over
        its own uncertainty, what both share taken out), depends.
    agreement : Agreement
        Whether they agree, and which of them do.
    monte_carlo : MonteCarlo
        The same propagation with whole distributions.
    exact : tuple of str
        Inputs of any route that were taken for exact, since no uncertainty was stated.
    notes : tuple of str
        What was assumed, and what does not fit.
    """

    _private: ClassVar[tuple[str, ...]] = (*Propagation._private, "others")

    route: str
    routes: pd.DataFrame
    agreement: Agreement
    others: dict[str, Propagation]
    monte_carlo: MonteCarlo
    exact: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def exponents(self) -> pd.DataFrame:
        """d ln e / d ln x of every input (rows) by every route (columns); blank is NaN."""
        import pandas as pd

        found = {self.route: self.budget} | {n: p.budget for n, p in self.others.items()}
        columns = {n: b.set_index("input")["exponent"] for n, b in found.items()}
        return pd.DataFrame(columns)

    def against(self, accepted: float) -> str:
        """One sentence that sets the result beside an accepted value, for those who ask."""
        value = validation.positive("accepted", accepted)
        off = self.value - value
        return (
            f"Compared with the accepted {value:.6g} C, the result is {100 * off / value:+.1f} % "
            f"away, {abs(off) / self.standard_uncertainty:.1f} standard uncertainties; the "
            "accepted value was used nowhere in it."
        )

    def __str__(self) -> str:
        forms = stated(self.value, self.standard_uncertainty, "C", symbol="unit")
        freedom = degrees_of_freedom(self.degrees_of_freedom)
        freedom = freedom.replace(">", "more than ")
        degrees = f", {freedom} degrees of freedom" if freedom else ""
        low, high = self.interval(0.95)[0]
        lines = [
            f"{forms[1]}{degrees}, by the route '{self.route}'",
            f"  {forms[0]}",
            f"  {forms[2]}",
            f"  95 % interval {low:.4g} C to {high:.4g} C",
            f"  of which random {self.random:.2g} C, shared {self.systematic:.2g} C",
            "",
            budget_text(self.budget),
            "",
            str(self.monte_carlo),
        ]
        if len(self.routes) > 1:
            lines += ["", "Routes side by side"]
            lines += [
                f"  {r['route']:<40} {short(r['value'], r['standard_uncertainty'], 'C')}"
                for r in self.routes.to_dict("records")
            ]
            lines += ["", f"Do they agree? {self.agreement.told}"]
        return "\n".join(lines + [f"Note: {note}" for note in self.notes])


def budget_text(budget: pd.DataFrame) -> str:
    """The budget as a table of 80 columns."""
    head = f"{'input':<24}{'value':>12}{'std. unc.':>11}{'dof':>6}{'exponent':>10}{'share':>8}"
    lines = [head]
    for row in budget.to_dict("records"):
        dof = degrees_of_freedom(row["degrees_of_freedom"])
        lines.append(
            f"{row['input']:<24}{row['value']:>12.5g}{row['standard_uncertainty']:>11.2g}{dof:>6}"
            f"{row['exponent']:>10.3f}{round(100 * row['share'], 1) + 0.0:>7.1f}%"
        )
    return "\n".join(lines)


def unit_in_coulombs(
    unit: Any,
    apparatus: Any,
    *,
    unit_err: float | None = None,
    run: Run | None = None,
    route: str | None = None,
    trials: int = 20_000,
    rng: RngLike = 0,
) -> UnitInCoulombs:
    r"""Convert a unit in divisions per interval to coulombs.

    Parameters
    ----------
    unit : result of an analysis, float or Quantity
        The unit in divisions per interval at the balance voltage. A result brings its own error
        and, with `run`, the whole numbers that say how it leans on the fall.
    apparatus : Apparatus, mapping or file name
    unit_err : float, optional
        Standard uncertainty of a bare number.
    run : Run, optional
        Where the fall without field is measured.
    route : str, optional
        A name from `quantize.charge.routes.ROUTES`; else the most exact of those that agree with
        each other (see `Agreement`).
    trials, rng :
        For the Monte Carlo beside the linear budget; the same seed each time unless another is
        given.

    Returns
    -------
    UnitInCoulombs

    Raises
    ------
    InputError
        When an entry that the route needs is missing.

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
    unit = 1.582(31)e-19 C, by the route 'ratio, weight given'
    """
    bench = load_apparatus(apparatus)
    divisions = divisions_of(unit, bench, unit_err=unit_err, run=run)
    bench = _with_voltage(bench, run)
    names = available(bench, divisions)
    if not names:
        # Ask for what the simplest route lacks.
        gather(ROUTES[route_name(route or "ratio, weight given")], bench, divisions)
    if route is not None and route_name(route) not in names:
        gather(ROUTES[route], bench, divisions)
    found = {name: by_route(name, bench, divisions) for name in names}
    agreement = agree(found)
    route = route or agreement.best
    notes = []
    doubt = sphere_agreement(bench)
    if doubt is not None and doubt.level != "good":
        warn(doubt.sentence)
        notes.append(doubt.sentence)
    exact = taken_for_exact(*(p.inputs for p in found.values()))
    notes += assumptions(bench, exact)
    if divisions.fall_slope:
        notes.append(
            "the error of the unit in this table is that with the fall held fixed; the rest of it "
            "is in the line of the fall, as the readings leave the fall"
        )
    best = found[route]
    drawn = check_linear(best, trials=trials, rng=rng)
    if drawn.agrees is False:
        notes.append("the linear budget and the Monte Carlo differ; trust the Monte Carlo")
    return UnitInCoulombs(
        **{f.name: getattr(best, f.name) for f in dataclasses.fields(Propagation)},
        route=route,
        routes=side_by_side(found, first=route),
        agreement=agreement,
        monte_carlo=drawn,
        others={name: p for name, p in found.items() if name != route},
        exact=exact,
        notes=tuple(notes),
    )


def by_route(name: str, apparatus: Apparatus, divisions: Divisions) -> Propagation:
    """The unit in coulombs by one route, with its linear budget."""
    inputs = gather(ROUTES[name], apparatus, divisions)
    return propagate(
        model_of(name, list(inputs), apparatus, divisions),
        inputs,
        unit="C",
        correlations=apparatus.correlations,
    )


def divisions_of(
    unit: Any, apparatus: Apparatus, *, unit_err: float | None, run: Run | None
) -> Divisions:
    """The unit in divisions, its error without the fall, and its slope against the fall."""
    fall = run.fall_on_record() if run is not None else None
    interval = Quantity(value=run.interval, scope="session", unit="s") if run is not None else None
    gate = None if run is None else run.gate
    if not hasattr(unit, "unit_err"):
        quantity = _bare(unit, unit_err)
        return Divisions(unit=quantity, fall=fall, interval=interval, gate=gate)
    value = validation.positive("unit", unit.unit)
    integers = np.asarray(getattr(unit, "integers", ()), dtype=float)
    degrees = max(integers.size - 1, 1) if integers.size else math.inf
    if hasattr(unit, "fall_slope"):
        fall, slope = unit.fall, unit.fall_slope
    else:
        slope = _slope_on_fall(unit, run, fall)
    return Divisions(
        unit=Quantity(
            value=value,
            standard_uncertainty=validation.positive(
                "unit_err", getattr(unit, "unit_err_given_fall", unit.unit_err), zero=True
            ),
            degrees_of_freedom=degrees,
            distribution="normal" if math.isinf(degrees) else "t",
            scope="reading",
            unit="div",
        ),
        fall=fall,
        fall_slope=slope,
        interval=interval,
        gate=gate,
    )


def _slope_on_fall(unit: Any, run: Run | None, fall: Quantity | None) -> float:
    """How far the unit of an analysis moves with the fall that was added to its readings."""
    integers = None if run is None or fall is None else run.integers_of(unit)
    if integers is None or run is None:
        return 0.0
    values, _, stretch, _ = run.joined()
    readings = getattr(unit, "readings", None)
    told = values if readings is None else readings.values[readings.measured]
    # A unit from distances without the fall, with a free offset, does not lean on it.
    if np.shape(told) != values.shape or not np.allclose(told, values):
        return 0.0
    return float(integers @ stretch) / float(integers @ integers)


def _bare(unit: Any, unit_err: float | None) -> Quantity:
    quantity = Quantity.read(unit, unit="div", name="unit", scope="reading")
    validation.positive("unit", quantity.value)
    if unit_err is None:
        if quantity.standard_uncertainty == 0:
            raise InputError(
                "`unit_err` is missing; give the standard uncertainty of the unit in divisions, "
                "so that the result can have one."
            )
        return dataclasses.replace(quantity, unit="div")
    return dataclasses.replace(
        quantity,
        unit="div",
        standard_uncertainty=validation.positive("unit_err", unit_err, zero=True),
    )


def _with_voltage(apparatus: Apparatus, run: Run | None) -> Apparatus:
    if apparatus.has("plates.voltage") or run is None or run.reference_voltage is None:
        return apparatus
    return apparatus.changed(plates__voltage=run.reference_voltage)


def side_by_side(found: dict[str, Propagation], *, first: str) -> pd.DataFrame:
    """All routes in one table, with how far each is from `first`."""
    import pandas as pd

    rows = []
    for name in sorted(found, key=lambda name: name != first):
        p = found[name]
        off, sigmas = difference(found[first], p)
        rows.append(
            {
                "route": name,
                "value": p.value,
                "standard_uncertainty": p.standard_uncertainty,
                "random": p.random,
                "systematic": p.systematic,
                "degrees_of_freedom": p.degrees_of_freedom,
                "difference": off,
                "sigmas": sigmas,
                "depends": "depends on " + ROUTES[name].depends,
            }
        )
    return pd.DataFrame(rows)


def why_routes_differ(found: UnitInCoulombs) -> list[str]:
    """One sentence for each other route: how far it is off, and what could be behind it.

    Parameters
    ----------
    found : UnitInCoulombs
        By two routes or more.

    Returns
    -------
    list of str

    Examples
    --------
    >>> from quantize.charge import unit_in_coulombs, why_routes_differ
    >>> bench = {
    ...     "plates": {"separation": "4.24(2) mm", "voltage": "227 V"},
    ...     "sphere": {"weight": "5.15(8)e-14 N"},
    ...     "fall": {"divisions": "60.8 +/- 0.2 div"},
    ... }
    >>> why_routes_differ(unit_in_coulombs(10.0, bench, unit_err=0.1, trials=200))
    []
    """
    first, *others = found.routes.to_dict("records")
    budgets = {found.route: found.budget} | {n: p.budget for n, p in found.others.items()}
    sentences = []
    for row in others:
        own = _largest_not_shared(budgets[row["route"]], budgets[found.route])
        verdict = (
            "which the uncertainties explain"
            if row["sigmas"] < _FAR
            else "more than the uncertainties explain"
        )
        sentences.append(
            f"By the route '{row['route']}' the unit is {100 * row['difference']:+.1f} % from "
            f"'{first['route']}', {row['sigmas']:.1f} standard uncertainties, {verdict}; this "
            f"route {row['depends']}, and what the two do not share is mostly {own}."
        )
    return sentences


def _largest_not_shared(budget: pd.DataFrame, other: pd.DataFrame) -> str:
    """Names of the inputs that make most of the difference between two routes."""
    mine = dict(zip(budget["input"], budget["exponent"], strict=True))
    theirs = dict(zip(other["input"], other["exponent"], strict=True))
    weight: dict[str, float] = {}
    for table, own, rival in ((budget, mine, theirs), (other, theirs, mine)):
        for row in table.to_dict("records"):
            name = row["input"]
            if abs(own[name] - rival.get(name, 0.0)) > 0.2 or name not in rival:
                weight[name] = max(weight.get(name, 0.0), row["share"])
    best = sorted(weight, key=lambda name: -weight[name])[:2]
    return " and ".join(best) if best else "nothing"
