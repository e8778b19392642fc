"""A family of distributions as null: fitted to the readings, and drawn from."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, Protocol, runtime_checkable

import numpy as np

from quantize._support.errors import InputError
from quantize._support.validation import FloatArray, IntArray
from quantize.null.smooth import scatter_within
from quantize.readings import Readings


@runtime_checkable
class Family(Protocol):
    """What is asked of a family: the continuous distributions of ``scipy.stats`` have it."""

    @property
    def fit(self) -> Callable[[Any], Any]:
        """Parameters of the family for some values."""

    @property
    def rvs(self) -> Callable[..., Any]:
        """Draws with these parameters, of a `size`, by a `random_state`."""


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class FittedFamily:
    """Charge states drawn from a family that was fitted to their means by its own ``fit``.

    The scatter of the readings within a state is drawn again too, and the rounding is done again.
    """

    draw: Callable[..., Any]
    parameters: tuple[float, ...]
    index: IntArray
    inner: FloatArray
    like: Readings

    @classmethod
    def of(cls, readings: Readings, family: Family) -> FittedFamily:
        """The null of these readings.

        Raises
        ------
        InputError
            When the family cannot be fitted.
        """
        levels = readings.levels()
        name = getattr(family, "name", type(family).__name__)
        try:
            with np.errstate(all="ignore"):
                parameters = tuple(float(value) for value in family.fit(levels.mean))
        except (ValueError, RuntimeError, ArithmeticError) as error:
            raise InputError(
                f"`null` {name} cannot be fitted to the readings ({error}); "
                "give another family or a sampler."
            ) from None
        if not np.all(np.isfinite(parameters)):
            raise InputError(
                f"`null` {name} fits the readings with the parameters {parameters}; "
                "give another family or a sampler."
            )
        return cls(
            draw=family.rvs,
            parameters=parameters,
            index=levels.index,
            inner=readings.values - levels.mean[levels.index],
            like=readings,
        )

    def __call__(self, size: int, rng: np.random.Generator) -> FloatArray:
        """`size` data sets, shape (size, n)."""
        shape = (size, int(self.index.max()) + 1)
        drawn = np.asarray(self.draw(*self.parameters, size=shape, random_state=rng), dtype=float)
        values = drawn[:, self.index]
        return self.like.recorded(
            values + scatter_within(self.inner, self.index, values.shape, rng)
        )


class Uniform:
    """Uniform over the range of the values, widened by (n + 1)/(n − 1) as for a uniform sample."""

    name = "uniform"

    def fit(self, data: FloatArray) -> tuple[float, float]:
        """Lower end and length."""
        n = data.size
        span = float(np.ptp(data))
        length = span * (n + 1) / max(n - 1, 1)
        return float(data.min()) - 0.5 * (length - span), length

    def rvs(self, start: float, length: float, *, size: Any, random_state: Any) -> FloatArray:
        """Draws, of shape `size`."""
        drawn: FloatArray = start + length * random_state.random(size)
        return drawn


class Normal:
    """Normal with the mean and the standard deviation (n − 1) of the values."""

    name = "normal"

    def fit(self, data: FloatArray) -> tuple[float, float]:
        """Mean and standard deviation."""
        return float(data.mean()), float(data.std(ddof=1)) if data.size > 1 else 0.0

    def rvs(self, mean: float, deviation: float, *, size: Any, random_state: Any) -> FloatArray:
        """Draws, of shape `size`."""
        drawn: FloatArray = random_state.normal(mean, deviation, size)
        return drawn
