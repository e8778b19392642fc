"""Data without steps beside `quantize.studies.families.NAMED`, and combs.

`MORE` and `KNOWN` took part in the calibration with `NAMED`, `CENTRED` in that of a free offset.
`HELD_OUT` was drawn up for `benchmarks.false_alarms` before it was run: neither the calibration nor
any choice of the rule has seen it. Once a family is used for one it is no longer held out.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable

import numpy as np

from benchmarks.runner import Array, Rng
from quantize.studies.families import (
    NAMED,
    Family,
    are_multiples,
    significant,
    sums,
    two_of_three,
    two_units,
)

__all__ = ["HELD_OUT", "NAMED", "Family"]

Known = Callable[[Rng, int], tuple[Array, float]]
Levels = Callable[[Rng], Array]
Shares = tuple[float, ...] | None
Kinds = dict[str, dict[str, Family]]


def levels_known(places: Levels, least: float, most: float, shares: Shares = None) -> Known:
    """Levels at `places`, with a noise log-uniform from `least` to `most`, which is handed out."""

    def draw(rng: Rng, n: int) -> tuple[Array, float]:
        noise = float(np.exp(rng.uniform(np.log(least), np.log(most))))
        return rng.choice(places(rng), n, p=shares) + rng.normal(0, noise, n), noise

    return draw


def _values(known: Known) -> Family:
    return lambda rng, n: known(rng, n)[0]


def levels_at(places: Levels, least: float, most: float) -> Family:
    """The same with the noise left out."""
    return _values(levels_known(places, least, most))


def _between(low: float, high: float, levels: int) -> Levels:
    return lambda rng: rng.uniform(low, high, levels)


def _mirrored(levels: int, centre: float) -> Levels:
    return lambda rng: centre + np.outer([-1, 1], rng.uniform(0.3, 6, levels)).ravel()


def _units(first: Array, second: Array) -> Levels:
    """Sums i·a + j·b of two units uniform on (1, 5), i and j as given."""

    def places(rng: Rng) -> Array:
        one, other = rng.uniform(1, 5, 2)
        return np.add.outer(one * first, other * second).ravel()

    return places


signed_units = _units(np.arange(-1.0, 2.0), np.arange(-1.0, 2.0))
up_to_three = _units(np.arange(4.0), np.arange(4.0))
signed_up_to_two = _units(np.arange(-2.0, 3.0), np.arange(-2.0, 3.0))
_differences = _units(np.arange(3.0), -np.arange(3.0))
_RATIO = 0.5 * (1 + 5**0.5)


def _golden(rng: Rng) -> Array:
    """1, φ, φ² and φ + 2, of any size."""
    return rng.uniform(1, 3) * np.array([1, _RATIO, _RATIO**2, _RATIO + 2])


def _written(family: Family, digits: int) -> Family:
    """A family as written with so many significant digits."""
    return lambda rng, n: significant(family(rng, n), digits)


def _anywhere_multiples(places: Array, noise: float) -> bool:
    """Whether the levels are multiples of one unit, counted from zero or from the lowest."""
    return are_multiples(places, noise) or are_multiples(places - places.min(), noise)


@dataclasses.dataclass(frozen=True)
class Lattice:
    """Levels made of few units; `near` says which of them are multiples of one unit after all.

    The noise is uniform from 0.04 to 0.12.
    """

    levels: Levels
    near: Callable[[Array, float], bool] = are_multiples
    shares: Shares = None

    def apart(self, rng: Rng, n: int) -> tuple[Array, float]:
        """A sample of those that are no multiples of one unit, and its noise."""
        return self._drawn(rng, n, near=False)

    def multiples(self, rng: Rng, n: int) -> Array:
        """A sample of those that are, for which "steps" is the right answer."""
        return self._drawn(rng, n, near=True)[0]

    @functools.cache  # noqa: B019
    def share_of_multiples(self, draws: int, seed: int) -> float:
        """The share of those that are, among all."""
        rng = np.random.default_rng(seed)
        noises = map(float, rng.uniform(0.04, 0.12, draws))
        return float(np.mean([self.near(self.levels(rng), noise) for noise in noises]))

    def _drawn(self, rng: Rng, n: int, near: bool) -> tuple[Array, float]:
        while True:
            noise, places = float(rng.uniform(0.04, 0.12)), self.levels(rng)
            if self.near(places, noise) == near:
                return rng.choice(places, n, p=self.shares) + noise * rng.normal(size=n), noise


CALIBRATED: dict[str, Lattice] = {
    "sums of two units": Lattice(two_units),
    "sums of two of three levels": Lattice(two_of_three),
    "sums of two units, up to three": Lattice(up_to_three),
    "sums of two signed units": Lattice(signed_units),
    "sums of two signed units, up to two": Lattice(signed_up_to_two),
    "golden levels": Lattice(_golden),
}
"""Those that took part in the calibration."""


def _apart(*labels: str) -> dict[str, Known]:
    return {label: CALIBRATED[label].apart for label in labels}


# ---- families of the calibration ---------------------------------------------------------------


def _levels_on_uniform(rng: Rng, n: int) -> Array:
    """Three narrow levels hold six readings in ten, the rest is uniform."""
    levels = rng.choice(rng.uniform(-5, 5, 3), n) + rng.normal(0, 0.08, n)
    return np.where(rng.random(n) < 0.4, rng.uniform(-5, 5, n), levels)


def _unequal_widths(rng: Rng, n: int) -> Array:
    """Three lumps, each with a width of its own."""
    place, width = rng.uniform(-5, 5, 3), rng.uniform(0.05, 1, 3)
    which = rng.integers(0, 3, n)
    return place[which] + width[which] * rng.normal(size=n)


def _dwelling(rng: Rng, n: int) -> Array:
    """A value that stays for some readings and then jumps anywhere."""
    place = rng.normal(0, 3, n)
    return place[np.cumsum(rng.random(n) < 0.25) % n] + rng.normal(0, 0.15, n)


def _two_uniform(rng: Rng, n: int) -> Array:
    """Uniform on two intervals with a gap between."""
    return rng.uniform(0, 3, n) + np.where(rng.random(n) < 0.5, 0.0, rng.uniform(4, 8))


def _autoregressive(rng: Rng, n: int) -> Array:
    """Neighbours with a correlation of 0.9."""
    values = np.empty(n)
    last = rng.normal()
    for i in range(n):
        last = 0.9 * last + 0.44 * rng.normal()
        values[i] = last
    return 2 * values


def _wide_levels(rng: Rng, n: int) -> Array:
    """Five levels from 3 to 250, noise of 1 %."""
    levels = np.exp(rng.uniform(1, 5.5, 5))
    return rng.choice(levels, n) * (1 + 0.01 * rng.normal(size=n))


MORE: Kinds = {
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
        label: _values(known)
        for label, known in _apart("sums of two signed units", "golden levels").items()
    },
}

NEAR = 0.1
"""Levels within so many units of the multiples of one are steps to whoever does not know the
scatter: it may be as large."""
LARGER: Kinds = {
    "beyond": {
        "sums of two units, up to three": sums(up_to_three, NEAR),
        "sums of two signed units, up to two": sums(signed_up_to_two, NEAR),
    }
}
"""Sums with larger coefficients, on 16 and 25 levels in place of nine. Weights allow more of them
(`benchmarks.calibrate`), and the tails leave them out; `benchmarks.cost_of_sums` says what it would
cost to hold them to the level."""
LARGER_KNOWN: dict[str, dict[str, Known]] = {"sums": _apart(*LARGER["beyond"])}
"""The same where the noise is said: here they take part, for a known scatter distinguishes them
from a comb."""

CENTRED: Kinds = {
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

    def draw(rng: Rng, n: int) -> tuple[Array, float]:
        values = family(rng, n)
        return values, float(np.ptp(values) * np.exp(rng.uniform(np.log(0.005), np.log(0.08))))

    return draw


WRITTEN = ("rounded continuous", "two digits", "gamma, two digits", "uniform, two digits")
"""Families of rounded values."""
_USUAL = (0.05, 0.3)
KNOWN: dict[str, dict[str, Known]] = {
    "continuous": {
        label: _smooth_known(family)
        for label, family in (NAMED["continuous"] | MORE["continuous"]).items()
        if label not in WRITTEN
    },
    "lumpy": {
        "two lumps": levels_known(_between(0, 10, 2), 0.4, 0.41),
        "two levels": levels_known(_between(0, 10, 2), *_USUAL),
        "three levels": levels_known(_between(0, 10, 3), *_USUAL),
        "three levels about zero": levels_known(_between(-5, 5, 3), *_USUAL),
        "three levels, skewed": levels_known(_between(0, 10, 3), *_USUAL, (0.7, 0.2, 0.1)),
        "four levels": levels_known(_between(0, 10, 4), *_USUAL),
        "five levels": levels_known(_between(-5, 5, 5), *_USUAL),
        "eight levels": levels_known(_between(0, 10, 8), *_USUAL),
        "ten levels": levels_known(_between(0, 10, 10), 0.03, 0.15),
        "six mirrored levels": levels_known(_mirrored(3, 0.0), *_USUAL),
        "three precise levels": levels_known(_between(0, 10, 3), 0.005, 0.05),
        "five precise levels": levels_known(_between(-5, 5, 5), 0.005, 0.05),
    },
    "heaped": {"heaped": _smooth_known(NAMED["heaped"]["heaped"])},
    "sums": {
        label: drawn.apart for label, drawn in CALIBRATED.items() if label not in LARGER["beyond"]
    },
}
"""Families that also say how large the noise of a reading is."""


# ---- families held out -------------------------------------------------------------------------


def _clusters_of_clusters(rng: Rng) -> Array:
    """Two groups of three levels, far apart."""
    centres = np.repeat([rng.uniform(0, 4), rng.uniform(7, 12)], 3)
    return centres + rng.uniform(-1, 1, 6)


def _unequal_shares(rng: Rng, n: int) -> tuple[Array, float]:
    """Five levels anywhere; their shares are Dirichlet with 1 each."""
    noise = float(rng.uniform(0.05, 0.3))
    places = rng.choice(rng.uniform(-5, 5, 5), n, p=rng.dirichlet(np.ones(5)))
    return places + noise * rng.normal(size=n), noise


def _t_noise(rng: Rng, n: int) -> tuple[Array, float]:
    """Four levels anywhere, the noise a Student t with three degrees of freedom."""
    noise = float(rng.uniform(0.05, 0.3))
    scale = noise / np.sqrt(3)
    return rng.choice(rng.uniform(0, 10, 4), n) + scale * rng.standard_t(3, n), noise


def _quarter_on_halves(rng: Rng, n: int) -> Array:
    """Normal, width 3; a quarter of the values rounded to halves."""
    values = rng.normal(0.0, 3.0, n)
    return np.where(rng.random(n) < 0.25, np.round(2 * values) / 2, values)


def _squares(rng: Rng) -> Array:
    """Squares of k + d, k from 0 to 4, d anywhere between."""
    return rng.uniform(0.3, 1) * np.square(np.arange(5) + rng.uniform(0.1, 0.9))


def _up_to_four_in_all(rng: Rng) -> Array:
    """Sums i·a + j·b of two units uniform on (1, 5), i + j at most 4."""
    one, other = rng.uniform(1, 5, 2)
    i, j = np.array([(i, j) for i in range(5) for j in range(5 - i)], float).T
    return one * i + other * j


def _three_units(rng: Rng) -> Array:
    """Sums of three units uniform on (1, 5), each taken or not."""
    one, two, three = rng.uniform(1, 5, 3)
    return np.add.outer(np.add.outer([0.0, one], [0.0, two]), [0.0, three]).ravel()


_COIN_TWICE = tuple(np.outer([0.25, 0.5, 0.25], [0.25, 0.5, 0.25]).ravel().tolist())
HELD_OUT_LATTICES: dict[str, Lattice] = {
    "levels at squares": Lattice(_squares, _anywhere_multiples),
    "sums of two units, four in all": Lattice(_up_to_four_in_all, _anywhere_multiples),
    "sums of three units": Lattice(_three_units, _anywhere_multiples),
    "differences of two units": Lattice(_differences, _anywhere_multiples),
    "two units, each by two coins": Lattice(two_units, _anywhere_multiples, _COIN_TWICE),
    "differences of two units, by coins": Lattice(_differences, _anywhere_multiples, _COIN_TWICE),
    "two signed units, by coins": Lattice(signed_units, _anywhere_multiples, _COIN_TWICE),
}
LATTICES = CALIBRATED | HELD_OUT_LATTICES
NEAR_COMBS: dict[str, Family] = {label: drawn.multiples for label, drawn in LATTICES.items()}
"""What the families of sums leave out: levels that are multiples of one unit within their noise,
for which "steps" is the right answer. It is not counted as false, and is counted apart."""

HELD_OUT_KNOWN: dict[str, dict[str, Known]] = {
    "lumpy": {
        "six levels, Dirichlet gaps": levels_known(
            lambda rng: rng.uniform(0, 2) + 10 * np.cumsum(rng.dirichlet([3.0] * 6)), *_USUAL
        ),
        "levels of a Poisson process": levels_known(
            lambda rng: rng.uniform(0, 10, max(3, rng.poisson(6))), *_USUAL
        ),
        "levels at logarithms": levels_known(
            lambda rng: rng.uniform(2, 5) * np.log(np.arange(2, 9)), 0.03, 0.12
        ),
        "clusters of clusters": levels_known(_clusters_of_clusters, 0.03, 0.12),
        "five levels, unequal shares": _unequal_shares,
        "four levels, t noise": _t_noise,
    },
    "sums": {label: drawn.apart for label, drawn in HELD_OUT_LATTICES.items()},
}
"""Those of `HELD_OUT` that also say how large the noise of a reading is."""
HELD_OUT: Kinds = {
    "continuous": {
        "logistic": lambda rng, n: rng.logistic(rng.choice([0.0, 5.0]), 1.5, n),
        "arcsine from 2 to 9": lambda rng, n: 2 + 7 * rng.beta(0.5, 0.5, n),
        "mixture of two betas": lambda rng, n: (
            10 * np.where(rng.random(n) < 0.5, rng.beta(2, 8, n), rng.beta(18, 4, n))
        ),
        "mixture of two gammas": lambda rng, n: np.where(
            rng.random(n) < 0.6, rng.gamma(2, 0.8, n), rng.gamma(9, 1, n)
        ),
        "Lomax, shape 1.5": lambda rng, n: 2 * rng.pareto(1.5, n),
        "chi-square, one degree": lambda rng, n: 3 * rng.chisquare(1, n),
        "log-logistic, three digits": _written(lambda rng, n: np.exp(rng.logistic(3.0, 0.8, n)), 3),
    },
    "lumpy": {label: _values(known) for label, known in HELD_OUT_KNOWN["lumpy"].items()},
    "heaped": {"a quarter on halves": _quarter_on_halves},
    "sums": {label: _values(known) for label, known in HELD_OUT_KNOWN["sums"].items()},
}
