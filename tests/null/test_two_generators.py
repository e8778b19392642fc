"""Sums of two units against plain sums over grids of both units and the offset."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
from scipy.special import gammaln
from scipy.stats import norm

import quantize as qz
from quantize.null import two_generators
from quantize.null.lattices import integrated
from quantize.null.partitions import most_probable_groups
from quantize.null.sample import Sample, sample_of
from quantize.null.two_generators import TwoGenerators, sums_of_two_units

GOLDEN = (1 + math.sqrt(5)) / 2
SIGMA = 0.04
LEFT_OUT = 0.75
"""Log evidence in assignments beyond the best that are refined, at most, on these samples."""
Places = list[tuple[int, int]]


def sums(places: Places, start: float = 0.0, seed: int = 1) -> np.ndarray:
    """Levels at i + j·golden, sorted."""
    rng = np.random.default_rng(seed)
    exact = np.array([i + GOLDEN * j for i, j in places])
    return np.sort(start + exact + SIGMA * rng.normal(size=exact.size))


def sample(values: object, sigma: float = SIGMA) -> Sample:
    return sample_of(qz.fit_mixture(values, (0.3, 3.0), sigma_range=sigma).posterior)


def found(part: Sample, *, offset: bool = False, signed: bool = False) -> TwoGenerators:
    typical = part.variance[0]
    groups = most_probable_groups(part.values, typical, 1.0)
    return sums_of_two_units(part, groups, typical, offset=offset, signed=signed)


def log_shares(chosen: np.ndarray) -> float:
    """Dirichlet-multinomial probability of these places, averaged over three concentrations.

    The places in reach are those of the smallest rectangle that holds the coefficients, or as often
    those of it whose sum is no larger than the largest sum; on both sides of zero half of the
    latter become those whose sum is no smaller than the smallest.
    """
    both_sides = chosen.min() < 0
    chosen = chosen - chosen.min(axis=0)
    rectangle = list(itertools.product(*(range(top + 1) for top in chosen.max(axis=0))))
    sums_held = chosen.sum(axis=1)
    upright = sum(sum(place) <= sums_held.max() for place in rectangle)
    turned = sum(sum(place) >= sums_held.min() for place in rectangle) if both_sides else upright
    _, held = np.unique(chosen, axis=0, return_counts=True)
    n = len(chosen)
    logs = []
    for size in (len(rectangle), len(rectangle), upright, turned):
        logs.append(-n * math.log(size))
        for a in (1.0, 0.3):
            seats = gammaln(a + held) - gammaln(a)
            logs.append(gammaln(size * a) - gammaln(size * a + n) + seats.sum())
    return float(np.logaddexp.reduce(logs) - math.log(12))


def on_a_grid(
    x: np.ndarray,
    *,
    signed: bool,
    most: int,
    starts: np.ndarray | None = None,
    points: int = 300,
    power: int = 0,
) -> float:
    """Log evidence: every level on its nearest place, the smaller unit first.

    Either unit is even where its farthest multiple lies within R, and the largest coefficient of
    either is k with a probability in proportion to k^-power. With an offset, that is even on R too
    and the place of the lowest coefficients of both.
    """
    reach = float(np.abs(x).max() if starts is None else np.ptp(x))
    lattice = np.array(list(itertools.product(range(-most * signed, most + 1), repeat=2)))
    unit = (np.arange(points) + 0.5) * reach / points
    a, b = (part[np.triu_indices(points, 1)] for part in np.meshgrid(unit, unit, indexing="ij"))
    by_places: dict[bytes, float] = {}
    for start in np.zeros(1) if starts is None else starts:
        away = np.full((a.size, x.size), np.inf)
        chosen = np.zeros((a.size, x.size), dtype=np.int8)
        for place, (i, j) in enumerate(lattice):
            d = np.abs(x - start - (a * i + b * j)[:, None])
            nearer = d < away
            away[nearer] = d[nearer]
            chosen[nearer] = place
        log_like = norm.logpdf(away, 0, SIGMA).sum(axis=1)
        for row in np.flatnonzero(log_like > -60):
            key = chosen[row].tobytes()
            by_places[key] = np.logaddexp(by_places.get(key, -np.inf), log_like[row])
    total = -np.inf
    for key, log_like in by_places.items():
        mine = lattice[np.frombuffer(key, dtype=np.int8)]
        if starts is None or not mine.min(axis=0).any():
            farthest = np.maximum(np.abs(mine).max(axis=0), 1)
            prior = (1 - power) * np.log(farthest).sum()
            total = np.logaddexp(total, log_like + log_shares(mine) + prior)
    total -= 2 * math.log(sum(k**-power for k in range(1, most + 1)))
    cell = 2 * math.log(reach / points) + math.log(2 / reach**2)
    if starts is not None:
        cell += math.log((starts[1] - starts[0]) / reach)
    return float(total + cell)


@pytest.mark.parametrize(
    "places",
    [
        [(1, 0), (0, 1), (1, 1), (2, 1), (0, 2), (2, 2)],
        [(1, 0), (1, 0), (0, 1), (2, 0), (1, 2), (1, 2), (2, 1)],
    ],
)
def test_from_zero(places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
    values = sums(places)
    _held_to_the_grid(values, False, monkeypatch)
    assert found(sample(values)).units == pytest.approx((1, GOLDEN), abs=0.05)


@pytest.mark.slow
def test_on_both_sides_of_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    values = sums([(1, 0), (-1, 1), (0, -1), (-2, 0), (1, 1), (2, -1), (0, 2)])
    _held_to_the_grid(values, True, monkeypatch)


def _held_to_the_grid(values: np.ndarray, signed: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Up to two every assignment that matters is summed; up to four the best of very many are."""
    up_to_four = found(sample(values), signed=signed)
    every = on_a_grid(values, signed=signed, most=4)
    assert every - LEFT_OUT < up_to_four.log_evidence < every + 0.05
    few_of_each = on_a_grid(values, signed=signed, most=4, power=two_generators._RARER)
    assert few_of_each - LEFT_OUT < up_to_four.log_evidence_small < few_of_each + 0.05
    monkeypatch.setattr(two_generators, "_MOST", (2,))
    up_to_two = found(sample(values), signed=signed).log_evidence
    assert up_to_two == pytest.approx(on_a_grid(values, signed=signed, most=2), abs=0.05)


