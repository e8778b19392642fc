"""Spectrum: sums over trial units and counts in bins, kept while readings stream by."""

from __future__ import annotations

import copy
import dataclasses
import math
import os
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import results, validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.parallel import Progress
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.sums import ComplexArray, SumsBetween, sums_at_many_units
from quantize.comb.unit_range import UnitRange
from quantize.counts import sources
from quantize.counts.grid import SumsGrid, sums_grid
from quantize.counts.histogram import Histogram
from quantize.counts.sums import CountSums, HasSums
from quantize.readings import Readings

BLOCK = 2**20
"""Readings that are summed at once. Sums over a block do not depend on how its readings came."""


class Spectrum(HasSums):
    """Sums over trial units, counts in bins and moments of readings that need not be kept.

    Everything in it is a sum, so that partial results add: over pieces of a file, over the
    partitions of a cluster, over days. `periodogram`, `fit_counts` and `analyze` take it. Memory
    does not grow with the number of readings.

    Parameters
    ----------
    window : (float, float)
        Lowest and highest reading that can occur; readings outside are counted and left out.
        Choose it from what the instrument can give, before the first reading.
    unit_range : (float, float), optional
        Smallest and largest trial unit; by default from a 400th to half of the window.
    offset : {"zero", "free"} or float, default "zero"
        Where the comb starts: at zero, anywhere within one unit, or at the number given.
    oversampling : float, default 5
        Trial units for each cycle of the fastest relative phase, at least 2.
    bin_width : float, optional
        Width of the bins in which the readings are counted as well. By default a twentieth of the
        smallest unit, in whole steps of the resolution.
    resolution : float, optional
        Step to which the readings are rounded. Bins then hold equally many of its steps.

    Raises
    ------
    InputError
        For a grid of units or bins that would not fit; the message offers one that does.

    Notes
    -----
    Readings are summed in blocks of 1,048,576 in the order of arrival: however they are handed to
    `update`, the same readings in the same order give the same bits. `merge` adds block sums, so
    that the same partitions merged in the same order give the same bits. Counts never depend on
    partitions; the sums of two different partitions agree within 1e-8 of the number of readings
    (the tolerance of the nonuniform FFT).

    Examples
    --------
    >>> import numpy as np
    >>> import quantize as qz
    >>> rng = np.random.default_rng(1)
    >>> flow = qz.counts.Spectrum((-1.0, 12.0), (0.5, 4.0))
    >>> for _ in range(3):
    ...     flow = flow.update(rng.poisson(3, 500) + 0.1 * rng.normal(size=500))
    >>> flow
    <Spectrum: 1500 readings, 115 trial units from 0.5 to 4, 520 bins>
    >>> round(qz.periodogram(flow).unit, 2)
    1.0
    """

    def __init__(
        self,
        window: tuple[float, float],
        unit_range: tuple[float, float] | None = None,
        *,
        offset: Literal["zero", "free"] | float = "zero",
        oversampling: float = 5.0,
        bin_width: float | None = None,
        resolution: float | None = None,
    ) -> None:
        self.grid = sums_grid(window, unit_range, offset, oversampling, bin_width, resolution)
        self._clear()

    def _clear(self) -> None:
        self._sums: ComplexArray = np.zeros(self.grid.size, np.complex128)
        self._counts: IntArray = np.zeros(self.grid.bins, np.int64)
        self._outside: IntArray = np.zeros(2, np.int64)
        self._moments: FloatArray = np.zeros(2)
        self._extremes = (math.inf, -math.inf)
        self._pending = np.empty(0)

    def update(self, values: ArrayLike) -> Spectrum:
        """Add readings; returns the spectrum itself. Nothing is added when any is not a number.

        Parameters
        ----------
        values : array_like, shape (n,)
            Readings in the order in which they came; none at all will do.
        """
        x = validation.float_array("values", values)
        if self._pending.size:
            x = np.concatenate([self._pending, x])
        whole = x.size // BLOCK * BLOCK
        for start in range(0, whole, BLOCK):
            self._add(x[start : start + BLOCK])
        self._pending = x[whole:].copy()
        return self

    def update_from(self, parts: Iterable[ArrayLike]) -> Spectrum:
        """Add one array after the other; returns the spectrum itself."""
        for part in parts:
            self.update(part)
        return self

    def read_parquet(
        self,
        path: str | os.PathLike[str],
        column: str | None = None,
        *,
        row_groups: Iterable[int] | None = None,
        workers: int | Executor | Callable[..., Any] | sources.Client | None = None,
        progress: Progress = False,
    ) -> Spectrum:
        """Add a column of a parquet file that may be larger than memory.

        Parameters
        ----------
        path : str or path-like
            Name of the file.
        column : str, optional
            Name of the column that holds the readings. Not needed when only one column holds
            numbers that do more than count the rows.
        row_groups : iterable of int, optional
            Only these parts of the file, counted from 0.
        workers : int, Executor, cluster client or map-like callable, optional
            Who reads; they must see the file under the same path. The bits do not depend on it.
        progress : bool or callable, default False
            True shows a bar; a callable is called with (done, total) parts.

        Returns
        -------
        Spectrum
            Itself.

        Raises
        ------
        InputError
            For a file or a column that cannot be used. What was read before stays in.
        """
        sources.add_parquet(self, path, column, row_groups, workers, progress)
        return self

    def add_dask(self, collection: Any, *, client: Any = None) -> Spectrum:
        """Add every partition of a Dask collection, summed where it lies.

        Parameters
        ----------
        collection : dask Array, Series, DataFrame with one column, Bag, or list of Delayed
            The readings, in one dimension.
        client : distributed.Client, optional
            An existing cluster; by default the current client, or Dask's own scheduler.

        Returns
        -------
        Spectrum
            Itself.

        Raises
        ------
        InputError
            When partitions fail; those that did not are in the spectrum, and the message says so.
        """
        sources.add_dask(self, collection, client)
        return self

    def merge(self, other: Spectrum) -> Spectrum:
        """Add the sums of `other`, which stays as it is; returns the spectrum itself."""
        if not isinstance(other, Spectrum):
            raise InputTypeError(f"`other` is {type(other).__name__}; give another Spectrum.")
        if other.grid != self.grid:
            mine, theirs = dataclasses.asdict(self.grid), dataclasses.asdict(other.grid)
            name = next(name for name in mine if mine[name] != theirs[name])
            raise InputError(
                f"`other` has another {name} ({theirs[name]}, here {mine[name]}); make both "
                "spectra with the same arguments."
            )
        self._settle()
        more = other._settled()
        self._sums += more._sums
        self._counts += more._counts
        self._outside += more._outside
        self._moments += more._moments
        self._widen(*more._extremes)
        return self

    def empty(self) -> Spectrum:
        """A spectrum with the same grid and no readings."""
        fresh = copy.copy(self)
        fresh._clear()
        return fresh

    def _add(self, x: FloatArray) -> None:
        grid = self.grid
        self._widen(float(x.min()), float(x.max()))
        if self._extremes[0] < grid.window[0] or self._extremes[1] >= grid.window[1]:
            under, over = x < grid.window[0], x >= grid.window[1]
            self._outside += np.count_nonzero(under), np.count_nonzero(over)
            x = x[~(under | over)]
            if x.size == 0:
                return
        place = ((x - grid.window[0]) * (1 / grid.bin_width)).astype(np.int32)
        np.minimum(place, grid.bins - 1, out=place)
        self._counts += np.bincount(place, minlength=grid.bins)
        away = x - grid.origin
        self._moments += (float(np.sum(away)), float(np.dot(away, away)))
        self._sums += sums_at_many_units(
            away, np.ones(away.size), grid.step * grid.start, grid.step, grid.size
        )

    def _widen(self, low: float, high: float) -> None:
        self._extremes = min(self._extremes[0], low), max(self._extremes[1], high)

    def _settle(self) -> None:
        if self._pending.size:
            self._add(self._pending)
            self._pending = np.empty(0)

    def _settled(self) -> Spectrum:
        """Itself, or a copy with the readings that wait for a full block added."""
        if not self._pending.size:
            return self
        whole = copy.copy(self)
        for name in ("_sums", "_counts", "_outside", "_moments"):
            setattr(whole, name, getattr(self, name).copy())
        whole._settle()
        return whole

    @property
    def total(self) -> int:
        """Readings inside the window."""
        return int(self._settled()._counts.sum())

    @property
    def outside(self) -> tuple[int, int]:
        """Readings below and above the window."""
        below, above = self._settled()._outside.tolist()
        return below, above

    @property
    def mean(self) -> float:
        """Mean of the readings in the window."""
        return self.grid.origin + self._averages()[0]

    @property
    def variance(self) -> float:
        """Variance of the readings in the window."""
        first, second = self._averages()
        return max(second - first**2, 0.0)

    def _averages(self) -> tuple[float, float]:
        """Means of the distances from the origin and of their squares."""
        whole = self._settled()
        n = whole.total
        first, second = whole._moments / n if n else (math.nan, math.nan)
        return float(first), float(second)

    @property
    def histogram(self) -> Histogram:
        """The readings in the window, counted in bins; InputError when there are none."""
        whole = self._settled()
        if not whole._counts.any():
            below, above = self.outside
            raise InputError(
                f"the spectrum holds no reading in its window ({below} below, {above} above); "
                "update it, or choose another window."
            )
        return Histogram(self.grid.edges, whole._counts.copy())

    @property
    def unit_range(self) -> UnitRange:
        """The range of trial units."""
        low, high = self.grid.low, self.grid.high
        return UnitRange(low=low, high=high, chosen=False, reason="set with the spectrum")

    @property
    def trial_units(self) -> FloatArray:
        """From the largest unit to the smallest."""
        return 1 / self.grid.frequencies

    @property
    def power(self) -> FloatArray:
        """Rayleigh power at `trial_units`."""
        whole = self._settled()
        sums = whole._sums[self.grid.kept]
        return (sums.real**2 + sums.imag**2) / max(whole.total, 1)

    def between(self) -> SumsBetween:
        """The sums at any frequency of the grid, about `grid.origin`."""
        grid = self.grid
        return SumsBetween(
            first=grid.step * grid.start,
            step=grid.step,
            sums=self._settled()._sums,
            centre=0.5 * sum(grid.window) - grid.origin,
            oversampling=grid.oversampling,
        )

    def _sums_within(self, unit_range: UnitRange) -> CountSums:
        """The sums at the trial units inside the range, or at all where they are too few."""
        f = 1 / self.trial_units
        inside = (f >= 1 / unit_range.high * (1 - 1e-12)) & (f <= 1 / unit_range.low * (1 + 1e-12))
        whole = self._settled()
        used = whole.histogram.occupied()
        return CountSums(
            parts=((whole.between(), 0.0),),
            origin=self.grid.origin,
            edges=used.edges,
            counts=used.counts,
            frequencies=f[inside] if inside.sum() >= 3 else f,
            free=isinstance(self.grid.offset, str),
        )

    def _sums_over(
        self, given: UnitRange | None, offset: str | float, oversampling: float = 5.0
    ) -> tuple[CountSums, UnitRange, dict[str, Any]]:
        """At the offset and the oversampling with which they were made."""
        unit_range, grid = given or self.unit_range, self.grid
        grid.check(unit_range, offset)
        settings = {"offset": grid.offset, "harmonics": 1, "oversampling": grid.oversampling}
        return self._sums_within(unit_range), unit_range, settings

    def _as_readings(self) -> Readings:
        return self.histogram._as_readings()

    def __repr__(self) -> str:
        grid = self.grid
        return (
            f"<Spectrum: {self.total} readings, {grid.frequencies.size} trial units from "
            f"{grid.low:g} to {grid.high:g}, {grid.bins} bins>"
        )

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary; `from_dict` reads it."""
        whole = self._settled()
        return {
            "schema": "quantize.Spectrum/1",
            "grid": dataclasses.asdict(self.grid),
            "sums_real": whole._sums.real.tolist(),
            "sums_imag": whole._sums.imag.tolist(),
            "counts": whole._counts.tolist(),
            "outside": whole._outside.tolist(),
            "moments": whole._moments.tolist(),
            "extremes": list(whole._extremes) if math.isfinite(whole._extremes[0]) else None,
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> Spectrum:
        """The spectrum that `to_dict` wrote."""
        state = results.up_to_date("Spectrum", 1, state)
        with results.reading_back("Spectrum"):
            grid = SumsGrid(**(state["grid"] | {"window": tuple(state["grid"]["window"])}))
            new = cls.__new__(cls)
            new.grid = grid
            new._clear()
            new._sums = np.asarray(state["sums_real"]) + 1j * np.asarray(state["sums_imag"])
            new._counts = np.asarray(state["counts"], np.int64)
            if new._sums.shape != (grid.size,) or new._counts.shape != (grid.bins,):
                raise InputError(
                    f"`state` holds {new._sums.size} sums and {new._counts.size} counts, but its "
                    f"grid has {grid.size} and {grid.bins}; it was cut short, so write it again."
                )
            new._outside[:], new._moments[:] = state["outside"], state["moments"]
            new._widen(*(state["extremes"] or new._extremes))
        return new
