"""The fine marginal of the unit and how it parts into modes, against numbers by hand."""

import numpy as np
import pytest
from scipy import stats

from quantize.model.modes import _refined, _sums_by_place, label_modes


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
    fine, value = _refined(cells, mass, 1.0, 0.25, 400)
    place = (fine + 0.5) * 0.25
    assert value.sum() == pytest.approx(mass.sum())
    mean = value @ place / value.sum()
    assert mean == pytest.approx(40.3, abs=0.01)
    assert np.sqrt(value @ (place - mean) ** 2 / value.sum()) == pytest.approx(4.0, rel=0.01)
