"""Values as other libraries hold them: their numbers, errors and units of measurement.

Quantities with a unit (pint, astropy, an xarray array with `attrs["units"]`, a pandas column named
like ``charge [pC]``) give their unit a name; none is dropped in silence. Values with an error of
their own (`uncertainties`) give their sigma. Nothing is imported for any of this.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from quantize._support.errors import InputError, InputTypeError
from quantize._support.validation import FloatArray, float_array
from quantize.tables.cells import named_unit


def plain_values(
    values: Any, sigma: Any, unit_name: str | None
) -> tuple[FloatArray, Any, str | None]:
    """Numbers, sigma and the name of their unit, out of whatever array they came in.

    A sigma that has a unit is converted to that of the values.
    """
    if _is_quantity(sigma):
        sigma = _numbers(_converted(sigma, values))
    unit = _unit(values)
    numbers = _numbers(values)
    if isinstance(numbers, (list, tuple)) and numbers and _is_quantity(numbers[0]):
        raise InputTypeError(
            f"`values` is a list of quantities, the first in {_unit(numbers[0])}; give one array "
            "with its unit, or plain numbers with `unit_name`."
        )
    if _has_errors(numbers):
        if sigma is not None:
            raise InputError("`sigma` is given, and `values` have errors too; give one of them.")
        numbers, sigma = _with_errors(numbers)
    return (
        float_array("values", numbers, written=True),
        sigma,
        unit if unit_name is None else unit_name,
    )


def only_column(data: Any) -> Any:
    """The one column of a table of readings; what is no table as it is."""
    columns = getattr(data, "columns", getattr(data, "data_vars", None))
    if columns is None:
        return data
    if len(columns) == 1:
        return data[next(iter(columns))]
    raise InputTypeError(
        f"`readings` is a table with columns {', '.join(map(str, columns))}; "
        "pass one column, or Readings(table['...'], sigma=table['...'])."
    )


def _is_quantity(values: Any) -> bool:
    """Whether this is a number or an array with a unit, of pint or of astropy."""
    if hasattr(values, "magnitude") and hasattr(values, "units"):
        return True
    return hasattr(values, "unit") and hasattr(values, "to_value")


def _unit(values: Any) -> str | None:
    """What the values are measured in, as their library writes it."""
    if _is_quantity(values):
        return (f"{values.units:~}" if hasattr(values, "magnitude") else str(values.unit)) or None
    name = getattr(values, "name", None)
    named = named_unit(name)[1] if isinstance(name, str) else None
    said = getattr(values, "attrs", {}).get("units")
    return named or (said if isinstance(said, str) else None)


def _numbers(values: Any) -> Any:
    """The bare numbers of a quantity; anything else as it is."""
    if not _is_quantity(values):
        return values
    return values.magnitude if hasattr(values, "magnitude") else values.value


def _converted(sigma: Any, values: Any) -> Any:
    """Sigma in the unit of the values."""
    if not _is_quantity(values):
        raise InputError(
            f"`sigma` is in {_unit(sigma) or 'units of one'} and `values` have no unit; give both "
            "in the same way."
        )
    try:
        return sigma.to(values.units if hasattr(values, "magnitude") else values.unit)
    except Exception:
        raise InputError(
            f"`sigma` is in {_unit(sigma)}, which does not go with values in {_unit(values)}; "
            "give both in units of one kind."
        ) from None


def _has_errors(values: Any) -> bool:
    """Whether the first of the values brings an error of its own."""
    several = values.ravel() if isinstance(values, np.ndarray) else values
    first = next(iter(several), None) if isinstance(several, (list, tuple, np.ndarray)) else None
    return hasattr(first, "nominal_value") and hasattr(first, "std_dev")


def _with_errors(values: Any) -> tuple[FloatArray, FloatArray]:
    """Numbers and sigmas; errors that the values share are no sigma of a reading."""
    seen: set[Any] = set()
    for value in values:
        parts = set(getattr(value, "derivatives", {}))
        if seen & parts:
            raise InputError(
                "`values` share some of their errors; give plain numbers, the sigma of a reading "
                "by itself, and what all share as `shift`."
            )
        seen |= parts
    return (
        np.array([float(value.nominal_value) for value in values]),
        np.array([float(value.std_dev) for value in values]),
    )
