"""What readings say about a shared shift, against normal laws in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from quantize.charge import Quantity
from quantize.charge.fall import posterior_of_shift, slope_against


def shift(error: float = 0.2, degrees: float = math.inf) -> Quantity:
    return Quantity(value=5.0, unit="div", standard_uncertainty=error, degrees_of_freedom=degrees)


def test_slope_of_a_straight_line_and_of_one_shift() -> None:
    z, share = np.array([-1.0, 0.0, 2.0]), np.array([0.25, 0.5, 0.25])
    assert slope_against(z, 3.0 + 0.7 * z, share) == pytest.approx(0.7)
    assert slope_against(np.zeros(1), np.array([3.0]), np.ones(1)) == 0.0


@pytest.mark.parametrize("degrees", [math.inf, 8.0])
def test_readings_narrow_a_shift(degrees: float) -> None:
    z = np.linspace(-4, 4, 2001)
    share = stats.norm.pdf(z, 0.6, 0.4)
    share /= share.sum()
    prior = shift(0.2, degrees)
    after = posterior_of_shift(prior, z, share)
    assert after.value == pytest.approx(5.0 + 0.6 * 0.2, abs=1e-4)
    # Half of the central 68.27 % of a normal law is one standard deviation.
    tail = 0.15865525393145707
    one = 1.0 if math.isinf(degrees) else float(stats.t.isf(tail, degrees))
    rising = degrees * (one / 0.4) ** 4
    assert after.degrees_of_freedom == pytest.approx(rising, rel=1e-3)
    wide = 1.0 if math.isinf(rising) else float(stats.t.isf(tail, rising))
    assert after.standard_uncertainty == pytest.approx(0.4 * 0.2 / wide, rel=1e-3)
