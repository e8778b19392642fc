"""The formulas one by one, with numbers worked out beside them and laws of scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

import quantize as qz
from quantize.charge import Air, Plates, Reticle, SlipCorrection, Sphere, drag, routes
from quantize.charge.fall import balance_of
from quantize.charge.quantity import Quantity

AIR = Air(temperature="295.15 K", pressure="101325 Pa")


def test_relaxation_time_is_mass_times_mobility():
    # A sphere of 2 µm and 1000 kg/m3 has 4/3·π·(1 µm)³·1000 = 4.18879e-15 kg.
    assert drag.relaxation_time(2e-6, 1000.0, 3e9) == pytest.approx(4.18879e-15 * 3e9, rel=1e-6)
    sphere = Sphere(diameter="2 um", density=1000)
    assert sphere.relaxation_time(AIR) == pytest.approx(4.18879e-15 * sphere.mobility(AIR), 1e-6)


def test_the_plate_that_is_positive_says_which_way_the_field_points():
    below = Plates(separation="5 mm", positive_plate="lower")
    above = Plates(separation="5 mm", positive_plate="upper")
    assert below.field("100 V") == pytest.approx(20_000)
    assert above.field("100 V") == pytest.approx(-20_000)
    # 3.2e-14 N on 1.6e-18 C need 20 kV/m.
    assert below.balance_voltage(3.2e-14, 1.6e-18) == pytest.approx(100)
    assert above.balance_voltage(3.2e-14, 1.6e-18) == pytest.approx(-100)
    assert above.field(above.balance_voltage(3.2e-14, 1.6e-18)) * 1.6e-18 == pytest.approx(
        3.2e-14, rel=1e-9, abs=0
    )


def test_the_one_term_slip_is_above_one():
    # 1 + 8e-3/(1e5·1e-6) = 1.08; Millikan's form (from memory).
    slip = SlipCorrection("one term", (1.0, 0.0, 1.0), 8e-3 / 101325.0)
    assert slip.factor(2e-6, 296.15, 1e5) == pytest.approx(1.08)


def test_a_slip_correction_prints_its_mean_free_path():
    assert "mean free path 66.0 nm" in repr(SlipCorrection("Davies 1945"))


def test_knudsen_is_the_mean_free_path_over_the_radius():
    sphere = Sphere(diameter="2 um", density=1000)
    path = sphere.slip.free_path(AIR.temperature.value, AIR.pressure.value)
    assert sphere.knudsen(AIR) == pytest.approx(path / 1e-6)


@pytest.mark.parametrize("name", ["Davies 1945", "Millikan 1923"])
def test_a_sphere_found_from_its_fall_falls_as_fast(name):
    air = Air(temperature="292 K", pressure="90000 Pa")
    slip, at = SlipCorrection(name), (air.temperature.value, air.pressure.value)
    diameter = drag.diameter_from_fall(
        0.15e-3,
        density_difference=1055 - air.density,
        gravity=9.78,
        viscosity=air.viscosity,
        slip=slip,
        temperature=at[0],
        pressure=at[1],
    )
    found = Sphere(diameter=float(diameter), density=1055, gravity=9.78, slip=slip)
    assert found.fall_speed(air) == pytest.approx(0.15e-3, rel=1e-9, abs=0)


def test_air_buoys_by_its_own_pressure():
    # Air at 1000 hPa, 20 °C and 50 % is 1.18 kg/m3 (CIPM 2007); density goes with the pressure.
    known = {"air.temperature": 293.15, "air.pressure": 1e5}
    assert routes.air_density(known) == pytest.approx(1.183, abs=0.002)
    assert routes.air_density(known | {"air.pressure": 0.9e5}) == pytest.approx(
        0.9 * routes.air_density(known), rel=2e-3
    )


def test_positions_of_a_track_are_named_where_they_are_no_numbers():
    with pytest.raises(qz.InputError, match="`positions`"):
        Reticle(division="20 um").track([0.0, 1.0], ["a", "b"], diffusion=1e-11)


def test_a_weight_that_does_not_fit_diameter_and_density_is_said():
    with pytest.warns(qz.QuantizeWarning, match="weight"):
        Sphere(diameter="2 um", density=1000, weight="9e-14 N")


class TestSpeeds:
    scale = Reticle(division="20 um", length=80)

    def test_fixed_time(self):
        # 10 divisions of 20 µm in 4 s: 50 µm/s. Variance of the way: 2·D·t, the rounding and two
        # presses, each of speed times its error.
        found = self.scale.fixed_time(10, 4.0, diffusion=3e-11, press=0.1)
        rounding = self.scale.rounding_sd * 20e-6
        variance = 2 * 3e-11 * 4 + rounding**2 + 2 * (50e-6 * 0.1) ** 2
        assert found.value == pytest.approx(50e-6)
        assert found.standard_uncertainty == pytest.approx(math.sqrt(variance) / 4)

    def test_fixed_distance_scatters_like_the_inverse_gaussian(self):
        # First passage over L at speed v with diffusion D: scipy's law with mean L/v, shape L²/2D.
        length, speed, diffusion = 200e-6, 50e-6, 3e-11
        shape = length**2 / (2 * diffusion)
        law = stats.invgauss(length / speed / shape, scale=shape)
        times = law.rvs(size=(20_000, 4), random_state=np.random.default_rng(4))
        speeds = [self.scale.fixed_distance(10, t, diffusion=diffusion).value for t in times[:2000]]
        told = self.scale.fixed_distance(10, np.full(4, 4.0), diffusion=diffusion)
        # 2,000 means of four: the mean to 5 of its errors, the spread to 5·1/sqrt(2·2,000) = 8 %.
        error = np.std(speeds) / math.sqrt(2000)
        assert np.mean(speeds) == pytest.approx(speed, abs=5 * error)
        assert told.standard_uncertainty == pytest.approx(np.std(speeds), rel=0.08)

    def test_fixed_distance_to_the_digit(self):
        # L = 200 µm, t = 4 s twice: raw 50 µm/s, less 2D/(2L); variance (2·D·v/L + 2·v⁴·s²/L²)/2.
        found = self.scale.fixed_distance(-10, [4.0, 4.0], diffusion=3e-11, press=0.2)
        assert found.value == pytest.approx(-(50e-6 - 2 * 3e-11 / (2 * 200e-6)))
        variance = 2 * 3e-11 * 50e-6 / 200e-6 + 2 * (50e-6) ** 4 * 0.2**2 / (200e-6) ** 2
        assert found.standard_uncertainty == pytest.approx(math.sqrt(variance / 2))
        assert self.scale.fixed_distance(1, 4.0).value == pytest.approx(5e-6)
        assert self.scale.fixed_distance(10, 4.0).standard_uncertainty == 0

    def test_two_positions_are_a_track(self):
        assert self.scale.track([0, 2], [0, 3], diffusion=1e-11).value == pytest.approx(30e-6)
        with pytest.raises(qz.InputError, match="two at least"):
            self.scale.track([0], [0], diffusion=1e-11)


class TestRoutes:
    def test_drift_of_the_air_is_turned_into_divisions(self):
        x = {"fall": 20.0, "air.drift": 4e-6, "run.interval": 10.0, "reticle.division": 20e-6}
        assert routes.fall_divisions(x) == pytest.approx(22.0)
        speed = {"fall.speed": 40e-6, "run.interval": 10.0, "reticle.division": 20e-6}
        assert routes.fall_divisions(speed) == pytest.approx(20.0)

    def test_buoyancy_is_taken_off_where_it_was_not(self):
        x = {"sphere.weight": 3e-14, "sphere.density": 1000.0, "buoyancy_off": 0.0}
        air = routes.air_density(x)
        assert air == pytest.approx(1.19, abs=0.01)
        assert routes.weight_given(x) == pytest.approx(3e-14 * (1 - air / 1000.0), rel=1e-9, abs=0)
        assert routes.weight_given({"sphere.weight": 3e-14}) == 3e-14


class TestQuantities:
    def test_words(self):
        two = Quantity.read("5.0 +/- 0.1 mm (n=2)", unit="m", name="x")
        assert (two.degrees_of_freedom, two.distribution) == (1, "t")
        plain = Quantity.read("5.0 +/- 0.1 mm", unit="m", name="x")
        assert plain.distribution == "normal"
        assert math.isinf(plain.degrees_of_freedom)
        limit = Quantity.read("5.0 +/- 0.1 mm limit", unit="m", name="x")
        assert limit.distribution == "rectangular"
        assert limit.standard_uncertainty == pytest.approx(1e-4 / math.sqrt(3))

    def test_a_table_needs_a_value_and_nothing_strange(self):
        with pytest.raises(qz.InputError, match="has no entry 'value'"):
            Quantity.read({"scope": "batch"}, unit="m", name="x")
        with pytest.raises(qz.InputError, match="has the entry 'vale'"):
            Quantity.read({"vale": "5 mm"}, unit="m", name="x")

    def test_a_number_of_pint_without_error_has_none(self):
        import pint

        length = 5 * pint.UnitRegistry().millimeter
        found = Quantity.read(length, unit="m", name="x")
        assert (found.value, found.standard_uncertainty) == (pytest.approx(5e-3), 0.0)


def held(fall: float) -> object:
    """Units of 10.0 ± 0.1 divisions held at balance, the fall known without error."""
    node = [np.array([v]) for v in (10.0, 0.1, 1.0, 0.0)]
    return balance_of(Quantity(value=fall, standard_uncertainty=0.2), *node)


def test_a_balance_within_three_errors_of_a_whole_number():
    near = held(20.2)
    assert (near.integer, near.units) == (2, pytest.approx(2.02))
    assert near.standard_uncertainty == pytest.approx(0.0202)
    assert "from a whole number" not in near.sentence


def test_a_balance_beyond_three_errors_is_said_to_be_poor():
    far = held(20.7)  # 3.4 errors
    assert far.integer == 2
    assert "+0.070 units from a whole number" in far.sentence


def test_a_balance_below_half_a_unit_still_holds_one():
    assert held(3.0).integer == 1
