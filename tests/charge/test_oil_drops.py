"""The printed table of twenty-five oil drops, and the line through them.

Millikan, *The Electron*, University of Chicago Press, 1917, final table: fall time over
1.0220 cm (s), radius (1e-5 cm), pressure (cmHg), e1^(2/3)·1e8 and e^(2/3)·1e8 (esu^(2/3)).
Drop 23 has no legible fall time.
"""

import numpy as np
import pytest
from scipy.constants import c, elementary_charge

from quantize.charge import SlipCorrection, drag
from quantize.charge.air import viscosity
from quantize.charge.drops import line_through_drops
from quantize.charge.units import unit

OIL, GRAVITY, VISCOSITY, FALL = 919.9, 9.8027, 1.8226e-5, 1.0220e-2
TABLE = np.array([
    [16.50, 23.40, 74.49, 63.21, 61.03], [16.76, 23.22, 75.00, 63.204, 61.03],
    [19.73, 21.34, 74.49, 63.54, 61.16], [37.82, 15.33, 75.37, 64.27, 60.97],
    [40.09, 14.84, 75.00, 64.63, 61.21], [51.53, 13.05, 75.77, 65.02, 61.19],
    [51.48, 13.05, 74.98, 65.07, 61.20], [56.06, 12.50, 75.40, 65.13, 61.11],
    [59.14, 12.17, 75.04, 65.19, 61.05], [57.46, 12.34, 75.67, 65.21, 61.16],
    [16.58, 22.72, 29.26, 66.70, 61.01], [29.18, 17.08, 36.61, 67.12, 61.07],
    [18.81, 21.26, 30.27, 67.14, 61.26], [47.65, 13.20, 36.80, 68.90, 61.11],
    [32.72, 15.92, 31.25, 68.97, 61.39], [18.34, 21.11, 20.58, 69.88, 61.27],
    [46.82, 13.12, 29.10, 70.85, 60.94], [26.62, 17.32, 20.54, 71.60, 60.98],
    [14.10, 23.50, 13.24, 73.34, 61.20], [39.24, 14.00, 20.72, 74.27, 61.22],
    [18.30, 20.47, 13.62, 74.54, 60.97], [43.88, 13.17, 20.47, 75.00, 60.97],
    [np.nan, 12.69, 20.74, 75.62, 61.24], [19.65, 19.65, 13.12, 75.92, 61.24],
    [26.76, 16.57, 13.80, 77.94, 61.18],
])  # fmt: skip
ESU = 1 / (10 * c)


def test_radius_from_the_fall_time_on_the_legible_rows():
    rows = [i for i in range(25) if i not in (18, 22, 23)]
    time, radius, pressure = TABLE[rows, 0], TABLE[rows, 1] * 1e-7, TABLE[rows, 2]
    # Slip 1 + b/(p·a) with b = 6.17e-4 cm·cmHg (Millikan, Phys. Rev. 2:109, 1913).
    one_term = SlipCorrection("one term", (1.0, 0.0, 1.0), 8.226e-3 / 101325.0)
    found = drag.diameter_from_fall(
        FALL / time,
        density_difference=OIL - 1.2,
        gravity=GRAVITY,
        viscosity=VISCOSITY,
        slip=one_term,
        temperature=296.15,
        pressure=pressure * unit("cmHg").scale,
    )
    assert found / 2 == pytest.approx(radius, rel=5e-3)


def test_line_through_the_drops():
    # Recipe: plain least squares of the printed e1^(2/3) on 1/(p·a), p in cmHg, a in cm, all 25
    # rows. Recomputed from the table: intercept 61.09, slope 0.0380.
    pressure = TABLE[:, 2] * unit("cmHg").scale
    radius = TABLE[:, 1] * 1e-7
    apparent = (TABLE[:, 3] * 1e-8) ** 1.5 * ESU
    found = line_through_drops(apparent, radius, pressure)
    intercept = (found.value / ESU) ** (2 / 3) * 1e8
    assert intercept == pytest.approx(61.09, abs=0.01)
    slope = found.slope * 1e8 / ESU ** (2 / 3) / (unit("cmHg").scale * 1e-2)
    assert slope == pytest.approx(0.0380, abs=1e-4)


def test_mean_of_the_last_column_and_today_s_viscosity():
    mean = TABLE[:, 4].mean()
    assert mean == pytest.approx(61.126, abs=5e-4)
    charge = (mean * 1e-8) ** 1.5 * ESU
    assert charge == pytest.approx(1.5941e-19, abs=5e-24)
    # The intercept scales as viscosity^1.5. Rebased from 1.8226e-5 at 23 °C it lands 0.3 % above
    # the accepted value (formula of Kim et al.); with CoolProp's viscosity 0.5 % above. These
    # figures are tested, not agreement with e.
    rebased = charge * (viscosity(296.15) / VISCOSITY) ** 1.5
    assert rebased / elementary_charge - 1 == pytest.approx(0.003, abs=5e-4)
    other = charge * (18.3513e-6 / VISCOSITY) ** 1.5
    assert other / elementary_charge - 1 == pytest.approx(0.005, abs=5e-4)
    published = 1.5924e-19 * (viscosity(296.15) / VISCOSITY) ** 1.5
    assert published / elementary_charge - 1 == pytest.approx(0.002, abs=5e-4)
