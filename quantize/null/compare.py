"""How often data without steps score as high as the readings, the whole band searched."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, ClassVar

import numpy as np

from quantize._support import randomness, validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.progress import Progress, steps
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.comb.grid import Band, band_for
from quantize.null.lumpy import RedrawnLevels
from quantize.null.smooth import SmoothedBootstrap
from quantize.null.statistics import LargestScore
from quantize.readings import Readings, as_readings

Sampler = Callable[[int, np.random.Generator], FloatArray]
Statistic = Callable[[FloatArray], FloatArray]

NULLS = ("smooth", "lumpy")
_TIE = 1e-10
_BATCH = 500


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class NullComparison(Result):
    """Result of `compare_null`.

    Attributes
    ----------
    p_value : float
        The largest of `p_values`.
    p_values : dict of str to float
        For each null, (k + 1)/(n + 1) with k the resamples that score as high as the readings.
    statistic : float
        The statistic of the readings; `statistic_name` says which it is.
    null_distribution : numpy.ndarray, shape (n_resamples,)
        The statistic of the resamples from the null that gave the largest p-value.
    standard_error : float
        Monte Carlo standard error of `p_value`.
    """

    _private: ClassVar[tuple[str, ...]] = ("null_distribution",)

    p_value: float
    p_values: dict[str, float]
    statistic: float
    statistic_name: str
    null_distribution: FloatArray
    standard_error: float
    n_resamples: int
    band: Band
    seed: dict[str, Any]

    def _headline(self) -> str:
        return (
            f"p = {self.p_value:.4g} ± {self.standard_error:.1g}, {self.statistic_name} "
            f"{self.statistic:.4g}, {self.n_resamples} resamples"
        )


def compare_null(
    readings: Any,
    unit_range: Any = None,
    *,
    offset: str | float = "zero",
    null: str | Sampler = "all",
    statistic: str | Statistic = "score",
    n_resamples: int = 9999,
    batch: int | None = None,
    rng: RngLike = None,
    workers: Any = None,
    progress: Progress = False,
) -> NullComparison:
    """Monte Carlo p-value of the best unit in the whole band against data without steps.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
    unit_range : (float, float), optional
        The band that is searched, in the readings and in every resample.
    offset : {"zero", "free"} or float
    null : {"all", "smooth", "lumpy"} or callable
        "smooth" is the smoothed bootstrap; "lumpy" keeps the clusters of the readings and draws
        their places anew; "all" is both. A callable gets (size, rng) and returns data sets of
        shape (size, n).
    statistic : {"score"} or callable
        "score" is the largest cosine score over the band (largest phase-free power for a free
        offset). A callable gets data sets of shape (size, n) and returns size numbers.
    n_resamples : int
    batch : int, optional
        Data sets drawn at once; it bounds memory and is part of what makes a seed reproducible.
    rng : int, SeedSequence or Generator, optional
    workers : int, map-like callable or concurrent.futures.Executor, optional
    progress : bool or callable
        True shows a bar; a callable gets (done, total).

    Returns
    -------
    NullComparison

    Raises
    ------
    InputError
        For input that cannot be used, or a sampler or statistic that returns a wrong shape,
        NaN or a constant.

    References
    ----------
    Phipson and Smyth, Stat. Appl. Genet. Mol. Biol. 9(1):39 (2010), for (k + 1)/(n + 1).

    Examples
    --------
    >>> import quantize as qz
    >>> page = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9]
    >>> qz.compare_null(page, (1.2, 5), n_resamples=999, rng=1).p_value < 0.05
    True
    """
    from quantize._support.workers import ordered_map

    data = as_readings(readings)
    mode, b = validation.offset_mode(offset)
    size = validation.count("n_resamples", n_resamples)
    batch = validation.count("batch", _BATCH if batch is None else batch)
    band = band_for(data, unit_range)
    generator = randomness.generator(rng)
    seed = randomness.record(generator)
    measure, name = _statistic(statistic, data, band, b, mode == "free")
    observed = float(np.asarray(measure(data.values[None, :])).ravel()[0])
    samplers = _samplers(null, data, band)
    counts = [min(batch, size - start) for start in range(0, size, batch)]
    bar = steps(progress, len(counts) * len(samplers), "resampling")
    p_values: dict[str, float] = {}
    distributions: dict[str, FloatArray] = {}
    for label, sampler in samplers.items():
        tasks = [
            (sampler, measure, count, child, len(data))
            for count, child in zip(counts, randomness.spawn(generator, len(counts)), strict=True)
        ]
        values = np.concatenate(list(bar.over(ordered_map(_one_batch, tasks, workers))))
        if np.ptp(values) == 0 and size > 1:
            raise InputError(
                f"`null` {label!r} gives the same statistic ({values[0]:g}) for every resample; "
                "it must draw data sets that differ."
            )
        tolerance = _TIE * max(abs(observed), 1e-300)
        p_values[label] = (int(np.sum(values >= observed - tolerance)) + 1) / (size + 1)
        distributions[label] = values
    bar.close()
    worst = max(p_values, key=lambda label: p_values[label])
    p = p_values[worst]
    return NullComparison(
        p_value=p,
        p_values=p_values,
        statistic=observed,
        statistic_name=name,
        null_distribution=distributions[worst],
        standard_error=float(np.sqrt(p * (1 - p) / (size + 1))),
        n_resamples=size,
        band=band,
        seed=seed,
    )


def _one_batch(
    task: tuple[Sampler, Statistic, int, np.random.SeedSequence, int],
) -> FloatArray:
    sampler, measure, count, child, n = task
    drawn = np.asarray(sampler(count, np.random.default_rng(child)), dtype=float)
    if drawn.shape != (count, n):
        raise InputError(
            f"`null` returned shape {drawn.shape} for {count} data sets of {n} readings; "
            f"it must return shape ({count}, {n})."
        )
    if not np.all(np.isfinite(drawn)):
        raise InputError("`null` returned NaN or infinity; it must return finite values.")
    values = np.asarray(measure(drawn), dtype=float)
    if values.shape != (count,) or np.isnan(values).any():
        raise InputError(
            f"`statistic` returned shape {values.shape} or NaN for {count} data sets; "
            "it must return one number for each."
        )
    return values


def _statistic(
    statistic: str | Statistic, data: Readings, band: Band, b: float, free: bool
) -> tuple[Statistic, str]:
    if callable(statistic):
        return statistic, getattr(statistic, "__name__", "own statistic")
    validation.choice("statistic", statistic, ("score",))
    measure = LargestScore.of(data, band, b, free)
    return measure, measure.name


def _samplers(null: str | Sampler, data: Readings, band: Band) -> dict[str, Sampler]:
    if callable(null):
        return {"own": null}
    if not isinstance(null, str):
        raise InputTypeError(f"`null` is {null!r}; give 'all', a name or a sampler.")
    validation.choice("null", null, ("all", *NULLS))
    samplers: dict[str, Sampler] = {}
    if null in ("all", "smooth"):
        samplers["smooth"] = SmoothedBootstrap.of(data, band.high)
    if null in ("all", "lumpy"):
        samplers["lumpy"] = RedrawnLevels.of(data, band.low, band.high)
    return samplers
