"""Slip, settling, diffusion and the radius from a fall, against published tables."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.constants import Boltzmann

from quantize._support.errors import InputError
from quantize.charge import Air, SlipCorrection, Sphere, drag

# Exact values of the published triples at Kn = 0.01, 0.1, 0.5, 1, 5, 10, by elementary
# arithmetic from the printed coefficients.
KNUDSEN = (0.01, 0.1, 0.5, 1, 5, 10)
FACTORS = {
    "Kim 2005": (1.011650, 1.116502, 1.615380, 2.343220, 8.803421, 17.021676),
    "Allen and Raabe 1985": (1.011420, 1.114203, 1.608834, 2.347482, 8.994716, 17.469498),
    "Davies 1945": (1.012570, 1.125701, 1.650661, 2.390148, 8.890038, 17.153337),
    "Millikan 1923": (1.008640, 1.086400, 1.443902, 1.947086, 6.449261, 12.199241),
}


def settling_speed(diameter, density_difference, gravity, viscosity, factor):
    """Mobility times weight: d² Δρ g C / (18 η)."""
    mobility = drag.mobility(diameter, viscosity, factor)
    return mobility * drag.effective_weight(diameter, density_difference, gravity)


@pytest.mark.parametrize("name", FACTORS)
def test_triples_to_six_digits(name):
    found = SlipCorrection(name).of_knudsen(np.array(KNUDSEN))
    assert found == pytest.approx(np.array(FACTORS[name]), abs=6e-7)


def test_printed_table_of_sixteen_diameters():
    # Seinfeld and Pandis, Atmospheric Chemistry and Physics, 2nd ed. 2006, Table 9.3: air at
    # 298 K and one atmosphere. Davies with 65.1 nm is the combination behind it.
    table = {
        .001: 216, .002: 108, .005: 43.6, .01: 22.2, .02: 11.4, .05: 4.95, .1: 2.85, .2: 1.865,
        .5: 1.326, 1: 1.164, 2: 1.082, 5: 1.032, 10: 1.016, 20: 1.008, 50: 1.003, 100: 1.0016,
    }  # fmt: skip
    slip = SlipCorrection("Davies 1945")
    for micrometres, printed in table.items():
        assert slip.of_knudsen(2 * 65.1e-3 / micrometres) == pytest.approx(printed, rel=5e-3)


def test_a_triple_is_bound_to_its_own_mean_free_path():
    with pytest.raises(InputError, match="holds only with its own"):
        SlipCorrection("Millikan 1923", free_path_at_room=67.3e-9)
    with pytest.raises(InputError, match="`free_path_at_room` is missing"):
        SlipCorrection("own", (1.1, 0.5, 1.0))
    # With its own path each says nearly the same about a sphere of 1 µm; with the path of
    # another, a third of the correction would be lost.
    factors = [float(SlipCorrection(name).factor(1e-6)) for name in FACTORS]
    assert max(factors) / min(factors) - 1 < 0.012
    mixed = float(SlipCorrection("Millikan 1923").of_knudsen(2 * 67.3e-9 / 1e-6))
    assert (mixed - 1) / (factors[0] - 1) < 0.8


@pytest.mark.parametrize(
    ("micrometres", "settling", "diffusion"),
    [(0.1, 8.82e-7, 6.95e-10), (1.0, 3.48e-5, 2.74e-11), (10.0, 3.06e-3, 2.41e-12)],
)
def test_settling_and_diffusion_of_unit_density_spheres(micrometres, settling, diffusion):
    # Hinds, Aerosol Technology, 2nd ed., tables 3.1, 7.1 and A11 (printed values from memory,
    # recomputed), with the slip formula, mean free path and viscosity of that book.
    path, viscosity = 66e-9, 1.81e-5
    slip = SlipCorrection("Hinds", (1.17, 0.525, 0.78), path)
    d = micrometres * 1e-6
    factor = slip.of_knudsen(2 * path / d)
    speed = settling_speed(d, 1000.0, 9.81, viscosity, factor)
    assert speed == pytest.approx(settling, rel=5e-3)
    found = drag.diffusion(drag.mobility(d, viscosity, factor), 293.15)
    assert found == pytest.approx(diffusion, rel=5e-3, abs=0)


@given(micrometres=st.floats(0.2, 20), celsius=st.floats(16, 26), hectopascals=st.floats(700, 1050))
def test_diameter_from_fall_undoes_settling_to_machine_precision(
    micrometres, celsius, hectopascals
):
    slip = SlipCorrection()
    d, t, p = micrometres * 1e-6, celsius + 273.15, hectopascals * 100
    speed = settling_speed(d, 900.0, 9.8, 1.8e-5, slip.factor(d, t, p))
    back = drag.diameter_from_fall(
        speed,
        density_difference=900.0,
        gravity=9.8,
        viscosity=1.8e-5,
        slip=slip,
        temperature=t,
        pressure=p,
    )
    assert back == pytest.approx(d, rel=4e-15, abs=0)


def test_with_one_term_the_radius_is_the_root_of_a_square():
    # With C = 1 + b/(p·a) the radius solves a² + a·b/p = a0², a0 being that of Stokes' law alone:
    # a = sqrt((b/2p)² + a0²) - b/2p.
    b, a0, p = 8.226e-3, 1.2e-6, 5e4
    found = drag.diameter_from_fall(
        settling_speed(2 * a0, 1000.0, 9.81, 1.82e-5, 1.0),
        density_difference=1000.0,
        gravity=9.81,
        viscosity=1.82e-5,
        slip=SlipCorrection("one term", (1.0, 0.0, 1.0), b / 101325.0),
        temperature=296.15,
        pressure=p,
    )
    half = b / (2 * p)
    assert found / 2 == pytest.approx(math.sqrt(half**2 + a0**2) - half, rel=1e-12, abs=0)


def test_steepness_is_the_numerical_derivative():
    slip, d = SlipCorrection("Davies 1945"), 0.7e-6
    h = 1e-5
    numerical = -(np.log(slip.factor(d * (1 + h))) - np.log(slip.factor(d * (1 - h)))) / (2 * h)
    assert slip.steepness(d) == pytest.approx(numerical, rel=1e-6)


@pytest.mark.parametrize(
    ("micrometres", "exponent"), [(1000.0, 1.50), (1.8, 1.56), (1.0, 1.61), (0.5, 1.71)]
)
def test_viscosity_enters_the_fall_route_with_three_over_two_minus_epsilon(micrometres, exponent):
    # charge ~ weight / fall at fixed speeds; elementary derivation, here by differences.
    slip, path_scale = SlipCorrection(), {"temperature": 293.15, "pressure": 101325.0}
    d = micrometres * 1e-6
    speed = settling_speed(d, 1000.0, 9.8, 1.82e-5, slip.factor(d, *path_scale.values()))

    def weight(viscosity):
        found = drag.diameter_from_fall(
            speed, density_difference=1000.0, gravity=9.8, viscosity=viscosity, slip=slip,
            **path_scale,
        )  # fmt: skip
        return drag.effective_weight(found, 1000.0, 9.8)

    h = 1e-4
    slope = math.log(weight(1.82e-5 * (1 + h)) / weight(1.82e-5 * (1 - h))) / (2 * h)
    assert slope == pytest.approx(exponent, abs=0.006)
    assert slope == pytest.approx(3 / (2 - slip.steepness(d, *path_scale.values())), rel=1e-4)


def test_sphere_in_air():
    air = Air(temperature="20 degC", pressure="1013.25 hPa", humidity="50 %")
    sphere = Sphere(diameter="2.1 um", density="1055 kg/m3")
    v = sphere.fall_speed(air)
    assert v == pytest.approx(sphere.mobility(air) * sphere.effective_weight(air))
    # Einstein 1905: D = k T B.
    assert sphere.diffusion(air) == pytest.approx(
        Boltzmann * 293.15 * sphere.mobility(air), rel=1e-9, abs=0
    )
    # Common practice: a 2 µm sphere timed for 5 s wanders about 11 µm.
    two = Sphere(diameter="2 um", density="1050 kg/m3")
    assert math.sqrt(2 * two.diffusion(air) * 5) == pytest.approx(11e-6, rel=0.1)
    assert sphere.reynolds(air, v) < 1e-4
    assert sphere.relaxation_time(air) < 1e-4


@pytest.mark.parametrize(
    "given",
    [{"diameter": "-1 um", "density": 1050.0}, {"diameter": 0.0, "density": 1050.0},
     {"diameter": "1 V", "density": 1050.0}, {"diameter": 1e-6, "density": "3 mm"}],
)  # fmt: skip
def test_impossible_spheres_are_refused(given):
    with pytest.raises(InputError, match=r"`(diameter|density)`"):
        Sphere(**given)
