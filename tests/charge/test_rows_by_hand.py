"""What is predicted for single rows, and what pages and reports must show."""

from __future__ import annotations

import math
import re
import warnings
from typing import Any

import numpy as np
import pytest

from quantize import InputError, charge
from quantize.charge import Air, Plates, Sphere, blank_page, drag
from quantize.charge.routes import ROUTES
from quantize.charge.rows import fixed_distance_excess, predicted_scatter

BOLTZMANN = 1.380649e-23
"""Fixed by the SI since 2019, J/K."""
BENCH: dict[str, Any] = {
    "plates": {"separation": "4 mm", "voltage": "200 V"},
    "reticle": {"division": "25 um"},
    "air": {"temperature": "293.15 K", "pressure": "101325 Pa"},
    "run": {"interval": "10 s"},
}


def test_readings_at_fixed_distance_are_high_by_two_diffusions_over_the_length() -> None:
    # ⟨L/t⟩ = v + 2D/L for the inverse Gaussian time of a first passage (Folks and Chhikara, J. R.
    # Stat. Soc. B 40:263, 1978).
    page = {"div": [8.0, 8.0, -8.0], "t": [3.1, 4.3, 2.2], "V": [200, 200, 0]}
    run = charge.Run(page, BENCH | {"sphere": {"diameter": "2 um", "density": "1050 kg/m3"}})
    assert run.timing == "fixed distance"
    mobility = drag.mobility(
        2e-6, charge.Air().viscosity, charge.SlipCorrection().factor(2e-6, 293.15, 101325.0)
    )
    diffusion = BOLTZMANN * 293.15 * float(mobility) / 25e-6**2
    found = fixed_distance_excess(run, run.driven, run.fall)
    assert found == pytest.approx(2 * diffusion / np.array([8.0, 8.0]), rel=0.01)


def test_the_fall_tells_the_mobility_where_the_diameter_is_not_known() -> None:
    # With the weight alone, mobility is fall speed over weight: D = kT·v/W.
    page = {"div": [8.0, 8.0, -8.0, -8.0], "t": [3.1, 4.3, 2.2, 2.2], "V": [200, 200, 0, 0]}
    run = charge.Run(page, BENCH | {"sphere": {"weight": "4.0e-14 N"}})
    speed = 8.0 * 25e-6 / 2.2
    expected = 2 * BOLTZMANN * 293.15 * speed / 4.0e-14 / 25e-6**2 / 8.0
    found = fixed_distance_excess(run, run.driven, run.fall)
    # The fall itself is read a little high, by the same law.
    assert found == pytest.approx(np.full(2, expected), rel=0.03)


def test_a_tracks_own_error_is_scaled_to_the_interval_and_the_voltage() -> None:
    t = np.tile(np.linspace(0.0, 5.0, 11), 3)
    track = np.repeat([1, 2, 3], 11)
    rng = np.random.default_rng(3)
    place = np.repeat([2.0, 1.0, -3.0], 11) * t + 0.05 * rng.normal(size=33)
    page = {
        "t (s)": t,
        "position": place.round(3),
        "track": track,
        "V": np.repeat([200.0, 100.0, 0.0], 11),
    }
    run = charge.Run(page, BENCH | {"sphere": {"diameter": "2 um", "density": "1050 kg/m3"}})
    rows = run.driven
    own = rows["track_error"].to_numpy(float)
    assert own.min() > 0
    # Five seconds in place of ten, and at half the voltage once more a factor of two.
    reference = run.reference_voltage
    assert reference is not None
    factor = 10.0 / 5.0 * reference / rows["voltage"].to_numpy(float)
    assert predicted_scatter(run).total == pytest.approx(own * factor, rel=1e-6)


def test_a_page_has_as_many_rows_as_it_promises_and_is_as_wide() -> None:
    for text, rows in ((blank_page(), 32), (blank_page(rows=3), 3)):
        numbers = re.findall(r"^\| *(\d+) *\|", text, re.MULTILINE)
        assert [int(number) for number in numbers] == list(range(1, rows + 1))
        table = [line for line in text.splitlines() if line.startswith(("|", "+"))]
        assert {len(line) for line in table} == {78}
        assert max(len(line) for line in text.splitlines()) <= 80


def test_plates_at_more_than_45_degrees_are_refused() -> None:
    assert Plates(separation="4 mm", tilt="0.785 rad").tilt.value == 0.785
    with pytest.raises(InputError, match="level the plates"):
        Plates(separation="4 mm", tilt="0.79 rad")


