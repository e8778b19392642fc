"""Air against published values and an independent library."""

import pytest
from needed import needed

from quantize._support.errors import InputError, QuantizeWarning
from quantize.charge import Air
from quantize.charge.air import density, mean_free_path, viscosity


def test_viscosity_at_the_reference_point():
    # Kim et al., J. Res. NIST 110:31 (2005), eq. 3; ISO 15900.
    assert viscosity(296.15) == pytest.approx(1.83245e-5, rel=1e-12, abs=0)


@pytest.mark.parametrize(
    ("kelvin", "micropascal_seconds"),
    [(273.15, 17.2184), (293.15, 18.2057), (296.15, 18.3513), (300.0, 18.5373)],
)
def test_published_viscosity_formulas_agree_to_half_a_per_cent(kelvin, micropascal_seconds):
    # Lemmon and Jacobsen, Int. J. Thermophys. 25:21 (2004), as carried by CoolProp 8.
    assert viscosity(kelvin) * 1e6 == pytest.approx(micropascal_seconds, rel=5e-3)


@pytest.mark.parametrize(
    ("kelvin", "pascal", "nanometres"),
    [(296.15, 101325, 67.3), (293.15, 101325, 66.434), (298.15, 101325, 67.878),
     (293.15, 80e3, 84.142)],
)  # fmt: skip
def test_mean_free_path(kelvin, pascal, nanometres):
    # Willeke, J. Aerosol Sci. 7:381 (1976).
    assert mean_free_path(kelvin, pascal) * 1e9 == pytest.approx(nanometres, abs=1e-3)


@pytest.mark.parametrize(
    ("celsius", "pascal", "humidity", "expected"),
    [(20, 101325, 0.5, 1.199314), (20, 101325, 0.0, 1.204557), (25, 100e3, 0.4, 1.163219)],
)
def test_density_of_moist_air(celsius, pascal, humidity, expected):
    # CIPM-2007, Picard et al., Metrologia 45:149 (2008).
    assert density(celsius + 273.15, pascal, humidity) == pytest.approx(expected, abs=2e-6)


@pytest.mark.slow
@pytest.mark.parametrize("celsius", [15.0, 20.0, 27.0])
@pytest.mark.parametrize("humidity", [0.1, 0.5, 0.9])
def test_density_against_an_independent_humid_air_model(celsius, humidity):
    coolprop = needed("CoolProp.CoolProp")
    volume = coolprop.HAPropsSI(
        "Vha", "T", celsius + 273.15, "P", 101325.0, "R", humidity
    )  # m3 of mixture per kg of mixture
    # The model of ASHRAE RP-1485 is 4e-5 higher throughout (other carbon dioxide).
    assert density(celsius + 273.15, 101325.0, humidity) * volume == pytest.approx(1, abs=1e-4)


def test_viscosity_against_an_independent_library():
    coolprop = needed("CoolProp.CoolProp")
    for kelvin in (288.15, 293.15, 300.15):
        other = coolprop.PropsSI("V", "T", kelvin, "P", 101325.0, "Air")
        assert viscosity(kelvin) == pytest.approx(other, rel=5e-3)


def test_outside_the_published_range_a_warning_says_so():
    with pytest.warns(QuantizeWarning, match="15 to 27 °C"):
        Air(temperature="35 degC")


@pytest.mark.parametrize(
    "given",
    [{"temperature": "21"}, {"temperature": 21.0}, {"pressure": "-3 hPa"}, {"humidity": 45.0},
     {"pressure": "21 degC"}],
)  # fmt: skip
def test_impossible_air_is_refused(given):
    (name,) = given
    with pytest.raises(InputError, match=f"`{name}`"):
        Air(**given)
