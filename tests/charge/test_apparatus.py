"""The apparatus file."""

import pytest

from quantize._support.errors import InputError
from quantize.charge import load_apparatus
from quantize.charge.apparatus import Apparatus


def test_volts_where_millimetres_belong():
    with pytest.raises(InputError, match=r"`plates.separation` is '227 V', which is a voltage"):
        Apparatus.of({"plates": {"separation": "227 V"}})


def test_a_missing_entry_is_named_with_the_line_to_add():
    bench = Apparatus.of({"plates": {"voltage": "227 V"}})
    with pytest.raises(InputError, match=r"`plates.separation` .* missing .*\[plates\]"):
        bench.need("plates.separation")


FALLEN = {"fall": {"divisions": "20.0(2) div"}, "plates": {"separation": "4.24(2) mm"}}
GAP = "plates.separation"
TWO = {"plates": {"separation": "4.24(2) mm", "voltage": "227 +/- 1 V"}}
PAIR = {"between": [GAP, "plates.voltage"], "value": 0.5}
WITH_PRESS = [GAP, "watch.press"]
PRESSED = TWO | {"watch": {"press": "0.05(1) s"}}
NAMES = ("fall.divisions", "plates.separation")


@pytest.mark.parametrize(
    ("tables", "complaint"),
    [
        ({"plates": {"seperation": "3 mm"}}, "did you mean 'plates.separation'"),
        ({"plate": {"separation": "3 mm"}}, "did you mean 'plates'"),
        ({"plates": {"gap": "3 mm"}}, "known are plates.meter, plates.positive_plate, plates.sep"),
        ({"separation": "3 mm"}, "did you mean 'plates.separation'"),
        ({"plates": "3 mm"}, "is a section"),
        ({"plates": {"separation": "3.1 m"}}, "look at the number and its unit"),
        ({"plates": {"separation": "-3.1 mm"}}, "look at the number and its unit"),
        ({"plates": {"positive_plate": "left"}}, "must be one of 'lower', 'upper'"),
        ({"run": {"image_inverted": "yes"}}, "write true or false"),
        ({"hazards": {"present": ["dragons"]}}, "must be one of"),
        ({"air": {"temperature": "21 mm"}}, "a temperature"),
        ({"reticle": {"division": "24.93 um +/- 0.5"}}, "whose uncertainty has no unit"),
        ({"plates": {"separation": "4.24(2) % mm"}}, "joins '%', a plain number"),
        ({"watch": {"rate": "1.00 +/- 1 %"}}, "may belong to both numbers"),
        ({"sphere": {"diameter": "nan um"}}, "no quantity"),
        ({"correlations": [{"between": ["a"], "value": 1}]}, "between"),
        ({"correlations": [{"between": ["a.b", "c.d"], "value": 1}]}, "not among the measured"),
        (FALLEN | {"correlations": [{"between": list(NAMES), "value": 0.5}]}, "as fall.speed"),
        (PRESSED | {"correlations": [{"between": WITH_PRESS, "value": 0.5}]}, "enters no result"),
        (
            TWO | {"correlations": [PAIR, PAIR | {"between": ["plates.voltage", GAP]}]},
            "entries, once",
        ),
        ({"particles": {"A": TWO | {"correlations": [PAIR]}}}, "outside of [particles.A]"),
        ({"particles": {"A": {"hazards": {"present": ["laser"]}}}}, "outside of [particles.A]"),
    ],
)
def test_wrong_entries_are_refused(tables, complaint):
    with pytest.raises(InputError) as caught:
        Apparatus.of(tables)
    assert complaint in str(caught.value)


def test_files(tmp_path):
    good = tmp_path / "bench.toml"
    good.write_text('[plates]\nseparation = "4.24(2) mm"\n', encoding="utf-8")
    assert load_apparatus(good).need("plates.separation").standard_uncertainty == pytest.approx(
        2e-5
    )
    bad = tmp_path / "bad.toml"
    bad.write_text("[plates]\nseparation = 4.24 mm\n", encoding="utf-8")
    with pytest.raises(InputError, match="not valid TOML"):
        load_apparatus(bad)
    with pytest.raises(InputError, match="no such file"):
        load_apparatus(tmp_path / "none.toml")


def test_entries_of_one_particle_replace_the_common_ones():
    bench = Apparatus.of(
        {
            "sphere": {"diameter": "2.0 um"},
            "particles": {"B": {"sphere": {"diameter": "1.9 um"}}},
        }
    )
    assert bench.for_particle("B").need("sphere.diameter").value == 1.9e-6
    assert bench.for_particle("A").need("sphere.diameter").value == 2.0e-6


def test_floats_uncertainties_and_pint_quantities_stand_for_text():
    import pint
    from uncertainties import ufloat

    registry = pint.UnitRegistry(cache_folder=None)
    bench = Apparatus.of(
        {
            "plates": {"separation": ufloat(4.24e-3, 2e-5), "voltage": 227 * registry.volt},
            "sphere": {"weight": 5.15e-14},
        }
    )
    assert bench.need("plates.separation").standard_uncertainty == 2e-5
    assert bench.need("plates.voltage").value == 227
    assert bench.need("sphere.weight").value == 5.15e-14


def test_correlations_reach_the_budget():
    tables = {
        "plates": {"separation": "4.24(2) mm", "voltage": "227 +/- 1 V"},
        "sphere": {"weight": "5.15(8)e-14 N"},
        "fall": {"divisions": "60.8 +/- 0.2 div"},
    }
    joined = {
        **tables,
        "correlations": [{"between": ["plates.separation", "sphere.weight"], "value": 0.8}],
    }
    from quantize.charge import unit_in_coulombs

    plain = unit_in_coulombs(10.0, tables, unit_err=0.1, trials=1000)
    more = unit_in_coulombs(10.0, joined, unit_err=0.1, trials=1000)
    # JCGM 100:2008, equation 16: twice r times the product of the two contributions.
    extra = 2 * 0.8 * (0.02 / 4.24) * (0.08 / 5.15)
    assert (more.standard_uncertainty**2 - plain.standard_uncertainty**2) / plain.value**2 == (
        pytest.approx(extra, rel=1e-6)
    )


def test_a_correlation_with_a_voltage_below_zero():
    # e goes as the gap over the size of the voltage: where -V is correlated with the gap by -r, V
    # is by +r. By JCGM 100:2008, equation 16, the difference of the two errors counts.
    from quantize.charge import unit_in_coulombs

    tables = {"sphere": {"weight": "5.15e-14 N"}, "fall": {"divisions": "60.8 div"}}
    gap, volts, r = 0.02 / 4.24, 1 / 227, 0.9
    for sign in (1, -1):
        plates = {"separation": "4.24(2) mm", "voltage": f"{227 * sign} +/- 1 V"}
        pair = [{"between": ["plates.voltage", "plates.separation"], "value": sign * r}]
        found = unit_in_coulombs(
            10.0, tables | {"plates": plates, "correlations": pair}, unit_err=0.0, trials=100
        )
        relative = (found.standard_uncertainty / found.value) ** 2
        assert relative == pytest.approx(gap**2 + volts**2 - 2 * r * gap * volts, rel=1e-5)