@pytest.mark.slow
def test_from_an_offset(monkeypatch: pytest.MonkeyPatch) -> None:
    values = sums([(0, 0), (1, 0), (0, 1), (2, 1), (1, 1), (1, 2)], start=5.3)
    one = found(sample(values), offset=True)
    # The corner may lie below all levels.
    starts = np.arange(values[0] - np.ptp(values), values[0] + 0.2, 0.02)
    monkeypatch.setattr(two_generators, "_MOST", (2,))
    up_to_two = found(sample(values), offset=True).log_evidence
    expected = on_a_grid(values, signed=False, most=2, starts=starts, points=200)
    assert up_to_two == pytest.approx(expected, abs=0.05)
    # Largest coefficients of one or two have a quarter of the prior that they had.
    assert one.log_evidence > up_to_two - math.log(4) - 0.05
    # On these six levels other pairs, from another corner, explain as much.
    assert min(abs(one.units[0] / u - 1) for u in (1, GOLDEN)) < 0.03


def test_an_unknown_sigma_is_averaged_over_its_nodes() -> None:
    values = sums([(1, 0), (0, 1), (1, 1), (2, 1), (0, 2), (2, 2)])
    fit = qz.fit_mixture(values, (0.3, 3.0), sigma_range=(0.02, 0.08))
    part = sample_of(fit.posterior)
    groups = most_probable_groups(values, np.full(6, SIGMA**2), 1.0)
    one = sums_of_two_units(part, groups, np.full(6, SIGMA**2))
    each = []
    for s in range(len(part.variance)):
        alone = part.at_nodes(np.arange(len(part.variance)) == s)
        each.append(sums_of_two_units(alone, groups, np.full(6, SIGMA**2)))
    total = np.logaddexp.reduce([e.log_evidence for e in each])
    assert one.log_evidence == pytest.approx(float(total), abs=1e-9)


