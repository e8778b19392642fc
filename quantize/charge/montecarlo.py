"""Propagation of distributions by Monte Carlo (JCGM 101)."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any, ClassVar

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.randomness import RngLike, generator
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.propagation import Propagation, correlation_matrix
from quantize.charge.quantity import Quantity
from quantize.charge.stated import stated

_BATCH = 10_000
_MOST_TRIALS = 2_000_000
_LARGEST_CHUNK = 500_000  # values drawn at a time in `monte_carlo_many`
_TOLERABLE = 0.05  # of the standard uncertainty, between linear and Monte Carlo ends


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MonteCarlo(Result):
    """Result of `monte_carlo`.

    Attributes
    ----------
    value, standard_uncertainty : float
        Mean and standard deviation of the trials.
    shortest, symmetric : numpy.ndarray, shape (1, 2)
        The shortest interval of probability `prob`, and the one with equal tails.
    prob : float
    trials : int
    settled : bool
        Whether mean, uncertainty and ends were stable to the digits asked for.
    linear_interval : numpy.ndarray or None
        What linear propagation gives for the same probability.
    agrees : bool or None
        Whether the ends of the two agree to 5 % of the standard uncertainty.
    """

    _private: ClassVar[tuple[str, ...]] = ()

    value: float
    standard_uncertainty: float
    shortest: FloatArray
    symmetric: FloatArray
    prob: float
    trials: int
    settled: bool
    unit: str = "1"
    linear_interval: FloatArray | None = None
    agrees: bool | None = None

    def _headline(self) -> str:
        low, high = self.shortest[0]
        return (
            f"{stated(self.value, self.standard_uncertainty, self.unit)[1]}, shortest "
            f"{100 * self.prob:.0f} % interval {low:.4g} to {high:.4g}, {self.trials} trials"
        )

    def __str__(self) -> str:
        text = f"Monte Carlo: {self._headline()}"
        if self.agrees is False and self.linear_interval is not None:
            low, high = self.linear_interval[0]
            text += (
                f"\n  WARNING: the linear interval, {low:.4g} to {high:.4g}, differs; the model "
                "is not linear enough or the inputs are far from normal. Use this one."
            )
        return text


def draw(quantity: Quantity, size: int, rng: np.random.Generator, *, normal: Any = None) -> Any:
    """Values of one input (JCGM 101, table 1).

    Normal, rectangular, or Student-t scaled by the standard error; `normal` hands in standard
    normal deviates that are correlated with those of other inputs.
    """
    u = quantity.standard_uncertainty
    if u == 0:
        return np.full(size, quantity.value)
    if quantity.distribution == "rectangular":
        if normal is None:
            return quantity.value + math.sqrt(3) * u * rng.uniform(-1, 1, size=size)
        from scipy.special import ndtr

        return quantity.value + math.sqrt(3) * u * (2 * ndtr(normal) - 1)
    z = rng.standard_normal(size=size) if normal is None else normal
    if quantity.distribution == "t" and math.isfinite(quantity.degrees_of_freedom):
        nu = quantity.degrees_of_freedom
        z = z / np.sqrt(rng.chisquare(nu, size=size) / nu)
    return quantity.value + u * z


def monte_carlo(
    model: Callable[..., Any],
    inputs: Mapping[str, Quantity],
    *,
    trials: int | None = None,
    prob: float = 0.95,
    digits: int = 2,
    unit: str = "1",
    correlations: Mapping[tuple[str, str], float] | None = None,
    rng: RngLike = None,
) -> MonteCarlo:
    r"""Carry whole distributions through `model`.

    Parameters
    ----------
    model : callable
        Takes one array for each input, in the order of `inputs`, and returns an array.
    inputs : mapping of str to Quantity
    trials : int, optional
        A fixed number; left out, batches of 10,000 are added until the result is stable.
    prob : float
        Probability of the intervals.
    digits : int
        Significant digits of the standard uncertainty that must be stable.
    unit : str
    correlations : mapping, optional
        Of pairs of inputs; carried by correlated normal deviates.
    rng : None, int, SeedSequence or Generator

    Returns
    -------
    MonteCarlo

    References
    ----------
    JCGM 101:2008, 6.4 (distributions), 7.5 to 7.7 (results), 7.9 (adaptive procedure).

    Examples
    --------
    >>> from quantize.charge import Quantity
    >>> two = {n: Quantity(value=0.0, standard_uncertainty=1.0) for n in ("a", "b")}
    >>> found = monte_carlo(lambda a, b: a + b, two, trials=100_000, rng=1)
    >>> bool(abs(found.standard_uncertainty - 2**0.5) < 0.02)
    True
    """
    generator_ = generator(rng)
    validation.fraction("prob", prob)
    root = _root(list(inputs), correlations or {})
    if trials is not None:
        n = validation.count("trials", trials, least=100)
        values = _values(model, inputs, n, generator_, root)
        return _summary(np.sort(values), prob, settled=True, unit=unit)
    batches: list[FloatArray] = []
    ends: list[tuple[float, ...]] = []
    settled = False
    while not settled and len(batches) * _BATCH < _MOST_TRIALS:
        values = np.sort(_values(model, inputs, _BATCH, generator_, root))
        batches.append(values)
        low, high = shortest_interval(values, prob)
        ends.append((float(values.mean()), float(values.std(ddof=1)), low, high))
        settled = len(batches) > 2 and _stable(np.array(ends), digits)
    return _summary(np.sort(np.concatenate(batches)), prob, settled=settled, unit=unit)


def check_linear(
    found: Propagation, *, trials: int | None = None, prob: float = 0.95, rng: RngLike = None
) -> MonteCarlo:
    """Monte Carlo of a linear propagation, and whether the two agree (JCGM 101, clause 8)."""
    drawn = monte_carlo(
        found.model,
        found.inputs,
        trials=trials,
        prob=prob,
        unit=found.unit,
        correlations=found.correlations,
        rng=rng,
    )
    linear = found.interval(prob)
    gap = float(np.max(np.abs(linear - drawn.symmetric)))
    # Two thousandths of the trials or so lie near an end: their own error is let through.
    own_error = 4 * drawn.standard_uncertainty / math.sqrt(drawn.trials * (1 - prob))
    tolerance = _TOLERABLE * drawn.standard_uncertainty + own_error
    return dataclasses.replace(drawn, linear_interval=linear, agrees=gap <= tolerance)


def shortest_interval(ordered: FloatArray, prob: float) -> tuple[float, float]:
    """The shortest interval that holds `prob` of sorted values (JCGM 101, 7.7.4)."""
    inside = _inside(ordered.size, prob)
    widths = ordered[inside:] - ordered[: ordered.size - inside]
    start = int(np.argmin(widths))
    return float(ordered[start]), float(ordered[start + inside])


def _inside(size: int, prob: float) -> int:
    return min(math.floor(prob * size + 0.5), size - 1)


def _root(names: list[str], correlations: Mapping[tuple[str, str], float]) -> FloatArray | None:
    matrix = correlation_matrix(names, correlations)
    if np.array_equal(matrix, np.eye(len(names))):
        return None
    values, vectors = np.linalg.eigh(matrix)
    root: FloatArray = vectors * np.sqrt(np.clip(values, 0, None))
    return root


def _values(
    model: Callable[..., Any],
    inputs: Mapping[str, Quantity],
    size: int,
    rng: np.random.Generator,
    root: FloatArray | None,
) -> FloatArray:
    normals: Any = [None] * len(inputs)
    if root is not None:
        normals = root @ rng.standard_normal(size=(len(inputs), size))
    drawn = [draw(q, size, rng, normal=z) for q, z in zip(inputs.values(), normals, strict=True)]
    with np.errstate(all="ignore"):
        values = np.broadcast_to(np.asarray(model(*drawn), dtype=np.float64), (size,))
    if not np.isfinite(values).all():
        bad = int((~np.isfinite(values)).sum())
        raise InputError(
            f"`model` gives no finite value in {bad} of {size} trials; an input may reach where "
            "it makes no sense, such as a negative length."
        )
    return values


def _stable(ends: FloatArray, digits: int) -> bool:
    """Whether twice the standard error of each result is below the last digit wanted."""
    error = ends.std(axis=0, ddof=1) / math.sqrt(ends.shape[0])
    u = float(ends[:, 1].mean())
    tolerance = 0.5 * 10.0 ** (math.floor(math.log10(u)) - digits + 1) if u > 0 else math.inf
    return bool(np.all(2 * error < tolerance))


def _summary(ordered: FloatArray, prob: float, *, settled: bool, unit: str) -> MonteCarlo:
    tail = (1 - prob) / 2
    return MonteCarlo(
        value=float(ordered.mean()),
        standard_uncertainty=float(ordered.std(ddof=1)),
        shortest=np.array([shortest_interval(ordered, prob)]),
        symmetric=np.array([np.quantile(ordered, [tail, 1 - tail])]),
        prob=prob,
        trials=int(ordered.size),
        settled=settled,
        unit=unit,
    )


def monte_carlo_many(
    model: Callable[..., Any],
    individual: Mapping[str, tuple[Any, Any]],
    shared: Mapping[str, Quantity],
    *,
    trials: int = 10_000,
    prob: float = 0.95,
    rng: RngLike = None,
) -> FloatArray:
    """Monte Carlo for many particles, with inputs of their own and inputs that all share.

    Parameters
    ----------
    model : callable
        Takes the individual inputs by name, each of shape (chunk, trials), and the shared ones,
        each of shape (trials,).
    individual : mapping of str to (values, standard uncertainties)
        Each of shape (particles,); normal.
    shared : mapping of str to Quantity
        Drawn once, so that all particles move together.
    trials : int
    prob : float
    rng : None, int, SeedSequence or Generator

    Returns
    -------
    numpy.ndarray, shape (particles, 4)
        Mean, standard uncertainty, low and high end of the shortest interval.

    Examples
    --------
    >>> from quantize.charge import Quantity
    >>> found = monte_carlo_many(
    ...     lambda length, scale: length * scale,
    ...     {"length": ([1.0, 2.0], [0.01, 0.01])},
    ...     {"scale": Quantity(value=3.0, standard_uncertainty=0.0)}, trials=2000, rng=1)
    >>> found.shape
    (2, 4)
    """
    gen = generator(rng)
    n_trials = validation.count("trials", trials, least=100)
    common = {name: draw(q, n_trials, gen) for name, q in shared.items()}
    columns = {
        name: (
            validation.float_array(name, np.asarray(value, dtype=float)),
            validation.float_array(f"{name} uncertainty", np.asarray(spread, dtype=float)),
        )
        for name, (value, spread) in individual.items()
    }
    sizes = {value.size for pair in columns.values() for value in pair}
    if len(sizes) != 1:
        raise InputError(
            f"`individual` holds columns of {sorted(sizes)} entries; give one for each particle."
        )
    (particles,) = sizes
    out = np.empty((particles, 4))
    chunk = max(1, _LARGEST_CHUNK // n_trials)
    for start in range(0, particles, chunk):
        stop = min(start + chunk, particles)
        drawn = {}
        for name, (value, spread) in columns.items():
            block = gen.standard_normal(size=(stop - start, n_trials))
            block *= spread[start:stop, None]
            block += value[start:stop, None]
            drawn[name] = block
        out[start:stop] = _summaries(np.asarray(model(**drawn, **common)), prob)
    return out


def _summaries(values: FloatArray, prob: float) -> FloatArray:
    """Mean, standard uncertainty and shortest interval of each row; `values` is scrambled."""
    mean, spread = values.mean(axis=1), values.std(axis=1, ddof=1)
    size = values.shape[1]
    inside = _inside(size, prob)
    ends = size - inside
    if ends <= inside:
        # Only the tails need to be in order, which is four times as fast as sorting.
        values.partition(inside, axis=1)
        high = np.sort(values[:, inside:], axis=1)
        rest = values[:, :inside]
        rest.partition(ends - 1, axis=1)
        low = np.sort(rest[:, :ends], axis=1)
    else:
        values.sort(axis=1)
        low, high = values[:, :ends], values[:, inside:]
    start = np.argmin(high - low, axis=1)
    rows = np.arange(values.shape[0])
    return np.column_stack([mean, spread, low[rows, start], high[rows, start]])
