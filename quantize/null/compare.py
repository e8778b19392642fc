"""How often data without steps score as high as the readings, the whole range searched."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable
from typing import Any, ClassVar, Literal, TypeAlias, Unpack

import numpy as np
from numpy.typing import ArrayLike

from quantize._support import randomness, validation
from quantize._support.errors import InputError, InputTypeError, explained
from quantize._support.parallel import Progress, Workers, ordered_map, steps
from quantize._support.randomness import RngLike
from quantize._support.results import Later, Result
from quantize._support.validation import Columns, FloatArray, Offset
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.null import tails
from quantize.null.bounds import p_value_bound
from quantize.null.samplers import (
    Family,
    FittedFamily,
    Normal,
    RedrawnLevels,
    SmoothedBootstrap,
    Uniform,
)
from quantize.null.statistics import LargestScore
from quantize.readings import Readings, as_readings

Sampler = Callable[[int, np.random.Generator], FloatArray]
Statistic = Callable[[FloatArray], FloatArray]

NullName: TypeAlias = Literal["smooth", "uniform", "normal", "lumpy"]
NULLS: tuple[NullName, ...] = ("smooth", "uniform", "normal", "lumpy")
_DRAWN_FOR_ALL = ("smooth", "lumpy")
"""Nulls that are drawn where all are asked for."""
_BATCH = 500
"""Data sets drawn at once ..."""
_BATCH_VALUES = 2**22
"""... and readings in them, at most."""
_FEW = 10
"""Resamples above the observed value below which the tail is extrapolated as well."""


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
    tail_p_value : float or None
        Where fewer than ten resamples score as high: p by a generalised Pareto tail fitted to
        those that come nearest. It is *extrapolated*, and nothing in the library decides by it.
    bound : float or None
        Analytic bound on p for readings, or charge states, of any size (`p_value_bound`), for the
        statistic "score".
    """

    _private: ClassVar[tuple[str, ...]] = ("null_distribution",)

    p_value: float
    p_values: dict[str, float]
    statistic: float
    statistic_name: str
    null_distribution: FloatArray
    standard_error: float
    tail_p_value: float | None
    bound: float | None
    n_resamples: int
    unit_range: UnitRange
    seed: dict[str, Any]
    _scale: tails.ResultantScale | None = None

    def critical_value(self, alpha: float, *, extrapolate: bool = False) -> float:
        """The statistic at which p, counted in `null_distribution`, falls to `alpha`.

        Parameters
        ----------
        alpha : float
            Level of the test, a share between 0 and 1.
        extrapolate : bool
            Take the fitted tail where `alpha` is below ten resamples in all, which count poorly.

        Returns
        -------
        float
            In the unit of `statistic`.

        Raises
        ------
        InputError
            When `alpha` is below 1/(n_resamples + 1) and not extrapolated.

        Examples
        --------
        >>> import numpy as np
        >>> sample = np.linspace(1, 20, 30) ** 1.3
        >>> found = compare_null(sample, (2, 9), null="smooth", n_resamples=999, rng=1)
        >>> height = found.critical_value(0.05)
        >>> float(np.mean(found.null_distribution >= height)) <= 0.05
        True
        """
        alpha = validation.fraction("alpha", alpha)
        if extrapolate and alpha * (self.n_resamples + 1) < _FEW:
            return tails.Tail.of(self.null_distribution, self._scale).value(alpha)
        return tails.critical_value(alpha, self.null_distribution)

    def _headline(self) -> str:
        return (
            f"p = {self.p_value:.4g} ± {self.standard_error:.1g}, {self.statistic_name} "
            f"{self.statistic:.4g}, {self.n_resamples} resamples"
        )


