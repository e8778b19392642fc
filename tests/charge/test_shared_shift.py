"""Averages over a shared shift against normal laws, where everything has a closed form."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.integrate import quad

from quantize.charge import Quantity
from quantize.charge.shifts import (
    Shifted,
    at_mode,
    over_shifts,
    posterior_of_shift,
    slope_against,
)


def shift(error: float = 0.2, degrees: float = math.inf) -> Quantity:
    return Quantity(value=5.0, unit="div", standard_uncertainty=error, degrees_of_freedom=degrees)


def fits_about(centre: float, width: float) -> Any:
    return lambda z: SimpleNamespace(log_bayes_factor=-0.5 * ((z - centre) / width) ** 2)


@pytest.mark.parametrize(("centre", "width"), [(0.8, 1.0), (-1.3, 0.3), (0.4, 0.05)])
def test_normal_prior_and_normal_readings(centre: float, width: float) -> None:
    found = over_shifts(shift(), fits_about(centre, width))
    # N(0, 1) times N(centre, width): precision 1 + 1/width², and the evidence of the sum of both.
    precision = 1 + width**-2
    mean = centre * width**-2 / precision
    evidence = stats.norm.logpdf(centre, 0, math.sqrt(1 + width**2))
    evidence += math.log(width * math.sqrt(2 * math.pi))
    assert found.weight @ found.z == pytest.approx(mean, abs=0.02)
    spread = math.sqrt(found.weight @ (found.z - mean) ** 2)
    assert spread == pytest.approx(precision**-0.5, rel=0.1)
    # Seventeen shifts and a few more: a tenth of a nit.
    assert found.log_bayes_factor == pytest.approx(evidence, abs=0.1)
    # No two neighbours hold more than a fifth of it between them, while steps are halved.
    cells = (found.weight[1:] + found.weight[:-1]) / 2
    assert cells.max() <= 0.2


def test_long_tails_are_summed_up_to_their_ends() -> None:
    # Student's t of two degrees of freedom, cut at twelve: ∫z²·pdf grows up to the very end.
    found = over_shifts(shift(degrees=2.0), fits_about(0.0, 1e6))
    law = stats.t(2)
    inside, _ = quad(law.pdf, -12, 12)
    square, _ = quad(lambda z: z**2 * law.pdf(z), -12, 12)
    assert found.z[-1] == pytest.approx(12.0)
    assert found.weight @ found.z**2 == pytest.approx(square / inside, rel=0.01)
    assert found.log_bayes_factor == pytest.approx(0.0, abs=1e-9)


def test_a_mode_is_followed_from_shift_to_shift() -> None:
    tables = [
        {"unit": [2.00, 1.0], "unit_err": [0.01, 0.02], "share": [0.5, 0.5]},
        {"unit": [2.06, 1.0], "unit_err": [0.03, 0.02], "share": [0.8, 0.2]},
        {"unit": [2.10, 1.0], "unit_err": [0.04, 0.02], "share": [0.9, 0.1]},
    ]
    fits = tuple(SimpleNamespace(alternatives=pd.DataFrame(table)) for table in tables)
    found = Shifted(
        z=np.array([-1.0, 0.0, 1.0]),
        weight=np.array([0.2, 0.5, 0.3]),
        fits=fits,
        log_bayes_factor=0.0,
        prior=np.array([0.2, 0.6, 0.2]),
        step=np.ones(3),
        drift_z=np.zeros(3),
        drift_step=np.zeros(3),
    )
    units, errors, shares = at_mode(found, 2.0)
    # 2.06 is within four parts in a hundred of 2, and 2.10 is not.
    assert units.tolist() == [2.0, 2.06, 2.0]
    assert errors.tolist() == [0.01, 0.03, 0.0]
    assert shares == pytest.approx([0.1 / 0.5, 0.4 / 0.5, 0.0])
    # Where no shift has the mode, the shares are those of the shifts.
    assert at_mode(found, 7.0)[2].tolist() == [0.2, 0.5, 0.3]


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
