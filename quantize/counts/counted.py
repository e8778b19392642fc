"""What the estimators on counts take: a histogram, a spectrum, or many readings, brought to one."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.validation import FloatArray
from quantize.comb.band import Band
from quantize.counts.histogram import Histogram
from quantize.counts.of_counts import (
    CountSums,
    band_of_histogram,
    check_inside,
    offset_of_spectrum,
    sums_of_histogram,
    sums_of_spectrum,
)
from quantize.counts.spectrum import Spectrum
from quantize.readings import Readings

_OUTSIDE = 5e-4
_MARGIN = 0.1
_FEWEST = 100


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Counted:
    """Counts in equal bins and the sums over trial units that belong to them.

    Attributes
    ----------
    histogram : Histogram
    sums : CountSums
    band : Band
    free : bool
    fixed : float
        The offset where it is fixed, else zero.
    step : float or None
        Step to which the readings are rounded.
    outside : int
        Readings outside the window.
    settings : dict
    """

    histogram: Histogram
    sums: CountSums
    band: Band
    free: bool
    fixed: float
    step: float | None
    outside: int
    settings: dict[str, Any]


def counted(
    data: Any, unit_range: Any = None, *, offset: str | float = "zero", window: Any = None
) -> Counted:
    """Standardise the first argument of the estimators on counts."""
    if isinstance(data, Histogram):
        if window is not None:
            raise InputError("`window` is for arrays; a histogram has its own.")
        return _of_histogram(data, unit_range, offset)
    if not isinstance(data, Spectrum):
        data = _spectrum_of_values(data, unit_range, offset, window)
    elif window is not None:
        raise InputError("`window` is for arrays; a spectrum has its own.")
    outside = sum(data.outside)
    offset_of_spectrum(data, offset)
    band = data.band if unit_range is None else _band(unit_range)
    check_inside(band, data)
    own = data.grid.offset
    free = isinstance(own, str)
    histogram = data.histogram
    _enough(histogram.total)
    return Counted(
        histogram=histogram,
        sums=sums_of_spectrum(data, band),
        band=band,
        free=free,
        fixed=0.0 if isinstance(own, str) else own,
        step=data.grid.resolution,
        outside=outside,
        settings={"offset": own, "bin_width": data.grid.bin_width, "window": data.grid.window},
    )


def _of_histogram(data: Histogram, unit_range: Any, offset: str | float) -> Counted:
    _enough(data.total)
    if not data.even:
        widths = data.widths
        raise InputError(
            f"`edges` make bins from {widths.min():g} to {widths.max():g} wide; count in bins of "
            "equal width."
        )
    mode, b = validation.offset_mode(offset)
    band = band_of_histogram(data) if unit_range is None else _band(unit_range)
    sums = sums_of_histogram(data, band, free=mode == "free", offset=b, oversampling=5.0)
    return Counted(
        histogram=data,
        sums=sums,
        band=band,
        free=mode == "free",
        fixed=b,
        step=None,
        outside=0,
        settings={
            "offset": offset,
            "bin_width": float(data.widths.mean()),
            "window": (float(data.edges[0]), float(data.edges[-1])),
        },
    )


def _spectrum_of_values(data: Any, unit_range: Any, offset: str | float, window: Any) -> Spectrum:
    readings = data if isinstance(data, Readings) else Readings(data)
    if readings.sigma is not None or readings.state is not None or not readings.measured.all():
        raise InputError(
            "`counts` holds readings with sigma, state or marks of their own, which counts in bins "
            "cannot keep; use `fit_mixture`, or pass the values alone."
        )
    x = readings.values
    _enough(x.size)
    if readings.span == 0:
        raise InputError(f"`counts` are all equal to {x[0]:g}; steps show only where they differ.")
    if window is None:
        window = _usual_range(x)
    band = None if unit_range is None else _band(unit_range).limits
    grid = Spectrum(window, band, offset=offset, resolution=readings.rounding_step)
    return grid.update(x)


def _usual_range(x: FloatArray) -> tuple[float, float]:
    """All but one reading in a thousand, and a tenth more at each end."""
    low, high = np.quantile(x, [_OUTSIDE, 1 - _OUTSIDE])
    margin = _MARGIN * (high - low) if high > low else 0.5 * float(np.ptp(x))
    top = np.nextafter(float(x.max()), np.inf)
    return max(float(low - margin), float(x.min())), min(float(high + margin), float(top))


def _band(unit_range: Any) -> Band:
    if isinstance(unit_range, Band):
        return unit_range
    low, high = validation.unit_range(unit_range)
    return Band(low=low, high=high, chosen=False, reason="given by the caller")


def _enough(total: int) -> None:
    if total < _FEWEST:
        raise InputError(
            f"`counts` holds {total} readings; at least {_FEWEST} are needed to work on "
            "bins, and fewer are better served by `fit_mixture`."
        )
