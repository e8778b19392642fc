"""The inputs of every route with their uncertainties, and the budget of one unit by each."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Mapping
from typing import Any, Protocol

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize.charge.apparatus import Apparatus
from quantize.charge.drag import STANDARD_GRAVITY, SlipCorrection
from quantize.charge.estimate import fall_apart
from quantize.charge.propagation import Model, Propagation, propagate
from quantize.charge.quantity import Quantity, from_repeats, normal
from quantize.charge.routes import (
    AIR,
    GRAVITY_SPREAD,
    REQUESTS,
    ROUTES,
    VISCOSITY_FORMULA,
    Route,
    fall_measured,
    on_request,
    route_name,
    weight_from_diameter,
    weight_given,
)
from quantize.charge.rows import Rows

_SIZES = ("sphere.weight", "sphere.diameter", "sphere.density")
_BY_WEIGHT = ("ratio, weight given", "ratio, weight from diameter")
_NOT_MEASURED = ("sphere.diameter_spread",)  # a deviation about zero


class UnitFound(Protocol):
    """A result that brings a unit in divisions and its standard uncertainty."""

    @property
    def unit(self) -> float:
        """Divisions per interval."""

    @property
    def unit_err(self) -> float:
        """Its standard uncertainty."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Divisions:
    """The unit in divisions per interval, and how it moves with the fall.

    When the fall F was added to the readings, a change of F by one division changes the unit by
    `fall_slope`, so that the two errors must be carried together. Over a fixed distance the
    `gate` is what was measured, and the interval no more than a scale for the speeds.
    """

    unit: Quantity
    fall: Quantity | None = None
    fall_slope: float = 0.0
    interval: Quantity | None = None
    gate: Quantity | None = None


def divisions_of(
    unit: UnitFound | Quantity | float | str,
    *,
    unit_err: float | None,
    run: Rows | None,
    fall: Quantity | None = None,
) -> Divisions:
    """The unit in divisions, its error without the fall, and its slope against the fall.

    Without a `run` the `fall` is that of the apparatus.
    """
    interval = gate = None
    if run is not None:
        fall, gate = run.fall_on_record(), run.gate
        interval = Quantity(value=run.interval, scope="session", unit="s")
    slope = 0.0
    if isinstance(unit, Quantity | float | int | str) or not hasattr(unit, "unit_err"):
        quantity = _bare(unit, unit_err)
    elif (apart := fall_apart(unit, fall)) is not None:
        error, slope, fall = apart
        quantity = _of_result(unit, error)
    else:
        quantity, slope = _of_result(unit, unit.unit_err), _slope_on_fall(unit, run, fall)
    return Divisions(unit=quantity, fall=fall, fall_slope=slope, interval=interval, gate=gate)


def _bare(unit: Any, unit_err: float | None) -> Quantity:
    """A unit given as a number or a quantity."""
    quantity = Quantity.read(unit, unit="div", name="unit", scope="reading")
    validation.positive("unit", quantity.value)
    if unit_err is not None:
        error = validation.positive("unit_err", unit_err, zero=True)
        quantity = dataclasses.replace(quantity, standard_uncertainty=error)
    elif quantity.standard_uncertainty == 0:
        raise InputError(
            "`unit_err` is missing; give the standard uncertainty of the unit in divisions, "
            "so that the result can have one."
        )
    return dataclasses.replace(quantity, unit="div")


def _of_result(unit: UnitFound, error: float) -> Quantity:
    """The unit of an analysis, with one degree of freedom less than it has readings."""
    integers = np.asarray(getattr(unit, "integers", ()), dtype=float)
    return from_repeats(
        validation.positive("unit", unit.unit),
        validation.positive("unit_err", error, zero=True),
        max(integers.size - 1, 1) if integers.size else 0,
        scope="reading",
        unit="div",
    )


