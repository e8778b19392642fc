"""The fine marginal of the unit and how it parts into modes, against numbers by hand."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from quantize.comb.unit_range import UnitRange
from quantize.model.modes import (
    _refined,
    _spread_between,
    _sums_by_place,
    label_modes,
    marginal_of_unit,
)


def test_places_far_apart_and_close_together_add_alike():
    rng = np.random.default_rng(6)
    place, mass = rng.integers(5, 40, 100), rng.uniform(0.1, 1, 100)
    near, sums = _sums_by_place(place, mass)
    far, again = _sums_by_place(place * 10**9, mass)
    np.testing.assert_array_equal(near * 10**9, far)
    np.testing.assert_array_equal(sums, again)
    expected = {int(p): sum(mass[place == p]) for p in set(place)}
    np.testing.assert_allclose(sums, [expected[p] for p in sorted(expected)], rtol=1e-14)


@pytest.mark.parametrize(
    ("bins", "mass", "labels"),
    [
        # A valley above half of the higher peak joins; below it parts.
        ([0, 1, 2, 3, 4], [1, 4, 2.1, 3, 1], [0, 0, 0, 0, 0]),
        ([0, 1, 2, 3, 4], [1, 4, 1.9, 3, 1], [0, 0, 0, 1, 1]),
        # A gap of one empty bin does not part, a wider one does.
        ([0, 2], [3, 2], [0, 0]),
        ([0, 3], [3, 2], [0, 1]),
        ([7], [1], [0]),
    ],
)
def test_bins_part_into_modes(bins, mass, labels):
    found = label_modes(np.array(bins), np.array(mass, float))
    np.testing.assert_array_equal(found, labels)


def test_the_fine_marginal_keeps_the_place_of_the_coarse_one():
    # A normal density on a lattice of cells, its middle off the lattice.
    cells = np.arange(20, 60)
    mass = stats.norm.pdf(cells + 0.5, loc=40.3, scale=4.0)
    owner, fine, value = _refined(cells, np.zeros_like(cells), mass, 1.0, 0.25, 400)
    np.testing.assert_array_equal(cells[owner], fine // 4)
    place = (fine + 0.5) * 0.25
    assert value.sum() == pytest.approx(mass.sum())
    mean = value @ place / value.sum()
    assert mean == pytest.approx(40.3, abs=0.01)
    assert np.sqrt(value @ (place - mean) ** 2 / value.sum()) == pytest.approx(4.0, rel=0.01)


def test_lattices_laid_side_by_side_are_refined_each_for_itself():
    cells = np.arange(20, 60)
    one, two = (stats.norm.pdf(cells + 0.5, loc=middle, scale=4.0) for middle in (40.3, 37.0))
    lattice = np.repeat([0, 1], cells.size)
    both = _refined(np.tile(cells, 2), lattice, np.r_[one, two], 1.0, 0.25, 400)
    alone = [_refined(cells, np.zeros_like(cells), m, 1.0, 0.25, 400) for m in (one, two)]
    np.testing.assert_allclose(both[2], np.r_[alone[0][2], alone[1][2]], rtol=1e-12)
    np.testing.assert_array_equal(both[1], np.r_[alone[0][1], alone[1][1]])


def test_mass_spread_between_moved_ends_keeps_its_sum_and_its_mean():
    rng = np.random.default_rng(2)
    low = np.sort(rng.uniform(0, 50, 30))
    ends = np.array([low, low + rng.uniform(0.2, 2.7, 30)])
    mass = rng.uniform(0.1, 1.0, 30)
    place, part = _spread_between(ends, mass)
    assert part.sum() == pytest.approx(mass.sum())
    # A step of an even density has its mean in the middle, to within the part cut off at its ends.
    assert part @ (place + 0.5) == pytest.approx(mass @ ends.mean(axis=0), abs=0.5 * mass.sum())
    whole = np.array([[3.0, 7.25], [4.0, 8.75]])
    place, part = _spread_between(whole, np.array([1.0, 3.0]))
    np.testing.assert_array_equal(np.bincount(place, part, minlength=9)[[3, 7, 8]], [1.0, 1.5, 1.5])


def two_lattices(bias_of_wide: float) -> tuple[float, float]:
    """Mean of log u, and the width of a wide cell, where most lies on far smaller cells."""
    cell = np.repeat([2.0**-14, 2.0**-8], [40, 80])
    log_unit = np.r_[(3000 + np.arange(40) + 0.5) * 2.0**-14, (90 + np.arange(80) + 0.5) * 2.0**-8]
    share = stats.norm.pdf(log_unit, loc=[*[0.1843] * 40, *[0.5] * 80], scale=4 * cell) * cell
    share *= np.repeat([0.9, 0.1], [40, 80])
    bias = np.repeat([0.0, bias_of_wide * 2.0**-8], [40, 80])
    nodes = SimpleNamespace(
        cell=cell,
        log_unit=log_unit,
        share=share,
        bias=bias,
        index=np.repeat([0, 1], [40, 80]),
        noise=SimpleNamespace(shares=np.ones(1)),
    )
    found = marginal_of_unit(UnitRange.given((1.0, np.e)), nodes)
    return float(found.mass @ found.log_unit), 2.0**-8


def test_a_bias_moves_its_lattice_where_that_is_wide_next_to_its_cells():
    # Small next to its own cells, and many steps of the grid that the narrow lattice needs.
    still, cell = two_lattices(0.0)
    assert two_lattices(0.02)[0] == still
    assert two_lattices(0.5)[0] - still == pytest.approx(-0.1 * 0.5 * cell, rel=1e-3)
