"""Row by row from divisions to coulombs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize.charge.apparatus import load_apparatus
from quantize.charge.assumptions import taken_for_exact
from quantize.charge.coulombs import _with_voltage
from quantize.charge.quantity import Quantity
from quantize.charge.routes import (
    ROUTES,
    Divisions,
    available,
    fall_divisions,
    gather,
    model_of,
    route_name,
    scales_of,
)
from quantize.charge.run import Run, read_run

if TYPE_CHECKING:
    import pandas as pd


def convert_run(run: Any, apparatus: Any, *, route: str | None = None) -> pd.DataFrame:
    r"""Charges of every row of a run.

    Parameters
    ----------
    run : Run, file name, DataFrame or mapping
    apparatus : Apparatus, file name or mapping
    route : str, optional
        A name from `quantize.charge.routes.ROUTES`; else the first that the data allow.

    Returns
    -------
    pandas.DataFrame
        The columns of ``run.table`` and: `charge` in coulombs (NaN in rows without field) and
        `standard_uncertainty`, from the scatter of single readings alone. What the rows share
        (weight, separation, voltage, fall) moves all of them together: it belongs to the unit,
        not to a row. The route is in ``attrs["route"]``, and in ``attrs["exact"]`` what it took
        for exact, since no uncertainty was stated.

    Raises
    ------
    InputError
        When an entry is missing, or no fall is known.

    Notes
    -----
    Ratio routes: :math:`q = (1 + v/v_\mathrm{fall})\,w\,d/V`.

    Examples
    --------
    >>> from quantize import charge
    >>> bench = {
    ...     "plates": {"separation": "4.24 mm", "voltage": "227.4 V"},
    ...     "sphere": {"weight": "5.15e-14 N"},
    ... }
    >>> page = {"V": [227.4, 227.4, 0], "div": [0, 10, -60], "t": [10, 10, 10]}
    >>> (charge.convert_run(page, bench)["charge"] * 1e19).round(2).tolist()
    [9.6, 11.2, nan]
    """
    import pandas as pd

    bench = load_apparatus(apparatus)
    whole = read_run(run, bench)
    bench.need_weight_of_each(whole.particles)
    pieces, inputs = [], []
    chosen = None
    for label in whole.particles:
        one = _one_particle(whole.particle(label), bench.for_particle(label), route)
        pieces.append(one[0])
        chosen = one[1]
        inputs.append(one[2])
    table = pd.concat(pieces).sort_index() if len(pieces) > 1 else pieces[0]
    table.attrs |= {"route": chosen, "exact": taken_for_exact(*inputs)}
    return table


def _one_particle(
    run: Run, bench: Any, route: str | None
) -> tuple[pd.DataFrame, str, dict[str, Quantity]]:
    """The rows of one particle, the route, and its inputs but for the unit."""
    bench = _with_voltage(bench, run)
    divisions = Divisions(
        unit=Quantity(value=1.0, scope="reading", unit="div"),
        fall=run.fall_on_record(),
        interval=Quantity(value=run.interval, scope="session", unit="s"),
        gate=run.gate,
    )
    names = available(bench, divisions)
    name = route_name(route or (names[0] if names else "ratio, weight given"))
    inputs = gather(ROUTES[name], bench, divisions)
    values = [q.value for q in inputs.values()]
    per_division = float(model_of(name, list(inputs), bench, divisions)(*values))
    fall = run.fall_on_record()
    if fall is None:
        told = {k: q.value for k, q in inputs.items()} | scales_of(divisions)
        fallen = float(fall_divisions(told))
    else:
        fallen = fall.value
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
    return table, name, {k: q for k, q in inputs.items() if k != "unit"}