def _slope_on_fall(unit: UnitFound, run: Rows | None, fall: Quantity | None) -> float:
    """How far the unit of an analysis moves with the fall that was added to its readings."""
    integers = None if run is None or fall is None else run.integers_of(unit)
    if integers is None or run is None:
        return 0.0
    values, stretch = run.joined()
    readings = getattr(unit, "readings", None)
    fitted = values if readings is None else readings.values[readings.measured]
    # A unit from distances without the fall, with a free offset, does not depend on it.
    if np.shape(fitted) != values.shape or not np.allclose(fitted, values):
        return 0.0
    return float(integers @ stretch) / float(integers @ integers)


def with_voltage(apparatus: Apparatus, run: Rows | None) -> Apparatus:
    """The apparatus with the reference voltage of the run, where it states no voltage itself."""
    if apparatus.has("plates.voltage") or run is None or run.reference_voltage is None:
        return apparatus
    return apparatus.changed(plates__voltage=run.reference_voltage)


def by_route(name: str, apparatus: Apparatus, divisions: Divisions) -> Propagation:
    """The unit in coulombs by one route, with its linear budget.

    InputError for a name that no route has, or with the first entry that the route lacks.
    """
    return budget_of(ROUTES[route_name(name)], apparatus, divisions)


def by_every_route(
    apparatus: Apparatus, divisions: Divisions, routes: Mapping[str, Route] = ROUTES
) -> dict[str, Propagation]:
    """The same by all routes for which nothing is missing, in order of preference."""
    return {
        name: budget_of(route, apparatus, divisions)
        for name, route in routes.items()
        if not lacking(route, apparatus, divisions)
    }


def lacking(route: Route, apparatus: Apparatus, divisions: Divisions) -> str:
    """Which entry a route lacks, in a sentence; blank where it lacks none."""
    try:
        gather(route, apparatus, divisions)
    except InputError as error:
        return str(error)
    return ""


def lost_to_requests(apparatus: Apparatus, divisions: Divisions) -> list[str]:
    """A sentence about routes that are left out only for a line that the budget was asked for."""
    declared = {k: v for k, v in apparatus.declared.items() if not k.startswith(REQUESTS)}
    plain = dataclasses.replace(apparatus, declared=declared)
    why = {
        f"'{name}'": said.rstrip(".")
        for name, route in ROUTES.items()
        if (said := lacking(route, apparatus, divisions)) and not lacking(route, plain, divisions)
    }
    if not why:
        return []
    first = next(iter(why.values()))
    return [f"left out for a line that the budget was asked for: {', '.join(why)}; {first}"]


def one_division(run: Rows) -> Divisions:
    """One division of a run of one particle, to be turned into coulombs."""
    return divisions_of(1.0, unit_err=0.0, run=run)


def weight_ratio(apparatus: Apparatus) -> Propagation | None:
    """Weight as supplied over that from diameter and density; None if not all are given."""
    if not apparatus.has(*_SIZES):
        return None
    formula = functools.partial(_weights, apparatus.weight_is_own)
    route = Route("weight", _SIZES, formula, optional=AIR)
    none = Divisions(unit=Quantity(value=1.0, unit="div"))
    return budget_of(route, apparatus, none, unit="1")


def _weights(own: bool, x: Mapping[str, Any]) -> Any:
    supplied = {k: v for k, v in x.items() if not own or k != "sphere.diameter_spread"}
    return weight_given(supplied) / weight_from_diameter(x)


def one_weight(apparatus: Apparatus, found: Mapping[str, Propagation]) -> list[Propagation]:
    """The condition that a sphere has one weight, where it does not follow from the routes."""
    ratio = None if set(_BY_WEIGHT) <= set(found) else weight_ratio(apparatus)
    return [] if ratio is None else [ratio]