@explained(Columns)
def compare_null(
    readings: Readings | ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    offset: Offset = "zero",
    null: Literal["all"] | NullName | Sampler | Family = "all",
    statistic: Literal["score"] | Statistic = "score",
    n_resamples: int = 9999,
    batch: int | None = None,
    rng: RngLike = None,
    workers: Workers = None,
    progress: Progress = False,
    **columns: Unpack[Columns],
) -> NullComparison:
    """Monte Carlo p-value of the best unit in the whole range against data without steps.

    Data sets of the same size are drawn without steps, the range is searched in each as in the
    readings, and those that score at least as high are counted.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        What was measured, in any unit of measurement; readings of one charge state are drawn
        together.
    unit_range : (float, float), optional
        Smallest and largest unit, in the unit of the readings: the range that is searched, in the
        readings and in every resample. By default that of `default_unit_range`, chosen anew for
        each.
    offset : {"zero", "free"} or float
        Where the comb starts: at zero, anywhere, or at a known place in the unit of the readings.
    null : {"all", "smooth", "uniform", "normal", "lumpy"}, distribution or callable
        "smooth" is the smoothed bootstrap; "uniform" and "normal" are fitted to the readings;
        "lumpy" keeps the clusters of the readings and draws their places anew; "all" is "smooth"
        and "lumpy". A continuous distribution of ``scipy.stats`` is fitted by its own ``fit``. A
        callable gets (size, rng) and returns data sets of shape (size, n).
    statistic : {"score"} or callable
        "score" is the largest cosine score over the range (largest phase-free power for a free
        offset). A callable gets data sets of shape (size, n) and returns size numbers.
    n_resamples : int
        Data sets drawn under each null; no p-value is below 1/(n_resamples + 1).
    batch : int, optional
        Data sets drawn at once; it bounds memory and is part of what makes a seed reproducible.
        By default 500, fewer where 500 would hold more than four million readings.
    rng : int, SeedSequence or Generator, optional
        Source of randomness; the result holds a record of it.
    workers : int, map-like callable or concurrent.futures.Executor, optional
        Where batches are scored: so many processes, a function like ``map``, or a pool; by default
        this process. The numbers do not depend on it.
    progress : bool or callable
        True shows a bar; a callable gets (done, total) in batches.
    **columns
        `sigma`, `state`, `resolution` or `unit_name` of plain values, as in `Readings`.

    Returns
    -------
    NullComparison
        The p-value under each null, the largest of them, and the statistic of the resamples.

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
    >>> sample = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9]
    >>> qz.compare_null(sample, (1.2, 5), n_resamples=999, rng=1).p_value < 0.05
    True
    """
    from threadpoolctl import threadpool_limits

    data = as_readings(readings, columns=columns)
    mode, b = validation.offset_mode(offset)
    size = tails.resamples(n_resamples)
    batch = validation.count("batch", _at_once(len(data)) if batch is None else batch)
    unit_range = unit_range_for(data, unit_range)
    generator = randomness.generator(rng)
    seed = randomness.record(generator)
    measure, name = _statistic(statistic, data, unit_range, b, mode == "free")
    observed = float(_measured(measure, data.values[None, :])[0])
    samplers = _samplers(null, data, unit_range)
    batches = [min(batch, size - start) for start in range(0, size, batch)]
    bar = steps(progress, len(batches) * len(samplers), "resampling")
    distributions: dict[str, FloatArray] = {}
    for label, sampler in samplers.items():
        children = randomness.spawn(generator, len(batches))
        tasks = [
            (sampler, measure, count, child, len(data))
            for count, child in zip(batches, children, strict=True)
        ]
        # Products of small matrices are slower on several threads, much so beside other work.
        with threadpool_limits(1):
            values = np.concatenate(list(bar.over(ordered_map(_one_batch, tasks, workers))))
        distributions[label] = _need_spread(values, label) if callable(null) else values
    bar.close()
    p_values = {label: tails.counted_p(observed, drawn) for label, drawn in distributions.items()}
    worst = max(p_values, key=lambda label: p_values[label])
    p = p_values[worst]
    scale = measure.scale if isinstance(measure, LargestScore) else None
    return NullComparison(
        p_value=p,
        p_values=p_values,
        statistic=observed,
        statistic_name=name,
        null_distribution=distributions[worst],
        standard_error=float(np.sqrt(p * (1 - p) / (size + 1))),
        tail_p_value=_tail_p(p, observed, distributions[worst], scale),
        bound=None
        if callable(statistic)
        else p_value_bound(observed, data, unit_range, offset=offset),
        n_resamples=size,
        unit_range=unit_range,
        seed=seed,
        _scale=scale,
    )


