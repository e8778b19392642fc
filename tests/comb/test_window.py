"""How many units the readings span, against the sums that it stands for, written out."""

import itertools

import numpy as np
import pytest
from plain_window import plain_log_unit_excess
from scipy.special import ndtr

from quantize.comb.window import least_log_unit_excess, log_unit_excess, soft_round


def test_soft_rounding_is_a_sum_of_normal_steps():
    rng = np.random.default_rng(3)
    t, s = rng.uniform(-5, 30, 400), np.exp(rng.uniform(np.log(1e-4), np.log(2), 400))
    steps = np.arange(-60, 100)
    # The mean of round(t + error): every half it may pass, with its probability.
    plain = np.sum(ndtr((t[:, None] - 0.5 - steps) / s[:, None]), axis=1) + steps[0]
    # Four waves leave exp(−2π²·25·0.25²)/5π.
    np.testing.assert_allclose(soft_round(t, s), plain, rtol=0, atol=1e-12)
    assert soft_round(2.4, 0.01) == pytest.approx(2.0)


@pytest.mark.parametrize("count", [3, 20, 300])
def test_the_units_in_the_span_are_counted_as_by_hand(count):
    rng = np.random.default_rng(count)
    unit, spread = rng.uniform(0.2, 20, 300), np.exp(rng.uniform(np.log(1e-3), np.log(2), 300))
    found = log_unit_excess(unit, spread, 9.0, count)
    plain = plain_log_unit_excess(unit, spread, 9.0, count)
    np.testing.assert_allclose(found, plain, rtol=0, atol=1e-12)


@pytest.mark.parametrize("count", [3, 20, 300])
def test_no_unit_and_no_spread_of_a_cell_has_less_excess_than_the_bound(count):
    rng = np.random.default_rng([1, count])
    unit, spread = rng.uniform(0.2, 20, 300), np.exp(rng.uniform(np.log(1e-3), np.log(2), 300))
    for size, factor in ((0.0, 1.0), (1e-3, 1.01), (0.03, 1.3), (0.3, 5.0)):
        half = size * rng.random(300)
        least = least_log_unit_excess(unit, half, (spread, factor * spread), 9.0, count)
        for i, j in itertools.product((-1, -0.3, 0, 0.6, 1), (0, 0.4, 1)):
            here = unit * np.exp(i * half)
            assert np.all(least <= log_unit_excess(here, factor**j * spread, 9.0, count) + 1e-12)
        if size == 0.0:
            # Without room to move it is the excess itself, where spreads are narrow.
            found = log_unit_excess(unit, spread, 9.0, count)
            assert np.abs(found - least)[spread < 0.17].max() < 1e-9


def test_what_hangs_on_the_unit_alone_is_done_once():
    rng = np.random.default_rng(4)
    unit, place = rng.uniform(0.2, 3, 7), rng.integers(0, 7, 50)
    spread = rng.uniform(0.01, 1, 50)
    one = log_unit_excess(unit, spread, 9.0, 20, place)
    np.testing.assert_array_equal(one, log_unit_excess(unit[place], spread, 9.0, 20))
