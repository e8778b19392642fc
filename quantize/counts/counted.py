"""What the estimators on counts take: a histogram, a spectrum, or many readings, brought to one."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.comb.unit_range import UnitRange
from quantize.counts.histogram import Histogram
from quantize.counts.spectrum import Spectrum
from quantize.counts.sums import CountSums
from quantize.readings import Readings, readings_called

_OUTSIDE = 5e-4
_MARGIN = 0.1
_FEWEST = 100


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Counted:
    """Counts in equal bins and the sums over trial units that belong to them.

    The readings are rounded to `step`, and `outside` of them lie outside the window.
    """

    histogram: Histogram
    sums: CountSums
    unit_range: UnitRange
    step: float | None
    outside: int
    settings: dict[str, Any]
    unit_name: str | None = None

    @property
    def free(self) -> bool:
        """Whether the offset is free."""
        return self.sums.free

    @property
    def fixed(self) -> float:
        """The offset where it is fixed, else zero."""
        return 0.0 if self.free else self.sums.origin


def counted(
    data: Histogram | Spectrum | Readings | ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: str | float = "zero",
    window: tuple[float, float] | None = None,
) -> Counted:
    """Standardise the first argument of the estimators on counts."""
    if isinstance(data, Histogram | Spectrum) and window is not None:
        kind = type(data).__name__.lower()
        raise InputError(f"`window` is for arrays; a {kind} has its own.")
    given = None if unit_range is None else UnitRange.given(unit_range)
    if isinstance(data, Histogram):
        return _of_histogram(data, given, offset)
    if isinstance(data, Spectrum):
        return _of_spectrum(data, given, offset)
    readings = data if isinstance(data, Readings) else readings_called("counts", data)
    found = _of_spectrum(_spectrum_of_values(readings, given, offset, window), given, offset)
    return dataclasses.replace(found, unit_name=readings.unit_name)


def _of_spectrum(data: Spectrum, given: UnitRange | None, offset: str | float) -> Counted:
    unit_range, grid = given or data.unit_range, data.grid
    grid.check(unit_range, offset)
    # Readings that wait for a full block are summed once.
    data = data._settled()
    histogram = data.histogram
    _enough(histogram.total)
    return Counted(
        histogram=histogram,
        sums=data._sums_within(unit_range),
        unit_range=unit_range,
        step=grid.resolution,
        outside=sum(data.outside),
        settings={"offset": grid.offset, "bin_width": grid.bin_width, "window": grid.window},
    )


def _of_histogram(data: Histogram, given: UnitRange | None, offset: str | float) -> Counted:
    _enough(data.total)
    if not data.even:
        widths = data.widths
        raise InputError(
            f"`edges` make bins from {widths.min():g} to {widths.max():g} wide; count in bins of "
            "equal width."
        )
    sums, unit_range, _ = data._sums_over(given, offset)
    return Counted(
        histogram=data,
        sums=sums,
        unit_range=unit_range,
        step=None,
        outside=0,
        settings={
            "offset": offset,
            "bin_width": float(data.widths.mean()),
            "window": (float(data.edges[0]), float(data.edges[-1])),
        },
    )


def _spectrum_of_values(
    readings: Readings,
    unit_range: UnitRange | None,
    offset: Any,
    window: tuple[float, float] | None,
) -> Spectrum:
    if not readings.plain:
        raise InputError(
            "`counts` holds readings with sigma, state or marks of their own, which counts in bins "
            "cannot keep; use `fit_mixture`, or pass the values alone."
        )
    x = readings.values
    _enough(x.size)
    if readings.span == 0:
        raise InputError(f"every value of `counts` is {x[0]:g}; steps show only where they differ.")
    return Spectrum(
        window=_usual_range(x) if window is None else window,
        unit_range=None if unit_range is None else (unit_range.low, unit_range.high),
        offset=offset,
        resolution=readings.rounding_step,
    ).update(x)


def _usual_range(x: FloatArray) -> tuple[float, float]:
    """All but one reading in a thousand, and a tenth more at each end."""
    low, high = np.quantile(x, [_OUTSIDE, 1 - _OUTSIDE])
    margin = _MARGIN * (high - low) if high > low else 0.5 * float(np.ptp(x))
    return float(low - margin), float(high + margin)


def _enough(total: int) -> None:
    if total < _FEWEST:
        raise InputError(
            f"`counts` holds {total} readings; at least {_FEWEST} are needed to work on "
            "bins, and fewer are better served by `fit_mixture`."
        )