def budget_of(
    route: Route, apparatus: Apparatus, divisions: Divisions, *, unit: str = "C"
) -> Propagation:
    """The budget of a route; InputError with the first entry that it lacks.

    What is no charge but a pure number has no unit of charge among its inputs.
    """
    inputs = gather(route, apparatus, divisions)
    if unit == "1":
        del inputs["unit"]
    known: dict[str, Any] = {
        "slip": SlipCorrection(apparatus.word("air.slip", "Kim 2005")),
        "buoyancy_off": float(apparatus.word("sphere.buoyancy", "already off") == "already off"),
        "fall_slope": divisions.fall_slope,
        "fall_used": fall_used(apparatus, divisions) if divisions.fall_slope else 0.0,
    }
    known |= scales(divisions) | dict(route.fixed)
    mean = apparatus.get("sphere.diameter")
    if mean is not None:
        # What the spread of a batch is relative to, where the route has no need of it.
        known["sphere.diameter"] = mean.value
    # Not a function within this one: what holds it is to be pickled.
    model = functools.partial(_formula, route.formula, list(inputs), known)
    return propagate(model, inputs, unit=unit, correlations=_correlations(apparatus))


def _correlations(apparatus: Apparatus) -> dict[tuple[str, str], float]:
    """Those stated, the voltage without its sign, as `gather` takes it."""
    volts = apparatus.get("plates.voltage")
    turned = volts is not None and volts.value < 0
    return {
        pair: -r if turned and "plates.voltage" in pair else r
        for pair, r in apparatus.correlations.items()
    }


def _formula(
    formula: Callable[..., Any], names: list[str], known: dict[str, Any], *values: Any
) -> Any:
    return formula(known | dict(zip(names, values, strict=True)))


def gather(route: Route, apparatus: Apparatus, divisions: Divisions) -> dict[str, Quantity]:
    """The inputs of a route, in order, each with its uncertainty.

    InputError naming the first entry that is missing.
    """
    inputs = {"unit": divisions.unit}
    for name in route.needs:
        if name == "fall":
            inputs |= _fall_inputs(apparatus, divisions)
        elif name == "run.interval":
            inputs |= _timed(apparatus, divisions)
        elif name == "reticle.division":
            inputs |= _scale(apparatus, divisions, f"the route '{route.name}'")
        else:
            inputs[name] = apparatus.need(name, purpose=f"the route '{route.name}'")
    if divisions.fall_slope:
        # The fall went into the unit, whether or not the route asks for it otherwise.
        inputs |= _fall_inputs(apparatus, divisions)
    optional = route.optional
    if "plates.voltage" in route.needs:
        optional = (*optional, "plates.meter")
    if "sphere.weight" in route.needs and apparatus.word("sphere.buoyancy") == "not off":
        optional = (*optional, "sphere.density", *AIR)
    for name in optional:
        found = apparatus.get(name)
        if found is not None:
            inputs[name] = found
    if "fall" in route.needs and apparatus.has("air.drift"):
        inputs["air.drift"] = apparatus.need("air.drift")
        inputs |= _timed(apparatus, divisions)
        inputs |= _scale(apparatus, divisions, "a drift of the air")
    for name in ("sphere.weight", "sphere.diameter"):
        spread = apparatus.spread_about(name) if name in route.needs else None
        if spread is not None:
            inputs["sphere.diameter_spread"] = spread
    if "sphere.density" in route.needs:
        usual = normal(STANDARD_GRAVITY, GRAVITY_SPREAD, "m/s2")
        inputs["site.gravity"] = apparatus.get("site.gravity") or usual
    if "air.temperature" in route.needs and "air.viscosity" not in inputs:
        inputs["viscosity formula"] = VISCOSITY_FORMULA
    inputs |= on_request(route, apparatus, inputs)
    if "plates.voltage" in inputs and inputs["plates.voltage"].value < 0:
        voltage = inputs["plates.voltage"]
        inputs["plates.voltage"] = dataclasses.replace(voltage, value=-voltage.value)
    return inputs


def fall_formula(apparatus: Apparatus, divisions: Divisions) -> tuple[Model, dict[str, Quantity]]:
    """Divisions fallen in one interval as a formula, with its inputs; InputError if not known."""
    inputs = _fall_inputs(apparatus, divisions)
    return functools.partial(_formula, fall_measured, list(inputs), scales(divisions)), inputs


