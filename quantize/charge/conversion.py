"""The charge of every row of a run in coulombs."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.charge.adjustment import Joint
from quantize.charge.agreement import spread_of
from quantize.charge.apparatus import Apparatus
from quantize.charge.bench import fit_bench, fit_inputs
from quantize.charge.budgets import (
    Divisions,
    by_route,
    fall_used,
    one_division,
    taken_for_exact,
    with_voltage,
)
from quantize.charge.faults import believed
from quantize.charge.propagation import Propagation
from quantize.charge.quantity import Quantity
from quantize.charge.routes import JOINT, ROUTES, SIMPLEST, by_way, route_name
from quantize.charge.rows import Rows


def charges_of(run: Rows, bench: Apparatus, *, route: str | None = None) -> pd.DataFrame:
    """The table of `Run.charges`."""
    bench.need_weight_of_each(run.particles)
    particles, told, doubted = [], [], []
    for label in run.particles:
        one = run.particle(label)
        mended, faults = believed(one)
        # Charges are of the rows as written, their random part of the page put right.
        doubted += [
            f"Taken as written, but put right for the random part: {fault.sentence}"
            for fault in faults
        ]
        own, divisions = with_voltage(bench.for_particle(label), one), one_division(one)
        found, joint = fit_inputs(own, divisions)
        if joint is not None:
            told.append((label, joint.agreement))
            found |= {JOINT: joint.charge}
        particles.append((one, mended.scatter(), own, divisions, found))
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
    scattered: tuple[float, int],
    bench: Apparatus,
    divisions: Divisions,
    found: Mapping[str, Propagation],
    route: str,
) -> pd.DataFrame:
    """The rows of one particle with their charges."""
    if divisions.fall is None and not (bench.has("fall.divisions") or bench.has("fall.speed")):
        raise InputError(
            f"`run` ({run.source}) has no fall without field, and a row is turned into a charge by "
            "the divisions that it moved and those that it would have fallen; read some rows at "
            "zero voltage, or give `fall.divisions` or `fall.speed` in the apparatus file."
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
    scatter, degrees = scattered
    own = scatter if degrees else np.nan
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
    fall = 0.0 if divisions.fall is None else divisions.fall.value
    # One division, taken in proportion to the fall.
    along = dataclasses.replace(
        divisions, unit=Quantity(value=1.0, unit="div"), fall_slope=1 / fall if fall else 0.0
    )
    joint = fit_inputs(bench, along)[1] if route == JOINT else None
    joint = joint or fit_bench({route: by_route(route, bench, along)})
    one = _averaged(joint.joint, stretch * fall / charge) if fall else joint.standard_uncertainty
    return np.abs(charge) * one


def _averaged(joint: Joint, elasticity: FloatArray) -> FloatArray:
    """How unsure one division of each row is over all cases, in coulombs.

    `joint` is that of divisions in proportion to the fall; the divisions of the rows follow the
    fall with their `elasticity`. In each case the fall is another.
    """
    formulas = joint.formulas
    at = list(formulas.inputs).index("fall")
    share = np.array([p for p, _ in joint.cases])
    cases = [case for _, case in joint.cases]
    covariance = cases[0].covariance
    _, slopes = formulas.linear(np.zeros(len(formulas.inputs)))
    fall = np.array([formulas.moved(case.deviation)[at] for case in cases]) / formulas.stated[at]
    logs = np.array([formulas.logs(case.deviation)[0] for case in cases]) - np.log(fall)
    adjusted = [case.gain @ joint.contrasts @ slopes for case in cases]
    values, rows = np.unique(elasticity, return_inverse=True)
    found = np.full(values.shape, np.nan)
    for i, elastic in enumerate(values):
        if np.isnan(elastic):
            continue
        moved = 1 + elastic * (fall - 1)
        # Without a sign that is known there is no log: to first order.
        centre = logs + np.where(moved > 0, np.log(np.maximum(moved, 1e-300)), moved - 1)
        own = []
        for case, matrix, f, m in zip(cases, adjusted, fall, moved, strict=True):
            first = case.formula_slopes[0].copy()
            first[at] += elastic * f / m - 1
            row = slopes[0] - first @ matrix
            row[at] += elastic - 1
            own.append(math.sqrt(max(float(row @ covariance @ row), 0.0)))
        found[i] = math.exp(share @ centre) * spread_of(share, centre, np.array(own))
    shared: FloatArray = found[rows]
    return shared
