"""Row by row from divisions to coulombs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from quantize._support.errors import InputError
from quantize.charge.agreement import agree, common_route
from quantize.charge.apparatus import Apparatus
from quantize.charge.assumptions import taken_for_exact
from quantize.charge.coulombs import _with_voltage, by_route, divisions_of
from quantize.charge.routes import (
    ROUTES,
    Divisions,
    available,
    fall_divisions,
    fall_inputs,
    gather,
    route_name,
    scales_of,
)
from quantize.charge.rows import Rows as Run

if TYPE_CHECKING:
    import pandas as pd

    from quantize.charge.propagation import Propagation

_SIMPLEST = "ratio, weight given"


def charges_of(whole: Run, bench: Apparatus, *, route: str | None = None) -> pd.DataFrame:
    """Charges of every row of a run with one or several particles; see `convert_run`."""
    import pandas as pd

    bench.need_weight_of_each(whole.particles)
    runs = [whole.particle(label) for label in whole.particles]
    known = [_known(one, bench.for_particle(one.particles[0])) for one in runs]
    if route is None:
        agreements = [agree(found) for _, _, found in known if found]
        relative = [_relative(found) for _, _, found in known if found]
        route = common_route(agreements, relative) if agreements else _SIMPLEST
    route_name(route)
    pieces = [_one_particle(one, *told, route) for one, told in zip(runs, known, strict=True)]
    table = pd.concat(pieces).sort_index() if len(pieces) > 1 else pieces[0]
    inputs = [found[route].inputs for _, _, found in known]
    exact = taken_for_exact(*({k: q for k, q in i.items() if k != "unit"} for i in inputs))
    told = [agree(found) for _, _, found in known if len(found) > 1]
    worst = [a for a in told if a.p_value == min(a.p_value for a in told)]
    table.attrs |= {"route": route, "exact": exact, "agreement": worst[0] if worst else None}
    return table


def _known(run: Run, bench: Apparatus) -> tuple[Apparatus, Divisions, dict[str, Propagation]]:
    """Bench and divisions of one particle, and one division in coulombs by every route."""
    bench = _with_voltage(bench, run)
    divisions = divisions_of(1.0, bench, unit_err=0.0, run=run)
    names = available(bench, divisions)
    return bench, divisions, {name: by_route(name, bench, divisions) for name in names}


def _relative(found: Mapping[str, Propagation]) -> dict[str, float]:
    return {name: p.standard_uncertainty / p.value for name, p in found.items()}


def _one_particle(
    run: Run,
    bench: Apparatus,
    divisions: Divisions,
    found: Mapping[str, Propagation],
    route: str,
) -> pd.DataFrame:
    fallen = _fallen(run, bench, divisions)
    if route not in found:
        # One sentence about the entry that is missing.
        gather(ROUTES[route], bench, divisions)
    per_division = found[route].value
    table = run.table.copy()
    voltage = table["voltage"].to_numpy(float)
    reference = run.reference_voltage or math.nan
    # A page without voltages is one that was taken at balance.
    voltage = np.where(np.isnan(voltage), reference, voltage)
    with np.errstate(divide="ignore"):
        stretch = np.where(voltage == 0, np.nan, reference / voltage)
    seconds = table["seconds"].to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = table["divisions"].to_numpy(float) * run.interval / seconds
    table["charge"] = (moved + fallen) * stretch * per_division
    scatter, degrees = run.scatter()
    spread = scatter * np.abs(stretch) * per_division if degrees else np.nan
    table["standard_uncertainty"] = spread
    return table


def _fallen(run: Run, bench: Apparatus, divisions: Divisions) -> float:
    """Divisions fallen in one interval, which every row needs, whatever the route."""
    if divisions.fall is None and not (bench.has("fall.divisions") or bench.has("fall.speed")):
        raise InputError(
            f"`run` ({run.source}) has no fall without field, and a row is turned into a charge by "
            "the divisions that it moved and those that it would have fallen; read some rows at "
            "zero voltage, or give `fall.divisions` or `fall.speed` in the apparatus file."
        )
    told = {name: q.value for name, q in fall_inputs(bench, divisions).items()}
    return float(fall_divisions(told | scales_of(divisions)))