def fall_used(apparatus: Apparatus, divisions: Divisions) -> float:
    """The same as a number."""
    model, inputs = fall_formula(apparatus, divisions)
    return float(model(*(q.value for q in inputs.values())))


def _fall_inputs(apparatus: Apparatus, divisions: Divisions) -> dict[str, Quantity]:
    """What determines the divisions fallen in one interval."""
    if divisions.fall is not None:
        return {"fall": divisions.fall}
    if apparatus.has("fall.divisions"):
        return {"fall": apparatus.need("fall.divisions")}
    if not apparatus.has("fall.speed"):
        raise InputError(
            "`fall.divisions` is missing: the ratio routes need how far the sphere falls without "
            "field; read some rows at zero voltage, or give fall.divisions or fall.speed in the "
            f"apparatus ({apparatus.source})."
        )
    return {
        "fall.speed": apparatus.need("fall.speed"),
        **_scale(apparatus, divisions, "the fall speed in divisions"),
        **_timed(apparatus, divisions),
        **{n: apparatus.need(n) for n in ("watch.rate", "watch.bias") if apparatus.has(n)},
    }


def _scale(apparatus: Apparatus, divisions: Divisions, purpose: str) -> dict[str, Quantity]:
    """The length of a division; nothing where the gate itself was given as a length."""
    gate = apparatus.get("run.distance")
    if divisions.gate is not None and gate is not None and gate.unit == "m":
        return {}
    return {"reticle.division": apparatus.need("reticle.division", purpose=purpose)}


def _timed(apparatus: Apparatus, divisions: Divisions) -> dict[str, Quantity]:
    """The time of a reading, or the length of the gate where that was fixed."""
    if divisions.gate is not None:
        return {"run.distance": apparatus.get("run.distance") or divisions.gate}
    if divisions.interval is not None and not apparatus.has("run.interval"):
        return {"run.interval": divisions.interval}
    purpose = "a speed in metres per second"
    return {"run.interval": apparatus.need("run.interval", purpose=purpose)}


def scales(divisions: Divisions) -> dict[str, float]:
    """What turns a passage over a fixed distance into divisions per interval."""
    if divisions.gate is None or divisions.interval is None:
        return {}
    return {"run.interval": divisions.interval.value, "gate_used": divisions.gate.value}


def taken_for_exact(*routes: Mapping[str, Quantity]) -> tuple[str, ...]:
    """Names of the inputs of routes that came without an uncertainty, in order."""
    names = [
        name
        for inputs in routes
        for name, quantity in inputs.items()
        if quantity.standard_uncertainty == 0 and name not in _NOT_MEASURED
    ]
    return tuple(dict.fromkeys(names))


def exact_sentence(exact: tuple[str, ...]) -> str:
    """One sentence that lists what was taken for exact."""
    return (
        f"taken for exact, since no uncertainty is stated: {', '.join(exact)}; add one as in "
        "'4.24 +/- 0.02 mm'"
    )


def assumptions(apparatus: Apparatus, exact: tuple[str, ...]) -> list[str]:
    """What was assumed about a bench, and where to say that it is otherwise."""
    notes = []
    if exact:
        notes.append(exact_sentence(exact))
    if not apparatus.has("sphere.weight"):
        return notes
    if apparatus.word("sphere.buoyancy") is None:
        notes.append(
            "the weight is taken for that in air, from which the buoyancy has been taken off; "
            'if it has not, declare buoyancy = "not off" under [sphere]'
        )
    if not apparatus.weight_is_own and not apparatus.has(
        "sphere.diameter", "sphere.diameter_spread"
    ):
        notes.append(
            "the weight is taken for that of the batch, and how far one sphere is from it is not "
            "known; add diameter and diameter_spread under [sphere], or declare "
            'weight_of = "this sphere"'
        )
    return notes
