"""Simulated readings that carry the truth they were made from."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import randomness
from quantize._support.errors import InputError, explained
from quantize._support.randomness import RngLike
from quantize._support.results import Result
from quantize._support.validation import BoolArray, FloatArray, IntArray
from quantize.readings import Readings
from quantize.studies.conditions import Condition, Draw, Whole

if TYPE_CHECKING:
    from quantize.model.model import MixtureModel

_BEYOND = 2.0
"""Units by which outliers may lie beyond the others."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Truth(Result):
    """What simulated readings were made from.

    Attributes
    ----------
    unit : float or None
        The true unit; None where the values have none.
    sigma : float
        Standard deviation of the error of a reading.
    offset : float
        What zero units read.
    integers : numpy.ndarray of int, shape (n,), or None
        The whole number of each reading.
    outlier : numpy.ndarray of bool, shape (n,)
        Which readings are outliers.
    condition : Condition
        Everything that was asked for.
    seed : dict
        What draws the same readings again.
    """

    unit: float | None
    sigma: float
    offset: float
    integers: IntArray | None
    outlier: BoolArray
    condition: Condition
    seed: dict[str, Any]

    def _headline(self) -> str:
        return "no unit" if self.unit is None else f"unit {self.unit:g}, sigma {self.sigma:g}"

    def bound(self) -> float:
        """Cramér–Rao bound on the standard error of the unit, the whole numbers known.

        sigma/sqrt(Σk²), or sigma/sqrt(Σ(k − mean k)²) where the offset is not zero; less where
        errors have heavier tails, whose cores say more of the place. NaN without a unit, and where
        the whole numbers determine none.
        """
        if self.integers is None:
            return float("nan")
        k = self.integers - (self.integers.mean() if self.offset else 0.0)
        total, t = float(np.sum(k**2)), self.condition.tails
        if t is not None:
            total *= t * (t + 1) / ((t - 2) * (t + 3))
        return self.sigma / float(np.sqrt(total)) if total > 0 else float("nan")


