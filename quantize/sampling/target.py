"""What can be sampled: the posterior of a model as a function of its coordinates.

Coordinates are named. The first is always ``log_unit``; ``log_unit_2`` is a second unit. A name
that begins with ``log_`` stands for the logarithm of a positive quantity. ``phase`` is a free
offset in turns of the unit, from `origin`, between 0 and 1 and meant round the circle. ``offset``
is an offset in the unit of the readings, with a prior of its own. Other names are taken as they
stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple, Protocol

import numpy as np

from quantize._support.validation import FloatArray, IntArray


class UnitMode(NamedTuple):
    """One separate mode of the posterior of log unit, from a quadrature.

    Attributes
    ----------
    low, high : float
        Its ends. Modes do not overlap.
    share : float
        Its posterior probability.
    centre, width : float
        Mean and standard deviation of log unit within it.
    """

    low: float
    high: float
    share: float
    centre: float
    width: float


class Target(Protocol):
    """A posterior that can be sampled; arrays `theta` have shape (m, d), d coordinates."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coordinates, the first "log_unit"."""

    @property
    def origin(self) -> float:
        """Where a ``phase`` is counted from, in the unit of the readings."""

    @property
    def fixed(self) -> Mapping[str, float]:
        """Values of sigma and offset where they are not coordinates."""

    @property
    def modes(self) -> Sequence[tuple[float, float, float, float, float]]:
        """Modes of log unit (see `UnitMode`), the best first; empty without a quadrature."""

    @property
    def observed(self) -> FloatArray:
        """The readings, shape (n,)."""

    @property
    def constant_data(self) -> Mapping[str, FloatArray | IntArray]:
        """What came with the readings, by name: state, sigma, resolution, each where given."""

    def log_prob(self, theta: FloatArray) -> FloatArray:
        """Log posterior density up to a constant, shape (m,); −inf outside the support."""

    def log_prior(self, theta: FloatArray) -> FloatArray:
        """Log prior density, shape (m,); −inf outside the support."""

    def draw_prior(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Independent draws from the prior, shape (n, d)."""

    def draw_start(self, n: int, rng: np.random.Generator) -> FloatArray | None:
        """Independent draws, shape (n, d), or None.

        Where there are modes they are draws from the posterior by quadrature, else from
        something like it.
        """

    def pointwise_log_likelihood(self, theta: FloatArray) -> FloatArray:
        """Log likelihood of each charge state, shape (m, J)."""

    def integer_probabilities(self, theta: FloatArray) -> tuple[IntArray, FloatArray]:
        """Whole numbers (K,) and their probabilities for each reading (n, K), over `theta`."""

    def predict(self, theta: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Readings as they might be taken again of the same states, shape (m, n)."""

    def describe(self) -> dict[str, Any]:
        """Model and data in JSON-ready entries; two targets are the same when these are."""


def natural(target: Target, theta: FloatArray) -> dict[str, FloatArray]:
    """The quantities themselves, by name: the unit for ``log_unit``, the offset for ``phase``.

    An offset that comes from a phase lies between 0 and the unit.
    """
    out: dict[str, FloatArray] = {}
    for j, name in enumerate(target.names):
        column = theta[..., j]
        if name.startswith("log_"):
            out[name.removeprefix("log_")] = np.exp(column)
        elif name == "phase":
            out["offset"] = (target.origin + column * out["unit"]) % out["unit"]
        else:
            out[name] = column
    return out
