"""Whole numbers as the benchmarks draw them, and the combs of the table of power."""

from __future__ import annotations

import numpy as np

from benchmarks.runner import Array, Family, Rng


def comb(integers: Family, spread: float) -> Family:
    """Whole numbers from `integers`, unit 1, normal noise `spread`."""

    def draw(rng: Rng, n: int) -> Array:
        return integers(rng, n) + rng.normal(0.0, spread, n)

    return draw


def whole_uniform(rng: Rng, n: int) -> Array:
    """Uniform on -4..4."""
    return rng.integers(-4, 5, n).astype(float)


def one_to_eight(rng: Rng, n: int) -> Array:
    """Uniform on 1..8."""
    return rng.integers(1, 9, n).astype(float)


def different(rng: Rng, n: int) -> Array:
    """Different ones of 1 to n + 4, as the states of a sphere are."""
    return rng.permutation(np.arange(1.0, n + 5.0))[:n]


def whole_poisson(rng: Rng, n: int) -> Array:
    """Poisson with mean 2."""
    return rng.poisson(2.0, n).astype(float)


def whole_three(rng: Rng, n: int) -> Array:
    """1, 2 or 3."""
    return rng.integers(1, 4, n).astype(float)


def whole_geometric(rng: Rng, n: int) -> Array:
    """Geometric, 0.4, from 1."""
    return rng.geometric(0.4, n).astype(float)


COMBS: dict[str, tuple[Family, float, int, float | None]] = {
    "-4..4, 8 at .08": (whole_uniform, 0.08, 8, 0.86),
    "-4..4, 20 at .10": (whole_uniform, 0.10, 20, 0.98),
    "-4..4, 20 at .15": (whole_uniform, 0.15, 20, 0.91),
    "-4..4, 20 at .20": (whole_uniform, 0.20, 20, 0.42),
    "-4..4, 40 at .15": (whole_uniform, 0.15, 40, 1.00),
    "-4..4, 40 at .20": (whole_uniform, 0.20, 40, 0.83),
    "Poisson 2, 20 at .10": (whole_poisson, 0.10, 20, 0.98),
    "Poisson 2, 40 at .15": (whole_poisson, 0.15, 40, 0.95),
    "three levels, 20 at .08": (whole_three, 0.08, 20, 0.90),
    "geometric, 20 at .08": (whole_geometric, 0.08, 20, 0.90),
    "geometric, 40 at .08": (whole_geometric, 0.08, 40, 0.98),
    "eight of 1..12, 8 at .08": (different, 0.08, 8, None),
    "1..8, 12 at .12": (one_to_eight, 0.12, 12, None),
}
"""Integers, sigma/u, readings, and the power aimed at, where one is."""
COMBS_KNOWN: dict[str, tuple[Family, float, int, float | None]] = {
    "-4..4, 20 at .15, sigma given": (whole_uniform, 0.15, 20, 0.95),
    "-4..4, 20 at .20, sigma given": (whole_uniform, 0.20, 20, 0.75),
    "eight of 1..12, 8 at .10, sigma given": (different, 0.10, 8, None),
    "1..8, 12 at .12, sigma given": (one_to_eight, 0.12, 12, None),
}
"""The same with the standard deviation of a reading given."""