def test_scale_changes_the_density_alone() -> None:
    values = sums([(1, 0), (0, 1), (1, 1), (2, 1), (0, 2), (2, 2)])
    plain = found(sample(values))
    scale = 2.0**-62
    fit = qz.fit_mixture(scale * values, (0.3 * scale, 3 * scale), sigma_range=SIGMA * scale)
    other = found(sample_of(fit.posterior))
    expected = plain.log_evidence - 6 * math.log(scale)
    assert other.log_evidence == pytest.approx(expected, abs=1e-6)
    assert other.units == pytest.approx(tuple(scale * u for u in plain.units), rel=1e-9, abs=0)


def test_a_unit_left_open_counts_at_no_noise() -> None:
    # Two columns that are the same: no determinant in whole numbers, and elsewhere by rounding.
    design = np.array([[[0, 0, 1], *([2, 2, 1],) * 4]], float)
    variance = np.random.default_rng(3).uniform(0.2, 2, (400, 5))
    variance[0] = 1.0
    assert np.all(integrated(np.arange(5.0), variance, design) == -np.inf)


def test_one_place_has_no_two_units() -> None:
    part = sample(np.array([1.0, 1.01, 1.02, 0.99, 3.0]), 0.05)
    alone = sums_of_two_units(part, np.zeros(5, dtype=np.int64), part.variance[0], offset=True)
    assert alone.log_evidence == -np.inf


@pytest.mark.slow
def test_sums_of_two_units_explain_such_levels_better_than_a_comb() -> None:
    """Nine places of a golden lattice, forty readings: a comb of a fifth would pass for them."""
    steps = 0
    for seed in range(12):
        rng = np.random.default_rng([91, seed])
        places = rng.integers(0, 3, (40, 2))
        values = places @ np.array([1, GOLDEN]) + 0.03 * rng.normal(size=40)
        got = qz.analyze(values, n_resamples=99, rng=1)
        assert got.log_bayes_factors["sums: from zero"] < -3
        assert got.log_bayes_factor == min(got.log_bayes_factors.values())
        steps += got.verdict == "steps"
    # At a true rate of 5 % more than three of twelve are seen once in 400 times.
    assert steps <= 3


def test_where_steps_are_found_two_units_in_a_nearly_simple_ratio_are_named() -> None:
    rng = np.random.default_rng(17)
    i, j = rng.integers(0, 3, (2, 20))
    nearly = 3 * i + 6.2 * j + 0.06 * rng.normal(size=20)
    found = qz.analyze(nearly, n_resamples=99, rng=1)
    assert found.verdict == "steps"
    named = [reason for reason in found.reasons if reason.startswith("Sums of two units, about ")]
    assert len(named) == 1
    assert re.match(
        r"Sums of two units, about 3\.01 and 6\.21, each taken up to four times, explain the "
        r"readings [\d.]+ times less well than whole-number steps of one unit; two units in a "
        r"nearly simple ratio look like one with a larger scatter, and a scatter known from "
        r"repeats distinguishes them\.$",
        named[0],
    )
    # With the scatter known the verdict is another one; clear steps name no two units.
    assert qz.analyze(nearly, sigma_range=0.06, n_resamples=99, rng=1).verdict == "cannot tell"
    clear = np.arange(1, 41) % 9 + 1 + 0.05 * rng.normal(size=40)
    assert not any("nearly simple" in r for r in qz.analyze(clear, n_resamples=99, rng=1).reasons)


def test_a_comb_explains_whole_numbers_better_than_sums_of_two_units() -> None:
    for seed in range(6):
        rng = np.random.default_rng([92, seed])
        values = rng.integers(1, 9, 40) + 0.05 * rng.normal(size=40)
        got = qz.analyze(values, n_resamples=99, rng=1)
        assert got.log_bayes_factors["sums: from zero"] > 3
        assert got.log_bayes_factors["sums: from an offset"] > 3
