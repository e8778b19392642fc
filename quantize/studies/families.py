"""Families of data without steps: each a function of a Generator and a size.

Every family is an average over what a single sample would hold fixed: levels, noise and side of
zero are drawn anew for each sample, so that a false-alarm rate is one of the family.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from quantize._support import validation
from quantize._support.validation import FloatArray

Family = Callable[[np.random.Generator, int], FloatArray]


def random_levels(levels: int, shares: tuple[float, ...] | None = None) -> Family:
    """Levels uniform on (0, 10) or (-5, 5), normal noise from 0.05 to 0.3."""

    def draw(rng: np.random.Generator, n: int) -> FloatArray:
        places = rng.uniform(0, 10, levels) - rng.choice([0.0, 5.0])
        noise = np.exp(rng.uniform(np.log(0.05), np.log(0.3)))
        return rng.choice(places, n, p=shares) + rng.normal(0, noise, n)

    return draw


def sign_symmetric(rng: np.random.Generator, n: int) -> FloatArray:
    """Levels -c, 0, c, or -a, a, -b, b (half the time each), noise 0.05 to 0.3."""
    if rng.random() < 0.5:
        places = np.array([-1.0, 0.0, 1.0]) * rng.uniform(1, 5)
    else:
        places = np.outer([-1, 1], rng.uniform(0.5, 5, 2)).ravel()
    return rng.choice(places, n) + rng.normal(0, rng.uniform(0.05, 0.3), n)


def heaped(rng: np.random.Generator, n: int) -> FloatArray:
    """Normal, width 3; a third of the values rounded to whole numbers."""
    values = rng.normal(0.0, 3.0, n)
    return np.where(rng.random(n) < 1 / 3, np.round(values), values)


def two_digits(rng: np.random.Generator, n: int) -> FloatArray:
    """Log-uniform from 1 to 150, written with two significant digits."""
    return significant(np.exp(rng.uniform(0.0, 5.0, n)), 2)


def significant(values: FloatArray, digits: int) -> FloatArray:
    """Values as written with so many significant digits."""
    return np.array([float(f"{value:.{digits}g}") for value in values])


def are_multiples(levels: FloatArray, noise: float, near: float = 0.0) -> bool:
    """Whether all levels lie near multiples of one unit of ten times the noise or more.

    Near is within two and a half times the noise, which is a quarter of such a unit or less, or
    within `near` units. For all that readings can say, such levels are steps.
    """
    largest = float(np.abs(levels).max())
    cycles = np.arange(1.0, largest / (10 * noise), 0.05)
    unit = largest / cycles
    away = np.abs(levels[:, None] - unit * np.rint(levels[:, None] / unit))
    return bool(np.any(np.all(away < np.maximum(2.5 * noise, near * unit), axis=0)))


def sums(levels: Callable[[np.random.Generator], FloatArray], near: float = 0.0) -> Family:
    """Equally likely `levels`, drawn until they are no multiples, with a noise of 0.04 to 0.12."""

    def draw(rng: np.random.Generator, n: int) -> FloatArray:
        while True:
            noise, places = float(rng.uniform(0.04, 0.12)), levels(rng)
            if not are_multiples(places, noise, near):
                return rng.choice(places, n) + noise * rng.normal(size=n)

    return draw


def two_units(rng: np.random.Generator) -> FloatArray:
    """Sums i·a + j·b of two units uniform on (1, 5), i and j from 0 to 2."""
    one, other = rng.uniform(1, 5, 2)
    steps = np.arange(3.0)
    return np.asarray(np.add.outer(one * steps, other * steps).ravel())


def two_of_three(rng: np.random.Generator) -> FloatArray:
    """Sums of any two of three levels uniform on (0, 5)."""
    levels = rng.uniform(0, 5, 3)
    return np.add.outer(levels, levels).ravel()


NAMED: dict[str, dict[str, Family]] = {
    "continuous": {
        "uniform": lambda rng, n: rng.uniform(0, 10, n) - rng.choice([0.0, 5.0]),
        "normal": lambda rng, n: rng.normal(rng.choice([0.0, 6.0]), 2.0, n),
        "exponential": lambda rng, n: rng.exponential(3.0, n),
        "Laplace": lambda rng, n: rng.laplace(0.0, 2.0, n),
        "lognormal": lambda rng, n: rng.lognormal(1.0, 0.6, n),
        "gamma": lambda rng, n: rng.gamma(3.0, 1.0, n),
        "Student t, 3 degrees": lambda rng, n: 2.0 * rng.standard_t(3, n),
        "lump off zero, .12": lambda rng, n: rng.normal(10.0, 1.2, n),
        "lump off zero, .05": lambda rng, n: rng.normal(10.0, 0.5, n),
        "random walk": lambda rng, n: np.cumsum(rng.normal(0.0, 1.0, n)),
        "rounded continuous": lambda rng, n: np.round(rng.normal(0.0, 3.0, n), 1),
        "two digits": two_digits,
    },
    "lumpy": {
        "two lumps": lambda rng, n: rng.choice(rng.uniform(0, 10, 2), n) + rng.normal(0, 0.4, n),
        "two levels": random_levels(2),
        "three levels": random_levels(3),
        "three levels, skewed": random_levels(3, (0.7, 0.2, 0.1)),
        "four levels": random_levels(4),
        "five levels": random_levels(5),
        "eight levels": random_levels(8),
        "sign-symmetric levels": sign_symmetric,
    },
    "heaped": {"heaped": heaped},
    "sums": {
        "sums of two units": sums(two_units),
        "sums of two of three levels": sums(two_of_three),
    },
}
"""The families that the false-alarm table names, by the null that they belong to.

Some lie about zero in half of the samples, and beside it in the others. The lumps off zero are
named by their relative width.
"""


def family(name: str) -> Family:
    """The family of this name, as `NAMED` lists it.

    `InputError` for a name that is not listed.
    """
    return _BY_NAME[validation.choice("family", name, _BY_NAME)]


_BY_NAME = {label: draw for families in NAMED.values() for label, draw in families.items()}