def _at_once(n: int) -> int:
    """Data sets of n readings that are drawn at once."""
    return min(_BATCH, max(_BATCH_VALUES // n, 1))


def compare_later(
    data: Readings, n_resamples: int, rng: np.random.Generator, **options: Any
) -> Later:
    """What `compare_null` with one null gives now, drawn when somebody looks at it."""
    state = randomness.seed_sequence(rng).state
    randomness.spawn(rng, -(-n_resamples // _at_once(len(data))))
    return Later(_compared, state, data, n_resamples=n_resamples, **options)


def _compared(state: Any, data: Readings, **options: Any) -> NullComparison:
    return compare_null(data, rng=np.random.SeedSequence(**state), **options)


def _need_spread(values: FloatArray, label: str) -> FloatArray:
    """Refuse a null whose resamples all score alike."""
    if np.ptp(values) == 0 and values.size > 1:
        raise InputError(
            f"`null` {label!r} gives the same statistic ({values[0]:g}) for every resample; "
            "it must draw data sets that differ."
        )
    return values


def _tail_p(
    p: float, observed: float, drawn: FloatArray, scale: tails.ResultantScale | None
) -> float | None:
    """The extrapolated p-value, where few resamples score as high and there are enough in all."""
    if p * (drawn.size + 1) - 1 >= _FEW or drawn.size < tails.FEWEST_RESAMPLES:
        return None
    # Ties among the largest tenth have no tail; the counted p-value stands.
    with contextlib.suppress(InputError):
        return tails.Tail.of(drawn, scale, observed).p_value(observed)
    return None


def _one_batch(task: tuple[Sampler, Statistic, int, np.random.SeedSequence, int]) -> FloatArray:
    sampler, measure, count, child, n = task
    if (
        isinstance(measure, LargestScore)
        and isinstance(sampler, SmoothedBootstrap)
        and measure.has_limit(sampler)
    ):
        return measure.in_the_limit(sampler, count, np.random.default_rng(child))
    drawn = np.asarray(sampler(count, np.random.default_rng(child)), dtype=float)
    if drawn.shape != (count, n):
        raise InputError(
            f"`null` returned shape {drawn.shape} for {count} data sets of {n} readings; "
            f"it must return shape ({count}, {n})."
        )
    if not np.all(np.isfinite(drawn)):
        raise InputError("`null` returned NaN or infinity; it must return finite values.")
    return _measured(measure, drawn)


def _measured(measure: Statistic, data: FloatArray) -> FloatArray:
    values = np.asarray(measure(data), dtype=float)
    if values.shape != (len(data),) or np.isnan(values).any():
        raise InputError(
            f"`statistic` returned shape {values.shape} or NaN for {len(data)} data sets; "
            "it must return one number for each."
        )
    return values


def _statistic(
    statistic: str | Statistic, data: Readings, unit_range: UnitRange, b: float, free: bool
) -> tuple[Statistic, str]:
    if callable(statistic):
        return statistic, getattr(statistic, "__name__", "own statistic")
    validation.choice("statistic", statistic, ("score",))
    measure = LargestScore.of(data, unit_range, b, free)
    return measure, measure.name


def _samplers(
    null: str | Sampler | Family, data: Readings, unit_range: UnitRange
) -> dict[str, Sampler]:
    if not isinstance(null, str):
        # A distribution of scipy.stats can be called, too.
        if isinstance(null, Family):
            return {str(getattr(null, "name", "own")): FittedFamily.of(data, null)}
        if callable(null):
            return {"own": null}
        raise InputTypeError(
            f"`null` is {null!r}; give 'all', a name, a distribution of scipy.stats or a sampler."
        )
    validation.choice("null", null, ("all", *NULLS))
    make: dict[str, Callable[[], Sampler]] = {
        "smooth": lambda: SmoothedBootstrap.of(data, unit_range.high),
        "uniform": lambda: FittedFamily.of(data, Uniform()),
        "normal": lambda: FittedFamily.of(data, Normal()),
        "lumpy": lambda: RedrawnLevels.of(data, unit_range.low, unit_range.high),
    }
    return {name: make[name]() for name in (_DRAWN_FOR_ALL if null == "all" else (null,))}