def test_a_sphere_little_heavier_than_air_still_falls() -> None:
    air = Air(temperature="293.15 K", pressure="101325 Pa")
    light = Sphere(diameter="2 um", density=air.density + 0.5)
    volume = math.pi / 6 * 2e-6**3
    assert light.effective_weight(air) == pytest.approx(
        volume * 0.5 * light.gravity, rel=1e-9, abs=0
    )
    with pytest.raises(InputError, match="lighter than the air"):
        Sphere(diameter="2 um", density=air.density - 0.1).effective_weight(air)


def test_a_weight_is_compared_only_with_what_contradicts_it() -> None:
    # 4/3·π·(1 µm)³·(1050 − 1.2) kg/m3·9.81 m/s² = 4.31e-14 N.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        Sphere(weight="4.31(5)e-14 N", diameter="2 um", density=1050)
    with pytest.warns(UserWarning, match="1.996 times"):
        Sphere(weight="8.6(1)e-14 N", diameter="2.00(1) um", density="1050(10) kg/m3")


FALL = {"fall": {"divisions": "20.0 +/- 0.2 div"}}


def test_a_report_sets_its_routes_side_by_side() -> None:
    sphere = {"weight": "4.31(5)e-14 N", "diameter": "2.00(1) um", "density": "1050(10) kg/m3"}
    fall = {"fall": {"divisions": "54.2 +/- 0.2 div"}}
    both = charge.unit_in_coulombs(
        10.0, BENCH | fall | {"sphere": sphere}, unit_err=0.1, trials=500
    )
    assert len(both.routes) > 1
    # The ratio goes with the weight and the drag with the diameter, and each says so.
    for name, what in zip(both.routes["route"][1:], both.routes["depends"][1:], strict=True):
        assert what == f"depends on {ROUTES[name].depends}"
    lines = str(both).splitlines()
    start = lines.index("The joint fit and every route, with the distance from the first")
    for line, route in zip(lines[start + 1 :], both.routes["route"], strict=False):
        assert line.startswith(f"  {route}")


def test_a_unit_below_zero_is_refused_whatever_else_is_said() -> None:
    bench = BENCH | FALL | {"sphere": {"weight": "4.31(5)e-14 N"}}
    for unit in (-10.0, 0.0):
        with pytest.raises(InputError, match=r"`unit` is .*above zero"):
            charge.unit_in_coulombs(unit, bench, unit_err=0.1, trials=200)


def test_a_skewed_budget_says_which_of_the_two_to_trust() -> None:
    # A fall known to a third enters as its inverse: the linear interval is far off.
    bench = (
        BENCH | {"sphere": {"weight": "4.31(5)e-14 N"}} | {"fall": {"divisions": "20.0 +/- 6 div"}}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = charge.unit_in_coulombs(10.0, bench, unit_err=0.1, trials=20_000, rng=1)
    assert found.monte_carlo.agrees is False
    assert any("trust the Monte Carlo" in note for note in found.notes)


@pytest.mark.parametrize(("late", "rate"), [(0.2, 1.0), (-0.15, 1.02)])
def test_a_watch_that_is_late_is_so_in_short_and_long_readings(late: float, rate: float) -> None:
    # By v = B·(n·e·V/d - w) alone: each row must come back as its number of charges, whether its
    # time or its distance was fixed. What the watch shows is (true - late)/rate.
    e, gap, volts, division, weight, mobility = 1.602e-19, 4e-3, 200.0, 25e-6, 4e-14, 3e9
    numbers = np.array([6, 7, 9, 12, 6, 8, 5.1])
    speeds = np.append(mobility * (numbers * e * volts / gap - weight), [-mobility * weight] * 2)
    bench = BENCH | {
        "sphere": {"weight": f"{weight} N", "weight_of": "this sphere"},
        "watch": {"bias": f"{late} s", "rate": rate},
        "run": {},
    }
    fixed, short = 60 * division / abs(speeds), np.array([10, 5, 20, 10, 7, 10, 10, 10, 4.0])
    for times in (fixed, short):
        page = {
            "V": [volts] * 7 + [0.0] * 2,
            "div": speeds * times / division,
            "t": (times - late) / rate,
        }
        found = charge.Run(page, bench).charges()["charge"].to_numpy()[:7]
        # 2·D/L is taken off where the distance is fixed, less than 0.001 of a speed here.
        assert found / e == pytest.approx(numbers, rel=1e-3)
