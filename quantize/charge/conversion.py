"""Row by row from a table of readings to coulombs."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from quantize.charge.apparatus import load_apparatus
from quantize.charge.budgets import Bench
from quantize.charge.coulombs import charges_of
from quantize.charge.run import Run, read_run

if TYPE_CHECKING:
    import pandas as pd


def convert_run(
    run: Run | str | os.PathLike[str] | pd.DataFrame | Mapping[str, Any],
    apparatus: Bench,
    *,
    route: str | None = None,
) -> pd.DataFrame:
    r"""Convert every row of a run to a charge in coulombs.

    Parameters
    ----------
    run : Run, str, path-like, DataFrame or mapping of columns
        The rows, of one particle or several, as `read_run` takes them.
    apparatus : Apparatus, mapping, str or path-like
        The bench: an `Apparatus`, its sections as a mapping, or the name of its file.
    route : str, optional
        Name of a route in `quantize.charge.routes.ROUTES`; if left out one for all particles, the
        most exact of those that agree with each other (see `Agreement`).

    Returns
    -------
    pandas.DataFrame
        The columns of ``run.table`` and: `charge` in coulombs (NaN in rows without field) and
        `standard_uncertainty`, from the scatter of single readings alone. What the rows share
        (weight, separation, voltage, fall) moves all of them together: it belongs to the unit,
        not to a row. The route is in ``attrs["route"]``, in ``attrs["exact"]`` what it took for
        exact, since no uncertainty was stated, and whether the routes agree in
        ``attrs["agreement"]``.

    Raises
    ------
    InputError
        When an entry is missing, no route has the name, or no fall is known.

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
    >>> sheet = {"V": [227.4, 227.4, 0], "div": [0, 10, -60], "t": [10, 10, 10]}
    >>> (charge.convert_run(sheet, bench)["charge"] * 1e19).round(2).tolist()
    [9.6, 11.2, nan]
    """
    bench = load_apparatus(apparatus)
    return charges_of(read_run(run, bench), bench, route=route)
