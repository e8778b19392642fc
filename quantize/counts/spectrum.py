"""Spectrum: sums over trial units and counts in bins, kept while readings stream by."""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import results, validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.parallel import Progress
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.band import Band
from quantize.comb.kernel import ComplexArray
from quantize.comb.sums import sums_at_many_units
from quantize.comb.sums_between import SumsBetween, neighbours
from quantize.counts.histogram import Histogram
from quantize.counts.sums_grid import SumsGrid, sums_grid

if TYPE_CHECKING:
    from quantize.comb.periodogram import Periodogram
    from quantize.readings import Readings

BLOCK = 2**20
"""Readings that are summed at once. Sums over a block do not depend on how its readings came."""


class Spectrum:
    """Sums over trial units, counts in bins and moments of readings that need not be kept.

    Everything in it is a sum, so that partial results add: over pieces of a file, over the
    partitions of a cluster, over days. `periodogram`, `fit_counts` and `analyze` take it. Memory
    does not grow with the number of readings.

    Parameters
    ----------
    window : (float, float)
        Readings outside it are counted and left out. Choose it from what the instrument can give.
    unit_range : (float, float), optional
        Smallest and largest trial unit; by default from a 400th to half of the window.
    offset : {"zero", "free"} or float
        Where the comb starts.
    oversampling : float
        Trial units per turn of the fastest relative phase, at least 2.
    bin_width : float, optional
        By default a twentieth of the smallest unit, in whole steps of the resolution.
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
    >>> flow = qz.Spectrum((-1.0, 12.0), (0.5, 4.0))
    >>> for _ in range(3):
    ...     flow = flow.update(rng.poisson(3, 500) + 0.1 * rng.normal(size=500))
    >>> flow
    <Spectrum: 1500 readings, 115 trial units from 0.5 to 4, 520 bins>
    >>> round(qz.periodogram(flow).unit, 2)
    1.0
    """

    def __init__(
        self,
        window: Any,
        unit_range: Any = None,
        *,
        offset: str | float = "zero",
        oversampling: float = 5.0,
        bin_width: float | None = None,
        resolution: float | None = None,
    ) -> None:
        grid = sums_grid(window, unit_range, offset, oversampling, bin_width, resolution)
        self.grid = grid
        self._sums: ComplexArray = np.zeros(grid.size, np.complex128)
        self._counts: IntArray = np.zeros(grid.bins, np.int64)
        self._below = self._above = 0
        self._moments: FloatArray = np.zeros(2)
        self._extremes = (math.inf, -math.inf)
        self._pending = np.empty(0)

    # ---- adding ---------------------------------------------------------------------------

    def update(self, values: Any) -> Spectrum:
        """Add readings; returns the spectrum itself. Nothing is added when any is not a number.

        Parameters
        ----------
        values : array_like, shape (n,)
            Readings; none at all will do.
        """
        x = validation.float_array("values", values) if np.size(values) else np.empty(0)
        if self._pending.size:
            x = np.concatenate([self._pending, x])
        whole = x.size // BLOCK * BLOCK
        for start in range(0, whole, BLOCK):
            self._add(x[start : start + BLOCK])
        self._pending = x[whole:].copy()
        return self

    def update_from(self, parts: Iterable[Any]) -> Spectrum:
        """Add one array after the other; returns the spectrum itself."""
        for part in parts:
            self.update(part)
        return self

    def read_parquet(
        self,
        path: Any,
        column: str | None = None,
        *,
        row_groups: Iterable[int] | None = None,
        workers: Any = None,
        progress: Progress = False,
    ) -> Spectrum:
        """Add a column of a parquet file that may be larger than memory.

        Parameters
        ----------
        path : str or path-like
        column : str, optional
            Not needed when only one column holds numbers that do more than count the rows.
        row_groups : iterable of int, optional
            Only these parts of the file.
        workers : int, Executor, cluster client or map-like callable, optional
            Who reads; they must see the file under the same path. The bits do not depend on it.
        progress : bool or callable

        Returns
        -------
        Spectrum
            Itself.

        Raises
        ------
        InputError
            For a file or a column that cannot be used. What was read before stays in.
        """
        from quantize.counts.sources import add_parquet

        add_parquet(self, path, column, row_groups, workers, progress)
        return self

    def add_dask(self, collection: Any, *, client: Any = None) -> Spectrum:
        """Add every partition of a Dask collection, summed where it lies.

        Parameters
        ----------
        collection : dask Array, Series, DataFrame with one column, Bag, or list of Delayed
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
        from quantize.counts.sources import add_dask

        add_dask(self, collection, client)
        return self

    def merge(self, other: Spectrum) -> Spectrum:
        """Add the sums of `other`, which stays as it is; returns the spectrum itself."""
        if not isinstance(other, Spectrum):
            raise InputTypeError(f"`other` is {type(other).__name__}; give another Spectrum.")
        if other.grid != self.grid:
            differing = [
                f.name
                for f in dataclasses.fields(SumsGrid)
                if getattr(self.grid, f.name) != getattr(other.grid, f.name)
            ]
            raise InputError(
                f"`other` has another {differing[0]} ({getattr(other.grid, differing[0])}, here "
                f"{getattr(self.grid, differing[0])}); make both spectra with the same arguments."
            )
        self._settle()
        more = other._settled()
        self._sums += more._sums
        self._counts += more._counts
        self._below += more._below
        self._above += more._above
        self._moments += more._moments
        self._extremes = (
            min(self._extremes[0], more._extremes[0]),
            max(self._extremes[1], more._extremes[1]),
        )
        return self

    def empty(self) -> Spectrum:
        """A spectrum with the same grid and no readings."""
        fresh = copy.copy(self)
        fresh._sums, fresh._counts = np.zeros_like(self._sums), np.zeros_like(self._counts)
        fresh._below = fresh._above = 0
        fresh._moments, fresh._extremes = np.zeros(2), (math.inf, -math.inf)
        fresh._pending = np.empty(0)
        return fresh

    def _add(self, x: FloatArray) -> None:
        grid = self.grid
        self._extremes = (
            min(self._extremes[0], float(x.min())),
            max(self._extremes[1], float(x.max())),
        )
        if self._extremes[0] < grid.window[0] or self._extremes[1] >= grid.window[1]:
            under, over = x < grid.window[0], x >= grid.window[1]
            self._below += int(np.count_nonzero(under))
            self._above += int(np.count_nonzero(over))
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

    def _settle(self) -> None:
        if self._pending.size:
            self._add(self._pending)
            self._pending = np.empty(0)

    def _settled(self) -> Spectrum:
        """Itself, or a copy with the readings that wait for a full block added."""
        if not self._pending.size:
            return self
        whole = copy.copy(self)
        whole._sums, whole._counts = self._sums.copy(), self._counts.copy()
        whole._moments = self._moments.copy()
        whole._settle()
        return whole

    # ---- looking --------------------------------------------------------------------------

    @property
    def total(self) -> int:
        """Readings inside the window."""
        return int(self._settled()._counts.sum())

    @property
    def outside(self) -> tuple[int, int]:
        """Readings below and above the window."""
        whole = self._settled()
        return whole._below, whole._above

    @property
    def mean(self) -> float:
        """Mean of the readings in the window."""
        whole = self._settled()
        n = int(whole._counts.sum())
        return self.grid.origin + float(whole._moments[0]) / n if n else math.nan

    @property
    def variance(self) -> float:
        """Variance of the readings in the window."""
        whole = self._settled()
        n = int(whole._counts.sum())
        if not n:
            return math.nan
        first, second = whole._moments / n
        return max(float(second - first**2), 0.0)

    @property
    def histogram(self) -> Histogram:
        """The readings in the window, counted in bins.

        Raises InputError when there are none.
        """
        whole = self._settled()
        if not whole._counts.any():
            below, above = whole._below, whole._above
            raise InputError(
                f"the spectrum holds no reading in its window ({below} below, {above} above); "
                "update it, or choose another window."
            )
        return Histogram(self.grid.edges, whole._counts.copy())

    @property
    def band(self) -> Band:
        """The range of trial units."""
        return Band(
            low=self.grid.low, high=self.grid.high, chosen=False, reason="set with the spectrum"
        )

    @property
    def trial_units(self) -> FloatArray:
        """From the largest unit to the smallest."""
        units: FloatArray = 1 / self._frequencies()[1]
        return units

    @property
    def power(self) -> FloatArray:
        """Rayleigh power at `trial_units`."""
        keep, _ = self._frequencies()
        whole = self._settled()
        sums = whole._sums[keep]
        power: FloatArray = (sums.real**2 + sums.imag**2) / max(int(whole._counts.sum()), 1)
        return power

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

    def _frequencies(self) -> tuple[slice, FloatArray]:
        """Where the trial units lie among the sums, and their frequencies."""
        grid = self.grid
        spare = neighbours(grid.oversampling)
        keep = slice(spare, grid.size - spare)
        f: FloatArray = grid.step * (grid.start + np.arange(grid.size, dtype=float)[keep])
        return keep, f

    def _periodogram(self, unit_range: Any, **options: Any) -> Periodogram:
        from quantize.counts.of_counts import periodogram_of_spectrum

        return periodogram_of_spectrum(self, unit_range, **options)

    def _as_readings(self) -> Readings:
        return self.histogram._as_readings()

    def __repr__(self) -> str:
        _, f = self._frequencies()
        grid = self.grid
        return (
            f"<Spectrum: {self.total} readings, {f.size} trial units from {grid.low:g} to "
            f"{grid.high:g}, {grid.bins} bins>"
        )

    # ---- keeping --------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary; `from_dict` reads it."""
        whole = self._settled()
        return {
            "schema": "quantize.Spectrum/1",
            "grid": dataclasses.asdict(self.grid),
            "sums_real": whole._sums.real.tolist(),
            "sums_imag": whole._sums.imag.tolist(),
            "counts": whole._counts.tolist(),
            "outside": [whole._below, whole._above],
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
            new._sums = np.asarray(state["sums_real"]) + 1j * np.asarray(state["sums_imag"])
            new._counts = np.asarray(state["counts"], np.int64)
            if new._sums.shape != (grid.size,) or new._counts.shape != (grid.bins,):
                raise InputError(
                    f"`state` holds {new._sums.size} sums and {new._counts.size} counts, but its "
                    f"grid has {grid.size} and {grid.bins}; it was cut short, so write it again."
                )
            new._below, new._above = (int(v) for v in state["outside"])
            new._moments = np.asarray(state["moments"], float)
            low, high = state["extremes"] or (math.inf, -math.inf)
            new._extremes = float(low), float(high)
            new._pending = np.empty(0)
        return new