class SimulatedReadings(Readings):
    """Readings with the truth attached; accepted wherever `Readings` are.

    Attributes
    ----------
    truth : Truth
        The unit, the whole numbers and the rest that the readings were made from.
    """

    truth: Truth

    def __init__(self, values: Any, *, truth: Truth, **options: Any) -> None:
        super().__init__(values, **options)
        object.__setattr__(self, "truth", truth)

    def __repr__(self) -> str:
        return super().__repr__().replace("<Readings", "<SimulatedReadings")

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary of the readings and the truth."""
        return super().to_dict() | {"truth": self.truth.to_dict()}


@explained()
def simulate(
    n: int = 20,
    *,
    sigma: float = 0.1,
    unit: float = 1.0,
    integers: Whole = (1, 8),
    offset: float = 0.0,
    repeats: int = 1,
    resolution: float | None = None,
    outliers: float = 0.0,
    drift: float = 0.0,
    tails: float | None = None,
    family: str | Draw | None = None,
    model: MixtureModel | None = None,
    unit_range: tuple[float, float] | None = None,
    tell_sigma: bool = False,
    rng: RngLike = None,
) -> SimulatedReadings:
    """Draw readings whose unit, whole numbers and errors are known.

    Parameters
    ----------
    n : int
        Number of readings, all repeats counted.
    sigma : float
        Standard deviation of the error of a reading, in the unit of the readings.
    unit : float
        The true unit. Where a family has none it is the scale of the values.
    integers : (int, int), ("poisson", mean), ("walk", start) or callable
        The whole numbers that occur. A pair: uniform from the first to the last. "poisson": of
        this mean. "walk": the charge changes by 1 or 2 units, up or down, from each state to the
        next. A callable gets (rng, size) and returns whole numbers.
    offset : float
        What zero units read, in the unit of the readings.
    repeats : int
        Readings of each charge state, one after the other. From two on, states are labelled.
    resolution : float, optional
        Step to which readings are rounded.
    outliers : float
        Share of readings that are anywhere within the sample or two units beyond it.
    drift : float
        How far readings have crept from the first to the last.
    tails : float, optional
        Errors are Student t with so many degrees of freedom (above 2), scaled to `sigma`.
    family : str or callable, optional
        Values without a unit in place of a comb: "uniform", "normal", "exponential", "Laplace",
        "lognormal", "gamma", "two lumps", "three levels" and others
        (`quantize.studies.families.NAMED`), or a callable of (rng, size). With repeats its
        values are the levels and `sigma` is the scatter about them; without, they are the
        readings.
    model : MixtureModel, optional
        Draws unit, sigma, offset and the rest from the priors of the model, in place of what is
        said here; only `n`, `repeats` and `resolution` count beside it.
    unit_range : (float, float), optional
        The smallest and the largest unit that the prior of a `model` covers.
    tell_sigma : bool
        Whether the readings come with their sigma.
    rng : int, SeedSequence or Generator, optional
        The seed of the random numbers; the same seed draws the same readings.

    Returns
    -------
    SimulatedReadings
        Readings whose `truth` has the unit, the whole numbers and the rest.

    Raises
    ------
    InputError
        For values that cannot be used.

    Examples
    --------
    >>> import quantize as qz
    >>> sample = qz.simulate(12, sigma=0.1, unit=5.0, integers=(-4, 4), rng=1)
    >>> sample.truth.unit, sample.truth.integers.tolist()
    (5.0, [0, 0, 2, 4, -4, -3, 3, 4, -2, -2, 3, -1])
    >>> round(qz.fit_comb(sample, (2, 12)).unit, 1)
    5.0
    >>> qz.simulate(12, family="three levels", rng=1).truth
    <Truth: no unit>
    """
    given: dict[str, Any] = {
        "sigma": sigma,
        "unit": unit,
        "integers": integers,
        "offset": offset,
        "outliers": outliers,
        "drift": drift,
        "tails": tails,
        "family": family,
    }
    if model is not None:
        _leave_to_the_model(given)
        given = {}
    elif unit_range is not None:
        raise InputError("`unit_range` is for a `model`; give `unit`, or a model as well.")
    condition = Condition(n=n, repeats=repeats, resolution=resolution, **given)
    generator = randomness.generator(rng)
    if model is not None:
        return _from_model(model, unit_range, condition, generator, tell_sigma)
    return draw(condition, generator, tell_sigma=tell_sigma)


def draw(
    condition: Condition, rng: np.random.Generator, *, tell_sigma: bool = False
) -> SimulatedReadings:
    """One sample under a condition."""
    seed = randomness.record(rng)
    n, repeats = condition.n, condition.repeats
    state = np.repeat(np.arange(condition.states), repeats)[:n]
    integers: IntArray | None = None
    if condition.family is None:
        integers = condition.draw_integers(rng)[state]
        values = condition.offset + condition.unit * integers
        values = values + _errors(condition, rng)
    else:
        values = condition.draw_family(rng)[state] + condition.offset
        if repeats > 1:
            values = values + _errors(condition, rng)
    if condition.drift:
        values = values + condition.drift * np.linspace(0.0, 1.0, n)
    outlier = np.zeros(n, dtype=bool)
    if condition.outliers:
        outlier = rng.random(n) < condition.outliers
        low, high = values.min(), values.max()
        margin = _BEYOND * condition.unit
        values = np.where(outlier, rng.uniform(low - margin, high + margin, n), values)
    if condition.resolution is not None:
        values = np.round(values / condition.resolution) * condition.resolution
    truth = Truth(
        unit=condition.unit if condition.family is None else None,
        sigma=condition.sigma,
        offset=condition.offset,
        integers=integers,
        outlier=outlier,
        condition=condition,
        seed=seed,
    )
    if tell_sigma and condition.sigma == 0:
        raise InputError("`tell_sigma` is set and `sigma` is 0; tell a sigma above zero or none.")
    return SimulatedReadings(
        values,
        truth=truth,
        sigma=condition.sigma if tell_sigma else None,
        state=state if repeats > 1 else None,
        resolution=condition.resolution,
    )


def _errors(condition: Condition, rng: np.random.Generator) -> FloatArray:
    if condition.tails is None:
        return condition.sigma * rng.standard_normal(condition.n)
    scale = condition.sigma * np.sqrt((condition.tails - 2) / condition.tails)
    return np.asarray(scale * rng.standard_t(condition.tails, condition.n))


def _leave_to_the_model(said: dict[str, Any]) -> None:
    defaults = {field.name: field.default for field in dataclasses.fields(Condition)}
    for name, value in said.items():
        if value is not defaults[name] and value != defaults[name]:
            raise InputError(f"`{name}` is part of the `model`; say it there, or leave one out.")


def _from_model(
    model: MixtureModel,
    unit_range: tuple[float, float] | None,
    frame: Condition,
    rng: np.random.Generator,
    tell_sigma: bool,
) -> SimulatedReadings:
    """A sample from the priors of a model."""
    from quantize.model.draws import draw_sample

    if unit_range is None:
        raise InputError("`unit_range` is missing; a `model` needs the range of its units.")
    seed = randomness.record(rng)
    drawn = draw_sample(
        model,
        unit_range,
        rng,
        states=frame.states,
        repeats=frame.repeats,
        resolution=frame.resolution,
    )
    n, readings = frame.n, drawn.readings
    sigma, offset = float(drawn.parameters.sigma[0]), float(drawn.parameters.offset[0])
    unit = float(drawn.parameters.unit[0])
    truth = Truth(
        unit=unit,
        sigma=sigma,
        offset=offset,
        integers=drawn.integers[:n],
        outlier=np.asarray(drawn.outlier[:n], dtype=bool),
        condition=dataclasses.replace(frame, sigma=sigma, unit=unit, offset=offset),
        seed=seed,
    )
    return SimulatedReadings(
        readings.values[:n],
        truth=truth,
        sigma=sigma if tell_sigma else None,
        state=None if readings.state is None else readings.state[:n],
        resolution=None if readings.resolution is None else readings.resolution[:n],
    )
