"""Which units counts exclude, on wide samples and at the limit of four sigma."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.comb.unit_range import UnitRange
from quantize.null.exclusion import excluded_part

UNIT_RANGE = UnitRange(low=4.0, high=12.0, chosen=False, reason="")
CELLS = np.geomspace(4.0, 12.0, 41)


def excluded(places: list[float], end: float, sigma: float) -> float:
    """The part of the range that levels at these places, of spread 0.4, exclude."""
    edges = np.arange(0.0, end, 0.1)
    counts = sum(np.diff(stats.norm.cdf(edges, place, 0.4)) for place in places)
    histogram = qz.counts.Histogram(edges, np.rint(40_000 * np.asarray(counts)).astype(int))
    data: Any = SimpleNamespace(
        free=False, fixed=0.0, histogram=histogram, unit_range=UNIT_RANGE, step=None
    )
    fit: Any = SimpleNamespace(modes=np.array(places), unit=11.0)
    return excluded_part(fit, data, sigma, narrowest=0.4)


def test_on_a_wide_page_a_unit_that_fits_is_not_passed_over() -> None:
    """Over hundreds of units a fit is sharp: the units tried must be as near as that."""
    places = [391.0, 607.3, 1190.2]
    # By hand, as in the rule: a cell counts if none of its units brings the levels within 0.06 of
    # a unit of its multiples, r.m.s.
    out = 0
    for low, high in itertools.pairwise(CELLS):
        turns = np.array(places) / np.linspace(low, high, 40_001)[:, None]
        out += bool(np.sqrt(np.mean((turns - np.rint(turns)) ** 2, axis=1)).min() >= 0.06)
    assert 5 <= out <= 35
    # The trial units of the two are not the same: one cell may differ.
    assert excluded(places, 1250.0, 0.4) == pytest.approx(out / 40, abs=1.01 / 40)


def test_a_unit_of_exactly_four_sigma_can_be_excluded() -> None:
    places = [21.0, 42.0, 63.0]
    at = 30
    limit = math.sqrt(CELLS[at] * CELLS[at + 1]) / 4
    just, above = (excluded(places, 120.0, s) for s in (limit, math.nextafter(limit, 9.0)))
    assert just - above == pytest.approx(1 / 40)
