"""What counts say in words, and the units they exclude, against rules written out beside them."""

from __future__ import annotations

import itertools
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.null.exclusion import excluded_part
from quantize.null.guards import Finding, findings_on_counts
from quantize.null.verdict import CANNOT_TELL, NO_STEPS, STEPS, judge_counts

UNIT_RANGE = UnitRange(low=4.0, high=12.0, chosen=False, reason="")


def fit_with(**changes: Any) -> Any:
    usual = {
        "total": 5000,
        "background": 0.1,
        "unit": 5.0,
        "unit_err": 0.01,
        "unit_range": UNIT_RANGE,
        "fitted": SimpleNamespace(in_single_bins=False),
    }
    return SimpleNamespace(**usual | {"chi_square": 40.0, "degrees": 40.0} | changes)


def rivals_with(levels: int) -> Any:
    return SimpleNamespace(
        spacing=SimpleNamespace(levels=levels, residual=0.01), bend=0.0, narrowest=0.5
    )


DATA: Any = SimpleNamespace(free=True, step=None, unit_range=UNIT_RANGE)
REDUCE, WIDEN, MORE = "reduce the noise", "widen the range of sizes", "a few thousand"


@pytest.mark.parametrize(
    ("levels", "total", "wanted"),
    [
        (2, 4000, [REDUCE]),
        (3, 4000, [WIDEN]),
        (4, 3999, [WIDEN, MORE]),
        (0, 300, [REDUCE, MORE]),
    ],
)
def test_advice_where_counts_cannot_tell(levels: int, total: int, wanted: list[str]) -> None:
    blocked = [Finding(name="levels", blocks=True, warns=True, sentence="blocked")]
    found = judge_counts(
        fit_with(total=total), blocked, 0.4, rivals_with(levels), alpha=0.05, excluded=0.0
    )
    reasons, advice = found.reasons, found.advice
    assert found.verdict == CANNOT_TELL
    assert len(advice) == len(wanted)
    assert all(words in sentence for words, sentence in zip(wanted, advice, strict=True))
    # The chance is told first where there are levels enough to have one.
    assert reasons[-1] == "blocked"
    assert len(reasons) == (2 if levels >= 3 else 1)


@pytest.mark.parametrize(("total", "verdict"), [(3999, CANNOT_TELL), (4000, NO_STEPS)])
def test_no_steps_needs_four_thousand_readings(total: int, verdict: str) -> None:
    found = judge_counts(fit_with(total=total), [], 0.4, rivals_with(2), alpha=0.05, excluded=0.9)
    assert found.verdict == verdict


@pytest.mark.parametrize(("p", "verdict"), [(0.05, STEPS), (0.0501, CANNOT_TELL)])
def test_a_chance_at_the_limit_is_within_it(p: float, verdict: str) -> None:
    found = judge_counts(fit_with(), [], p, rivals_with(5), alpha=0.05, excluded=0.0)
    assert found.verdict == verdict


@pytest.mark.parametrize(("background", "stops"), [(0.49, False), (0.5, True), (0.8, True)])
def test_most_readings_must_belong_to_the_levels(background: float, stops: bool) -> None:
    every = findings_on_counts(fit_with(background=background), DATA, rivals_with(5))
    (found,) = [finding for finding in every if finding.name == "majority"]
    assert (found.blocks, found.warns) == (stops, stops)


def peaks(places: list[float], sigma: float) -> qz.counts.Histogram:
    edges = np.arange(0.0, 120.0, 0.1)
    counts = sum(np.diff(stats.norm.cdf(edges, place, sigma)) for place in places)
    return qz.counts.Histogram(edges, np.rint(40_000 * np.asarray(counts)).astype(int))


@pytest.mark.parametrize("sigma", [0.4, 1.5])
@pytest.mark.parametrize("free", [True, False])
def test_units_that_the_levels_miss_are_excluded(sigma: float, free: bool) -> None:
    places = np.array([21.0, 42.0, 63.0])
    histogram = peaks(list(places), 0.4)
    data: Any = SimpleNamespace(
        free=free, fixed=0.0, histogram=histogram, unit_range=UNIT_RANGE, step=None
    )
    fit = fit_with(modes=places, unit=11.0)
    # By hand: a cell of the range counts if none of its units brings the levels within 0.06 of a
    # unit of its multiples, r.m.s.; units below four sigma never do.
    edges = np.geomspace(4.0, 12.0, 41)
    out = 0
    for low, high in itertools.pairwise(edges):
        turns = places / np.linspace(low, high, 4001)[:, None]
        if free:
            phase = np.angle(np.exp(2j * np.pi * turns).sum(axis=1)) / (2 * np.pi)
            turns = turns - phase[:, None]
        off = np.sqrt(np.mean((turns - np.rint(turns)) ** 2, axis=1))
        out += bool(off.min() >= 0.06 and np.sqrt(low * high) >= 4 * sigma)
    assert 5 <= out <= 35
    # The trial units of the two are not the same: one cell may differ.
    found = excluded_part(fit, data, sigma, narrowest=0.4)
    assert found == pytest.approx(out / 40, abs=1.01 / 40)
