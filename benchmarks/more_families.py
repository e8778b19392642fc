"""More families without steps, for the calibration beside the named ones."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from quantize._support.validation import FloatArray
from quantize.studies.families import (
    NAMED,
    Family,
    Known,
    significant,
    sums,
    sums_known,
    two_of_three,
    two_units,
)


def levels_at(
    places: Callable[[np.random.Generator], FloatArray], least: float, most: float
) -> Family:
    """Levels at `places`, equally likely, with a noise log-uniform from `least` to `most`."""
    return lambda rng, n: levels_known(places, least, most)(rng, n)[0]


def levels_known(
    places: Callable[[np.random.Generator], FloatArray],
    least: float,
    most: float,
    shares: tuple[float, ...] | None = None,
) -> Known:
    """The same with the noise handed out."""

    def draw(rng: np.random.Generator, n: int) -> tuple[FloatArray, float]:
        noise = float(np.exp(rng.uniform(np.log(least), np.log(most))))
        return rng.choice(places(rng), n, p=shares) + rng.normal(0, noise, n), noise

    return draw


def _levels_on_uniform(rng: np.random.Generator, n: int) -> FloatArray:
    """Three narrow levels hold six readings in ten, the rest is uniform."""
    levels = rng.choice(rng.uniform(-5, 5, 3), n) + rng.normal(0, 0.08, n)
    return np.where(rng.random(n) < 0.4, rng.uniform(-5, 5, n), levels)


def _unequal_widths(rng: np.random.Generator, n: int) -> FloatArray:
    """Three lumps, each with a width of its own."""
    place, width = rng.uniform(-5, 5, 3), rng.uniform(0.05, 1, 3)
    which = rng.integers(0, 3, n)
    return place[which] + width[which] * rng.normal(size=n)


def _dwelling(rng: np.random.Generator, n: int) -> FloatArray:
    """A value that stays for some readings and then jumps anywhere."""
    place = rng.normal(0, 3, n)
    return place[np.cumsum(rng.random(n) < 0.25) % n] + rng.normal(0, 0.15, n)


def _two_uniform(rng: np.random.Generator, n: int) -> FloatArray:
    """Uniform on two intervals with a gap between."""
    return rng.uniform(0, 3, n) + np.where(rng.random(n) < 0.5, 0.0, rng.uniform(4, 8))


def _autoregressive(rng: np.random.Generator, n: int) -> FloatArray:
    """Neighbours with a correlation of 0.9."""
    values = np.empty(n)
    last = rng.normal()
    for i in range(n):
        last = 0.9 * last + 0.44 * rng.normal()
        values[i] = last
    return 2 * values


def _between(low: float, high: float, levels: int) -> Callable[[np.random.Generator], FloatArray]:
    return lambda rng: rng.uniform(low, high, levels)


def _mirrored(levels: int, centre: float) -> Callable[[np.random.Generator], FloatArray]:
    return lambda rng: centre + np.outer([-1, 1], rng.uniform(0.3, 6, levels)).ravel()


def _signed_sums(rng: np.random.Generator) -> FloatArray:
    """Sums i·a + j·b with i and j from −1 to 1."""
    one, other = rng.uniform(1, 5, 2)
    steps = np.arange(-1.0, 2.0)
    return np.add.outer(one * steps, other * steps).ravel()


def _golden(rng: np.random.Generator) -> FloatArray:
    """1, φ, φ² and φ + 2, of any size."""
    ratio = 0.5 * (1 + 5**0.5)
    return rng.uniform(1, 3) * np.array([1, ratio, ratio**2, ratio + 2])


def _written(family: Family, digits: int) -> Family:
    """A family as written with so many significant digits."""
    return lambda rng, n: significant(family(rng, n), digits)


def _wide_levels(rng: np.random.Generator, n: int) -> FloatArray:
    """Five levels from 3 to 250, noise of 1 %."""
    levels = np.exp(rng.uniform(1, 5.5, 5))
    values: FloatArray = rng.choice(levels, n) * (1 + 0.01 * rng.normal(size=n))
    return values


MORE: dict[str, dict[str, Family]] = {
    "continuous": {
        "log-uniform": lambda rng, n: np.exp(rng.uniform(0, 3, n)),
        "Pareto, 2": lambda rng, n: rng.pareto(2, n) + 1,
        "two uniform pieces": _two_uniform,
        "beta (2, 2)": lambda rng, n: 10 * rng.beta(2, 2, n) - rng.choice([0.0, 5.0]),
        "normal and a wider one": lambda rng, n: np.where(
            rng.random(n) < 0.8, rng.normal(0, 1, n), rng.normal(0, 4, n)
        ),
        "autoregressive": _autoregressive,
        "gamma, two digits": _written(lambda rng, n: rng.gamma(2, 10, n), 2),
        "uniform, two digits": _written(lambda rng, n: rng.uniform(0, 300, n), 2),
    },
    "lumpy": {
        "five levels, growing gaps": levels_at(
            lambda rng: np.cumprod(np.r_[1.0, rng.uniform(1.2, 2.2, 4)]), 0.05, 0.3
        ),
        "ten levels": levels_at(_between(0, 10, 10), 0.03, 0.15),
        "twelve mirrored levels": levels_at(_mirrored(6, 0.0), 0.03, 0.15),
        "three precise levels": levels_at(_between(0, 10, 3), 0.005, 0.05),
        "five precise levels": levels_at(_between(-5, 5, 5), 0.005, 0.05),
        "levels on uniform": _levels_on_uniform,
        "lumps of unequal widths": _unequal_widths,
        "dwelling": _dwelling,
        "five levels, two digits": _written(_wide_levels, 2),
    },
    "heaped": {},
    "sums": {
        "sums of two signed units": sums(_signed_sums),
        "golden levels": sums(_golden),
    },
}
"""Families of the calibration beside `NAMED`."""


def up_to_three(rng: np.random.Generator) -> FloatArray:
    """Sums i·a + j·b of two units uniform on (1, 5), i and j from 0 to 3."""
    one, other = rng.uniform(1, 5, 2)
    steps = np.arange(4.0)
    levels: FloatArray = np.add.outer(one * steps, other * steps).ravel()
    return levels


NEAR = 0.1
"""Levels within so many units of the multiples of one are steps to whoever does not know the
scatter: it may be as large."""

LARGER: dict[str, dict[str, Family]] = {
    "beyond": {"sums of two units, up to three": sums(up_to_three, NEAR)}
}
"""Sums with larger coefficients. They are drawn beside the others to see what it would cost to hold
them to the level as well (`benchmarks.cost_of_sums`), and take no part in weights and tails."""

CENTRED: dict[str, dict[str, Family]] = {
    "continuous": {},
    "lumpy": {
        "middle and four mirrored": levels_at(
            lambda rng: 3 + np.r_[0.0, np.outer([-1, 1], rng.uniform(0.5, 5, 2)).ravel()], 0.05, 0.3
        ),
        "six mirrored about 3": levels_at(_mirrored(3, 3.0), 0.05, 0.3),
        "eight mirrored about 3": levels_at(_mirrored(4, 3.0), 0.03, 0.2),
    },
    "heaped": {},
    "sums": {},
}
"""Levels that mirror each other about a centre that is not zero: for a free offset."""


def _smooth_known(family: Family) -> Known:
    """Values of any size with a noise that the family already contains."""

    def draw(rng: np.random.Generator, n: int) -> tuple[FloatArray, float]:
        values = family(rng, n)
        return values, float(np.ptp(values) * np.exp(rng.uniform(np.log(0.005), np.log(0.08))))

    return draw


WRITTEN = ("rounded continuous", "two digits", "gamma, two digits", "uniform, two digits")
"""Families of rounded values."""

KNOWN: dict[str, dict[str, Known]] = {
    "continuous": {
        label: _smooth_known(family)
        for label, family in (NAMED["continuous"] | MORE["continuous"]).items()
        if label not in WRITTEN
    },
    "lumpy": {
        "two lumps": levels_known(_between(0, 10, 2), 0.4, 0.41),
        "two levels": levels_known(_between(0, 10, 2), 0.05, 0.3),
        "three levels": levels_known(_between(0, 10, 3), 0.05, 0.3),
        "three levels about zero": levels_known(_between(-5, 5, 3), 0.05, 0.3),
        "three levels, skewed": levels_known(_between(0, 10, 3), 0.05, 0.3, (0.7, 0.2, 0.1)),
        "four levels": levels_known(_between(0, 10, 4), 0.05, 0.3),
        "five levels": levels_known(_between(-5, 5, 5), 0.05, 0.3),
        "eight levels": levels_known(_between(0, 10, 8), 0.05, 0.3),
        "ten levels": levels_known(_between(0, 10, 10), 0.03, 0.15),
        "six mirrored levels": levels_known(_mirrored(3, 0.0), 0.05, 0.3),
        "three precise levels": levels_known(_between(0, 10, 3), 0.005, 0.05),
        "five precise levels": levels_known(_between(-5, 5, 5), 0.005, 0.05),
    },
    "heaped": {"heaped": _smooth_known(NAMED["heaped"]["heaped"])},
    "sums": {
        "sums of two units": sums_known(two_units),
        "sums of two of three levels": sums_known(two_of_three),
        "sums of two signed units": sums_known(_signed_sums),
        "golden levels": sums_known(_golden),
    },
}
"""Families that also say how large the noise of a reading is."""

LARGER_KNOWN: dict[str, dict[str, Known]] = {
    "sums": {"sums of two units, up to three": sums_known(up_to_three)}
}
"""Sums with larger coefficients where the noise is said: here they take part, for a known scatter
distinguishes them from a comb."""
