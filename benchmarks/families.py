"""Combs, and families of data without steps that took no part in the calibration.

The families that did are those of `quantize.studies.families`, under `NAMED`, and of
`benchmarks.more_families`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from quantize._support.validation import FloatArray
from quantize.studies.families import NAMED, Family, significant, sums, two_of_three, two_units

__all__ = ["COMBS", "HELD_OUT", "NAMED", "Family", "comb"]


def _shifted_t(rng: np.random.Generator, n: int) -> FloatArray:
    """Two heavy-tailed humps."""
    return np.where(rng.random(n) < 0.5, -4.0, 3.1) + rng.standard_t(3, n)


def _lump_on_uniform(rng: np.random.Generator, n: int) -> FloatArray:
    """Half in one narrow lump, half uniform."""
    lump = rng.uniform(-4, 4) + rng.normal(0, 0.2, n)
    return np.where(rng.random(n) < 0.5, rng.uniform(-5, 5, n), lump)


def _gamma_gaps(rng: np.random.Generator, n: int) -> FloatArray:
    """Six levels whose gaps are gamma with shape 2."""
    return rng.choice(np.cumsum(rng.gamma(2.0, 1.0, 6)), n) + rng.normal(0, 0.15, n)


def _lognormal_levels(rng: np.random.Generator, n: int) -> FloatArray:
    """Five lognormal levels."""
    return rng.choice(rng.lognormal(1.0, 0.8, 5), n) + rng.normal(0, 0.1, n)


def _normal_levels(rng: np.random.Generator, n: int) -> FloatArray:
    """Four normal levels."""
    return rng.choice(rng.normal(0.0, 3.0, 4), n) + rng.normal(0, 0.15, n)


def _six_symmetric(rng: np.random.Generator, n: int) -> FloatArray:
    """Levels -a, a, -b, b, -c, c."""
    places = np.outer([-1, 1], rng.uniform(0.5, 5, 3)).ravel()
    return rng.choice(places, n) + rng.normal(0, 0.1, n)


def _root_levels(rng: np.random.Generator, n: int) -> FloatArray:
    """Levels at the square roots of 1 to 6."""
    places = rng.uniform(1, 4) * np.sqrt(np.arange(1, 7))
    return rng.choice(places, n) + rng.normal(0, rng.uniform(0.03, 0.15), n)


def _harmonic_levels(rng: np.random.Generator, n: int) -> FloatArray:
    """Levels at the reciprocals of 1 to 6, as in a series that converges."""
    places = 10 / (np.arange(6) + rng.uniform(0.5, 1.5))
    return rng.choice(places, n) + rng.normal(0, rng.uniform(0.03, 0.15), n)


def _sums_to_four(rng: np.random.Generator) -> FloatArray:
    """Sums i·a + j·b of two units uniform on (1, 5), i and j from 0 to 4 and i + j at most 4."""
    one, other = rng.uniform(1, 5, 2)
    i, j = np.array([(i, j) for i in range(5) for j in range(5 - i)], float).T
    levels: FloatArray = one * i + other * j
    return levels


def _sums_of_three(rng: np.random.Generator) -> FloatArray:
    """Sums of three units uniform on (1, 5), each taken or not."""
    one, two, three = rng.uniform(1, 5, 3)
    return np.add.outer(np.add.outer([0.0, one], [0.0, two]), [0.0, three]).ravel()


def _any(levels: Callable[[np.random.Generator], FloatArray]) -> Family:
    """Sums as they come, multiples of one unit among them; noise 0.04 to 0.12."""

    def draw(rng: np.random.Generator, n: int) -> FloatArray:
        noise = rng.uniform(0.04, 0.12) * rng.normal(size=n)
        values: FloatArray = rng.choice(levels(rng), n) + noise
        return values

    return draw


NEAR_COMBS: dict[str, Family] = {
    "sums of two units": _any(two_units),
    "sums of two of three levels": _any(two_of_three),
}
"""The same sums with those among them that are multiples of one unit within their noise, for which
"steps" is the right answer: not counted as false."""


HELD_OUT: dict[str, dict[str, Family]] = {
    "continuous": {
        "Weibull, shape .8": lambda rng, n: 4.0 * rng.weibull(0.8, n),
        "Weibull, shape 3": lambda rng, n: 4.0 * rng.weibull(3.0, n),
        "two humps of t": _shifted_t,
        "lump on uniform": _lump_on_uniform,
        "triangular": lambda rng, n: rng.triangular(-5, 1, 5, n),
        "beta (.5, .5)": lambda rng, n: 10.0 * rng.beta(0.5, 0.5, n),
        "Gumbel": lambda rng, n: rng.gumbel(0.0, 2.0, n),
        "Rayleigh": lambda rng, n: rng.rayleigh(3.0, n),
        "Weibull, two digits": lambda rng, n: significant(40.0 * rng.weibull(0.8, n), 2),
    },
    "lumpy": {
        "six levels, gamma gaps": _gamma_gaps,
        "five lognormal levels": _lognormal_levels,
        "four normal levels": _normal_levels,
        "six symmetric levels": _six_symmetric,
        "levels at square roots": _root_levels,
        "levels at reciprocals": _harmonic_levels,
    },
    "heaped": {},
    "sums": {
        "sums of two units, up to four": sums(_sums_to_four),
        "sums of three units": sums(_sums_of_three),
    },
}
"""Families that took no part in the calibration: a check that it holds beyond its own list."""


def comb(integers: Callable[[np.random.Generator, int], FloatArray], spread: float) -> Family:
    """Whole numbers from `integers`, unit 1, normal noise `spread`."""

    def draw(rng: np.random.Generator, n: int) -> FloatArray:
        return integers(rng, n) + rng.normal(0.0, spread, n)

    return draw


def whole_uniform(rng: np.random.Generator, n: int) -> FloatArray:
    """Uniform on -4..4."""
    return rng.integers(-4, 5, n).astype(float)


def whole_poisson(rng: np.random.Generator, n: int) -> FloatArray:
    """Poisson with mean 2."""
    return rng.poisson(2.0, n).astype(float)


def whole_three(rng: np.random.Generator, n: int) -> FloatArray:
    """1, 2 or 3."""
    return rng.integers(1, 4, n).astype(float)


def whole_geometric(rng: np.random.Generator, n: int) -> FloatArray:
    """Geometric, 0.4, from 1."""
    return rng.geometric(0.4, n).astype(float)


COMBS: dict[str, tuple[Callable[[np.random.Generator, int], FloatArray], float, int, float]] = {
    "-4..4, 8 at .08": (whole_uniform, 0.08, 8, 0.88),
    "-4..4, 20 at .10": (whole_uniform, 0.10, 20, 0.98),
    "-4..4, 20 at .15": (whole_uniform, 0.15, 20, 0.94),
    "-4..4, 20 at .20": (whole_uniform, 0.20, 20, 0.40),
    "-4..4, 40 at .15": (whole_uniform, 0.15, 40, 1.00),
    "-4..4, 40 at .20": (whole_uniform, 0.20, 40, 0.90),
    "Poisson 2, 20 at .10": (whole_poisson, 0.10, 20, 0.98),
    "Poisson 2, 40 at .15": (whole_poisson, 0.15, 40, 0.95),
    "three levels, 20 at .08": (whole_three, 0.08, 20, 0.90),
    "geometric, 20 at .08": (whole_geometric, 0.08, 20, 0.90),
    "geometric, 40 at .08": (whole_geometric, 0.08, 40, 0.98),
}
"""Combs of the power table: integers, sigma/u, readings, and the power aimed at."""
