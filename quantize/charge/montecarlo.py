"""Propagation of distributions by Monte Carlo (JCGM 101)."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quantize._support import validation
from quantize._support.errors import InputError, explained
from quantize._support.randomness import RngLike, generator
from quantize._support.results import Result
from quantize._support.validation import FloatArray
from quantize.charge.propagation import Model, Propagation, correlation_matrix, root_of
from quantize.charge.quantity import Quantity
from quantize.charge.stated import stated

_BATCH = 10_000
_MOST_TRIALS = 2_000_000
_LARGEST_CHUNK = 500_000  # values drawn at a time in `monte_carlo_many`
_SENSELESS = 1e-3  # share of trials without a finite value, as from the tails of Student's t
_TOLERABLE = 0.05  # of the standard uncertainty, between linear and Monte Carlo ends


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MonteCarlo(Result):
    """Result of `monte_carlo`.

    Attributes
    ----------
    value, standard_uncertainty : float
        Mean and standard deviation of the trials.
    shortest, symmetric : numpy.ndarray, shape (1, 2)
        The shortest interval of probability `prob`, and that with equal tails.
    prob : float
        Probability that the intervals hold.
    trials : int
        Number of draws.
    settled : bool
        Whether mean, uncertainty and ends were stable to the digits asked for.
    unit : str
        SI unit of the value.
    linear_interval : numpy.ndarray or None
        What linear propagation gives for the same probability; None where there is none.
    agrees : bool or None
        Whether the ends of the two agree to 5 % of the standard uncertainty.
    """

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
            f"{100 * self.prob:.0f} % interval {low:.4g} to {high:.4g} {self.unit}".rstrip()
            + f", {self.trials:,} trials"
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


def draw(
    quantity: Quantity, size: int, rng: np.random.Generator, *, normal: FloatArray | None = None
) -> FloatArray:
    """Values of one input (JCGM 101, table 1), by `normal` deviates correlated with others."""
    from scipy.stats import norm, t

    u = quantity.standard_uncertainty
    if u == 0:
        return np.full(size, quantity.value)
    if quantity.distribution == "rectangular":
        between = rng.uniform(-1, 1, size=size) if normal is None else 2 * norm.cdf(normal) - 1
        return np.asarray(quantity.value + math.sqrt(3) * u * between)
    z = rng.standard_normal(size=size) if normal is None else normal
    if quantity.distribution == "t" and math.isfinite(quantity.degrees_of_freedom):
        nu = quantity.degrees_of_freedom
        if normal is None:
            z = z / np.sqrt(rng.chisquare(nu, size=size) / nu)
        else:
            # Where the errors of two inputs are one, so are their tails.
            z = -np.sign(z) * t.ppf(norm.sf(np.abs(z)), nu)
    return np.asarray(quantity.value + u * z)


@explained()
def monte_carlo(
    model: Model,
    inputs: Mapping[str, Quantity],
    *,
    trials: int | None = None,
    prob: float = 0.95,
    digits: int = 2,
    unit: str = "1",
    correlations: Mapping[tuple[str, str], float] | None = None,
    rng: RngLike = None,
) -> MonteCarlo:
    r"""Propagate whole distributions through a model by Monte Carlo.

    Parameters
    ----------
    model : callable
        Function that takes one array for each input, in the order of `inputs`, and returns an
        array of the same length.
    inputs : mapping of str to Quantity
        Inputs by name, in the order in which `model` takes them.
    trials : int, optional
        A fixed number of draws, 100 or more; if left out, batches of 10,000 are added until the
        result is stable.
    prob : float
        Probability that the intervals hold, between 0 and 1.
    digits : int
        Number of significant digits of the standard uncertainty that must be stable.
    unit : str
        SI unit of the result.
    correlations : mapping of (str, str) to float, optional
        Correlation coefficients of pairs of inputs, drawn as correlated normal deviates.
    rng : None, int, SeedSequence or Generator, optional
        Source of the draws.

    Returns
    -------
    MonteCarlo
        Mean, standard deviation and intervals of the draws.

    Raises
    ------
    InputError
        When the model gives a value that is not finite in more than one of a thousand trials, which
        are else left out, or the correlations are impossible together.

    References
    ----------
    JCGM 101:2008, 6.4 (distributions), 7.5 to 7.7 (results), 7.9 (adaptive procedure).

    Examples
    --------
    >>> from quantize.charge.quantity import Quantity
    >>> two = {n: Quantity(value=0.0, standard_uncertainty=1.0) for n in ("a", "b")}
    >>> found = monte_carlo(lambda a, b: a + b, two, trials=100_000, rng=1)
    >>> bool(abs(found.standard_uncertainty - 2**0.5) < 0.02)
    True
    """
    generator_ = generator(rng)
    validation.fraction("prob", prob)
    matrix = correlation_matrix(list(inputs), correlations or {})
    root = None if np.array_equal(matrix, np.eye(len(inputs))) else root_of(matrix)
    if trials is not None:
        n = validation.count("trials", trials, least=100)
        values = _values(model, inputs, n, generator_, root)
        return _summary(np.sort(values), prob, settled=True, unit=unit)
    batches: list[FloatArray] = []
    ends: list[FloatArray] = []
    settled = False
    while not settled and len(batches) * _BATCH < _MOST_TRIALS:
        values = np.sort(_values(model, inputs, _BATCH, generator_, root))
        batches.append(values)
        ends.append(_summaries(values[None].copy(), prob)[0])
        settled = len(batches) > 2 and _stable(np.array(ends), digits)
    return _summary(np.sort(np.concatenate(batches)), prob, settled=settled, unit=unit)


def check_linear(
    found: Propagation, *, trials: int | None = None, prob: float = 0.95, rng: RngLike = None
) -> MonteCarlo:
    """Monte Carlo of a linear propagation, and whether the two agree (JCGM 101, clause 8)."""
    try:
        drawn = monte_carlo(
            found.model,
            found.inputs,
            trials=trials,
            prob=prob,
            unit=found.unit,
            correlations=found.correlations,
            rng=rng,
        )
    except _NoValue as error:
        raise InputError(_without_value(found, error.share)) from None
    linear = found.interval(prob)
    gap = float(np.max(np.abs(linear - drawn.symmetric)))
    # Two thousandths of the trials or so lie near an end: their own error is let through.
    own_error = 4 * drawn.standard_uncertainty / math.sqrt(drawn.trials * (1 - prob))
    tolerance = _TOLERABLE * drawn.standard_uncertainty + own_error
    return dataclasses.replace(drawn, linear_interval=linear, agrees=gap <= tolerance)


def _values(
    model: Model,
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
    return values[_makes_sense(values, _SENSELESS)]


def _makes_sense(values: FloatArray, most: float) -> NDArray[np.bool_]:
    """Which values are finite; InputError where more than this share of them is not."""
    finite = np.isfinite(values)
    bad = values.size - int(finite.sum())
    if bad > most * values.size:
        raise _NoValue(
            f"`model` gives no finite value in {bad} of {values.size} trials; an input may reach "
            "where it makes no sense, such as a negative length.",
            f"{bad:,} of {values.size:,}",
        )
    return finite


class _NoValue(InputError):
    """A model without a value in too large a `share` of the trials, in words."""

    def __init__(self, message: str, share: str) -> None:
        super().__init__(message)
        self.share = share


def _without_value(found: Propagation, share: str) -> str:
    """Why a quantity that follows from inputs has no value in some draws of them."""
    gen = np.random.default_rng(0)
    reach = {
        name: float(np.mean(draw(q, _BATCH, gen) <= 0))
        for name, q in found.inputs.items()
        if q.value > 0
    }
    name = max(reach, key=lambda name: reach[name], default="")
    why = "an input reaches where it makes no sense"
    if name and reach[name]:
        q = found.inputs[name]
        known = f"{q.value:.4g} ± {q.standard_uncertainty:.2g} {q.unit}"
        why = f"`{name}` ({known}) reaches to zero and below"
    return (
        f"the inputs were drawn from their uncertainties, and in {share} draws no result follows "
        f"from them: {why}; measure it again, or state a smaller uncertainty."
    )


def _stable(ends: FloatArray, digits: int) -> bool:
    """Whether twice the standard error of each result is below the last digit wanted."""
    error = ends.std(axis=0, ddof=1) / math.sqrt(ends.shape[0])
    u = float(ends[:, 1].mean())
    tolerance = 0.5 * 10.0 ** (math.floor(math.log10(u)) - digits + 1) if u > 0 else math.inf
    return bool(np.all(2 * error < tolerance))


def _summary(ordered: FloatArray, prob: float, *, settled: bool, unit: str) -> MonteCarlo:
    tail = (1 - prob) / 2
    mean, spread, low, high = _summaries(ordered[None].copy(), prob)[0]
    return MonteCarlo(
        value=float(mean),
        standard_uncertainty=float(spread),
        shortest=np.array([[low, high]]),
        symmetric=np.array([np.quantile(ordered, [tail, 1 - tail])]),
        prob=prob,
        trials=int(ordered.size),
        settled=settled,
        unit=unit,
    )


@explained()
def monte_carlo_many(
    model: Model,
    individual: Mapping[str, tuple[ArrayLike, ArrayLike]],
    shared: Mapping[str, Quantity],
    *,
    trials: int = 10_000,
    prob: float = 0.95,
    rng: RngLike = None,
) -> FloatArray:
    """Propagate the distributions of many particles by Monte Carlo.

    Parameters
    ----------
    model : callable
        Function of all inputs by name. It takes the individual ones in arrays of shape (chunk,
        trials) and the shared ones in arrays of shape (trials,), and returns an array of shape
        (chunk, trials).
    individual : mapping of str to (array_like, array_like)
        Values and standard uncertainties of the inputs that differ between particles, each of
        shape (particles,); their distributions are normal.
    shared : mapping of str to Quantity
        Inputs that all particles share, drawn once, so that all move together.
    trials : int
        Number of draws for each particle, 100 or more.
    prob : float
        Probability that the intervals hold, between 0 and 1.
    rng : None, int, SeedSequence or Generator, optional
        Source of the draws.

    Returns
    -------
    numpy.ndarray, shape (particles, 4)
        Mean, standard uncertainty, low and high end of the shortest interval.

    Raises
    ------
    InputError
        When the columns of `individual` are not of one length, and when the model gives a value
        that is not finite.

    Examples
    --------
    >>> from quantize.charge.quantity import Quantity
    >>> found = monte_carlo_many(
    ...     lambda length, scale: length * scale, {"length": ([1, 2], [0.01, 0.01])},
    ...     {"scale": Quantity(value=3.0, standard_uncertainty=0.0)},
    ...     trials=2000, rng=1)
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
        with np.errstate(all="ignore"):
            values = np.asarray(model(**drawn, **common))
        _makes_sense(values, 0)
        out[start:stop] = _summaries(values, prob)
    return out


def _summaries(values: FloatArray, prob: float) -> FloatArray:
    """Mean, standard uncertainty and shortest interval of each row (JCGM 101, 7.7.4).

    The order of `values` is lost.
    """
    mean, spread = values.mean(axis=1), values.std(axis=1, ddof=1)
    size = values.shape[1]
    inside = min(math.floor(prob * size + 0.5), size - 1)
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
