"""Combs, and families of data without steps that took no part in the calibration.

The families that did are those of `quantize.studies.families`, under `NAMED`, and of
`benchmarks.more_families`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np

from benchmarks.more_families import _golden, _signed_sums, levels_known, up_to_three
from quantize._support.validation import FloatArray
from quantize.studies.families import (
    NAMED,
    Family,
    Known,
    are_multiples,
    significant,
    two_of_three,
    two_units,
)

__all__ = ["COMBS", "HELD_OUT", "NAMED", "Family", "comb"]

Levels = Callable[[np.random.Generator], FloatArray]


def _two_betas(rng: np.random.Generator, n: int) -> FloatArray:
    """A hump near each end of (0, 10), the upper one sharper."""
    return 10 * np.where(rng.random(n) < 0.5, rng.beta(2, 8, n), rng.beta(18, 4, n))


def _two_gammas(rng: np.random.Generator, n: int) -> FloatArray:
    """A skewed hump at small values and a broad one above."""
    return np.where(rng.random(n) < 0.6, rng.gamma(2, 0.8, n), rng.gamma(9, 1, n))


def _dirichlet_gaps(rng: np.random.Generator) -> FloatArray:
    """Six levels whose gaps, 10 in all, are Dirichlet with 3 each."""
    places: FloatArray = rng.uniform(0, 2) + 10 * np.cumsum(rng.dirichlet([3.0] * 6))
    return places


def _poisson_process(rng: np.random.Generator) -> FloatArray:
    """Points of a Poisson process on (0, 10), six on average, three at least."""
    return rng.uniform(0, 10, max(3, rng.poisson(6)))


def _logarithms(rng: np.random.Generator) -> FloatArray:
    """Logarithms of 2 to 8, of any size."""
    places: FloatArray = rng.uniform(2, 5) * np.log(np.arange(2, 9))
    return places


def _clusters_of_clusters(rng: np.random.Generator) -> FloatArray:
    """Two groups of three levels, far apart."""
    centres = np.repeat([rng.uniform(0, 4), rng.uniform(7, 12)], 3)
    places: FloatArray = centres + rng.uniform(-1, 1, 6)
    return places


def _unequal_shares(rng: np.random.Generator, n: int) -> tuple[FloatArray, float]:
    """Five levels anywhere; their shares are Dirichlet with 1 each."""
    noise = float(rng.uniform(0.05, 0.3))
    places = rng.choice(rng.uniform(-5, 5, 5), n, p=rng.dirichlet(np.ones(5)))
    return places + noise * rng.normal(size=n), noise


def _t_noise(rng: np.random.Generator, n: int) -> tuple[FloatArray, float]:
    """Four levels anywhere, the noise a Student t with three degrees of freedom."""
    noise = float(rng.uniform(0.05, 0.3))
    scale = noise / np.sqrt(3)
    return rng.choice(rng.uniform(0, 10, 4), n) + scale * rng.standard_t(3, n), noise


def _quarter_on_halves(rng: np.random.Generator, n: int) -> FloatArray:
    """Normal, width 3; a quarter of the values rounded to halves."""
    values = rng.normal(0.0, 3.0, n)
    return np.where(rng.random(n) < 0.25, np.round(2 * values) / 2, values)


def _squares(rng: np.random.Generator) -> FloatArray:
    """Squares of k + d, k from 0 to 4, d anywhere between."""
    places: FloatArray = rng.uniform(0.3, 1) * np.square(np.arange(5) + rng.uniform(0.1, 0.9))
    return places


def _up_to_four_in_all(rng: np.random.Generator) -> FloatArray:
    """Sums i·a + j·b of two units uniform on (1, 5), i + j at most 4."""
    one, other = rng.uniform(1, 5, 2)
    i, j = np.array([(i, j) for i in range(5) for j in range(5 - i)], float).T
    places: FloatArray = one * i + other * j
    return places


def _three_units(rng: np.random.Generator) -> FloatArray:
    """Sums of three units uniform on (1, 5), each taken or not."""
    one, two, three = rng.uniform(1, 5, 3)
    return np.add.outer(np.add.outer([0.0, one], [0.0, two]), [0.0, three]).ravel()


def _differences(rng: np.random.Generator) -> FloatArray:
    """Differences i·a − j·b of two units uniform on (1, 5), i and j from 0 to 2."""
    one, other = rng.uniform(1, 5, 2)
    places: FloatArray = np.subtract.outer(one * np.arange(3.0), other * np.arange(3.0)).ravel()
    return places


def _anywhere_multiples(places: FloatArray, noise: float) -> bool:
    """Whether the levels are multiples of one unit, counted from zero or from the lowest."""
    return are_multiples(places, noise) or are_multiples(places - places.min(), noise)


@dataclasses.dataclass(frozen=True)
class Lattice:
    """Levels made of few units; `near` says which of them are multiples of one unit after all.

    The noise is uniform from 0.04 to 0.12.
    """

    levels: Levels
    near: Callable[[FloatArray, float], bool] = are_multiples
    shares: tuple[float, ...] | None = None

    def apart(self, rng: np.random.Generator, n: int) -> tuple[FloatArray, float]:
        """A sample of those that are no multiples of one unit, and its noise."""
        return self._drawn(rng, n, near=False)

    def multiples(self, rng: np.random.Generator, n: int) -> FloatArray:
        """A sample of those that are, for which "steps" is the right answer."""
        return self._drawn(rng, n, near=True)[0]

    def share_of_multiples(self, draws: int, seed: int) -> float:
        """The share of those that are, among all."""
        rng = np.random.default_rng(seed)
        near = [
            self.near(self.levels(rng), noise)
            for noise in map(float, rng.uniform(0.04, 0.12, draws))
        ]
        return float(np.mean(near))

    def _drawn(self, rng: np.random.Generator, n: int, near: bool) -> tuple[FloatArray, float]:
        while True:
            noise, places = float(rng.uniform(0.04, 0.12)), self.levels(rng)
            if self.near(places, noise) == near:
                return rng.choice(places, n, p=self.shares) + noise * rng.normal(size=n), noise


_COIN_TWICE = tuple(np.outer([0.25, 0.5, 0.25], [0.25, 0.5, 0.25]).ravel().tolist())

HELD_OUT_LATTICES: dict[str, Lattice] = {
    "levels at squares": Lattice(_squares, _anywhere_multiples),
    "sums of two units, four in all": Lattice(_up_to_four_in_all, _anywhere_multiples),
    "sums of three units": Lattice(_three_units, _anywhere_multiples),
    "differences of two units": Lattice(_differences, _anywhere_multiples),
    "two units, each by two coins": Lattice(two_units, _anywhere_multiples, _COIN_TWICE),
}

LATTICES: dict[str, Lattice] = {
    "sums of two units": Lattice(two_units),
    "sums of two of three levels": Lattice(two_of_three),
    "sums of two units, up to three": Lattice(up_to_three),
    "sums of two signed units": Lattice(_signed_sums),
    "golden levels": Lattice(_golden),
    **HELD_OUT_LATTICES,
}

NEAR_COMBS: dict[str, Family] = {label: drawn.multiples for label, drawn in LATTICES.items()}
"""What the families of sums leave out: levels that are multiples of one unit within their noise,
for which "steps" is the right answer. It is not counted as false, and is counted apart."""

HELD_OUT_KNOWN: dict[str, dict[str, Known]] = {
    "continuous": {},
    "lumpy": {
        "six levels, Dirichlet gaps": levels_known(_dirichlet_gaps, 0.05, 0.3),
        "levels of a Poisson process": levels_known(_poisson_process, 0.05, 0.3),
        "levels at logarithms": levels_known(_logarithms, 0.03, 0.12),
        "clusters of clusters": levels_known(_clusters_of_clusters, 0.03, 0.12),
        "five levels, unequal shares": _unequal_shares,
        "four levels, t noise": _t_noise,
    },
    "heaped": {},
    "sums": {label: drawn.apart for label, drawn in HELD_OUT_LATTICES.items()},
}
"""Those of `HELD_OUT` that also say how large the noise of a reading is."""


def _values(known: Known) -> Family:
    return lambda rng, n: known(rng, n)[0]


HELD_OUT: dict[str, dict[str, Family]] = {
    "continuous": {
        "logistic": lambda rng, n: rng.logistic(rng.choice([0.0, 5.0]), 1.5, n),
        "arcsine from 2 to 9": lambda rng, n: 2 + 7 * rng.beta(0.5, 0.5, n),
        "mixture of two betas": _two_betas,
        "mixture of two gammas": _two_gammas,
        "Lomax, shape 1.5": lambda rng, n: 2 * rng.pareto(1.5, n),
        "chi-square, one degree": lambda rng, n: 3 * rng.chisquare(1, n),
        "log-logistic, three digits": lambda rng, n: significant(
            np.exp(rng.logistic(3.0, 0.8, n)), 3
        ),
    },
    "lumpy": {label: _values(known) for label, known in HELD_OUT_KNOWN["lumpy"].items()},
    "heaped": {"a quarter on halves": _quarter_on_halves},
    "sums": {label: _values(known) for label, known in HELD_OUT_KNOWN["sums"].items()},
}
"""Families drawn up for `benchmarks.false_alarms` before it was run: neither the calibration nor
any choice of the rule has seen them. Once they are used for one they are no longer held out."""


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
}
"""Combs of the power table: integers, sigma/u, readings, and the power aimed at."""

COMBS_KNOWN: dict[
    str, tuple[Callable[[np.random.Generator, int], FloatArray], float, int, float]
] = {
    "-4..4, 20 at .15, sigma given": (whole_uniform, 0.15, 20, 0.95),
    "-4..4, 20 at .20, sigma given": (whole_uniform, 0.20, 20, 0.75),
}
"""The same with the standard deviation of a reading given."""
