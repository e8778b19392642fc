"""What is measured before a run, many times over: the length of a division, a balance voltage."""

from __future__ import annotations

import dataclasses
import math
import operator
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Union

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, float_array
from quantize.charge.noise import ROUNDING_SD
from quantize.charge.page import need_readings, read_page
from quantize.charge.propagation import Propagation, propagate
from quantize.charge.quantity import Quantity, QuantityLike, from_repeats, within
from quantize.charge.reticle import written_step
from quantize.charge.stated import plus_minus
from quantize.readings import Readings

Repeats = Union[str, Path, "pd.DataFrame", Mapping[str, Any]]
"""A file or table of repeats."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Repeated(Propagation):
    """Result of `calibrate_reticle` and `repeat_balance`: a `Propagation`, and these.

    Attributes
    ----------
    repeats : int
        How many readings there were.
    entry, section : str
        The line for the apparatus file, and the section that it goes under.
    """

    repeats: int
    entry: str
    section: str

    def _headline(self) -> str:
        return self.entry


def calibrate_reticle(source: Repeats, *, certificate: QuantityLike | None = None) -> Repeated:
    r"""Find the length of a scale division from lengths on a stage micrometer.

    Parameters
    ----------
    source : str, Path, pandas.DataFrame or mapping of columns
        One row a reading: `stage`, the length on the stage micrometer with its unit in the header
        ("stage (mm)"), and where it starts and ends on the reticle, or how many divisions it has.
    certificate : str, float or Quantity, optional
        What the certificate of the stage micrometer states, such as ``"1.000 +/- 0.001 mm"``; its
        relative uncertainty is that of all lengths together. Taken for exact if left out.

    Returns
    -------
    Repeated
        Metres for one division, with the line for the apparatus file.

    Raises
    ------
    InputError
        For missing columns or units, and lengths that are not above zero.

    Notes
    -----
    The stage is taken as exact but for its scale, and all numbers of divisions N of lengths L
    scatter alike: :math:`s = \sum L^2 / \sum L N`, with the standard error of that slope from the
    n readings about it, Student-t with n − 1 degrees of freedom. The scatter is taken as no less
    than that of the rounding of both ends.

    Examples
    --------
    >>> page = {"stage (mm)": [1.0, 1.0, 0.8, 0.5], "start": [3, 20, 8, 41],
    ...         "end": [43, 60, 40, 61]}
    >>> calibrate_reticle(page, certificate="1.000 +/- 0.001 mm").entry
    'division = "25.00 +/- 0.15 um dof=3"'
    """
    need_readings(page := read_page(source, "stage"))
    header = page.headers["stage"]
    if header.unit is None:
        raise InputError(f"the column {header.text!r} has no unit; write it as in 'stage (mm)'.")
    length = page.column("stage")
    if "divisions" in page.cells:
        moved = np.abs(page.column("divisions"))
        read = moved
    elif {"start", "end"} <= set(page.cells):
        start, end = page.column("start"), page.column("end")
        moved, read = np.abs(end - start), np.concatenate([start, end])
    else:
        raise InputError(
            f"`{page.source}` has lengths on the stage and no divisions; give start and end, or "
            "divisions."
        )
    if np.any(length <= 0) or np.any(moved <= 0):
        raise InputError(
            f"`{page.source}` has a length of zero or less; every row is a length on the stage and "
            "the divisions that it covers."
        )
    n = length.size
    squares = float(length @ length)
    per_metre = float(length @ moved) / squares
    rest = moved - per_metre * length
    scatter = math.sqrt(float(rest @ rest) / (n - 1)) if n > 1 else 0.0
    scatter = max(scatter, (written_step(read) or 0.0) * ROUNDING_SD["both ends"])
    error = scatter / math.sqrt(squares) / per_metre**2
    known = _certified(certificate, "m")
    relative = 0.0 if certificate is None else known.relative
    inputs = {
        "readings": from_repeats(1 / per_metre, error, n - 1, scope="reading", unit="m/div"),
        "stage micrometer": dataclasses.replace(
            known, value=1.0, standard_uncertainty=relative, unit="1"
        ),
    }
    found = propagate(operator.mul, inputs, unit="m/div")
    return _repeated(found, n, "reticle", "division", "um", 1e-6)


def repeat_balance(
    source: Repeats | FloatArray | list[float], *, certificate: QuantityLike | None = None
) -> Repeated:
    r"""Find a balance voltage from several settings of it.

    Parameters
    ----------
    source : str, Path, pandas.DataFrame, mapping of columns or list of float
        Voltages at which one sphere stood still, with one charge; a table has them in a column of
        voltages.
    certificate : str, float or Quantity, optional
        What the maker of the voltmeter states at about that reading, such as
        ``"230.0 +/- 0.5 V limit"``; its uncertainty is that of all settings together. Taken for
        exact if left out.

    Returns
    -------
    Repeated
        Volts, with the line for the apparatus file.

    Raises
    ------
    InputError
        For missing voltages, or voltages of both signs.

    Notes
    -----
    The mean, with :math:`s/\sqrt n` and n − 1 degrees of freedom, the step of the display as a
    rectangle (JCGM 100:2008, 4.2.3 and F.2.2.1), and the voltmeter's own uncertainty.

    Examples
    --------
    >>> volts = [227.1, 227.9, 226.8, 227.4]
    >>> repeat_balance(volts, certificate="230.0 +/- 0.5 V limit").entry
    'voltage = "227.30 +/- 0.37 V dof=19"'
    """
    if isinstance(source, str | Path | Mapping) or hasattr(source, "columns"):
        need_readings(page := read_page(source, "voltage"))
        volts = page.column("voltage")
    else:
        volts = float_array("source", source)
    if volts.size == 0 or not (np.all(volts > 0) or np.all(volts < 0)):
        raise InputError(
            "`source` must hold voltages of one sign: one sphere with one charge is balanced by "
            "one voltage."
        )
    n = volts.size
    scatter = float(np.std(volts, ddof=1)) / math.sqrt(n) if n > 1 else 0.0
    step = Readings(volts).printed_resolution or 0.0
    inputs = {
        "settings": from_repeats(float(volts.mean()), scatter, n - 1, scope="reading", unit="V"),
        "step of the display": within(0.0, step / 2, "V"),
        "voltmeter": dataclasses.replace(_certified(certificate, "V"), value=0.0),
    }
    return _repeated(propagate(_total, inputs, unit="V"), n, "plates", "voltage", "V", 1.0)


def _certified(certificate: QuantityLike | None, unit: str) -> Quantity:
    """What is certified; exact where nothing is."""
    given = 0.0 if certificate is None else certificate
    return Quantity.read(given, unit=unit, name="certificate")


def _total(*parts: Any) -> Any:
    return sum(parts)


def _repeated(
    found: Propagation, n: int, section: str, name: str, unit: str, scale: float
) -> Repeated:
    """The result with its line for the apparatus file."""
    stated = plus_minus(found.value / scale, found.standard_uncertainty / scale)
    degrees = found.degrees_of_freedom
    freedom = f" dof={max(math.floor(degrees), 1)}" if math.isfinite(degrees) else ""
    return Repeated(
        **found._fields(),
        repeats=n,
        entry=f'{name} = "{stated.replace("±", "+/-")} {unit}{freedom}"',
        section=section,
    )
