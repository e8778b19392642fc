"""The apparatus file."""

import pytest

from quantize._support.errors import InputError
from quantize.charge import Apparatus, load_apparatus


def test_volts_where_millimetres_belong():
    with pytest.raises(InputError, match=r"`plates.separation` is '271 V', which is a voltage"):
        Apparatus.of({"plates": {"separation": "271 V"}})


def test_a_missing_entry_is_named_with_the_line_to_add():
    bench = Apparatus.of({"plates": {"voltage": "271 V"}})
    with pytest.raises(InputError, match=r"`plates.separation` .* missing .*\[plates\]"):
        bench.need("plates.separation")


@pytest.mark.parametrize(
    ("tables", "complaint"),
    [
        ({"plates": {"seperation": "3 mm"}}, "did you mean 'plates.separation'"),
        ({"plate": {"separation": "3 mm"}}, "did you mean 'plates'"),
        ({"plates": "3 mm"}, "is a section"),
        ({"plates": {"separation": "3.1 m"}}, "look at the number and its unit"),
        ({"plates": {"separation": "-3.1 mm"}}, "look at the number and its unit"),
        ({"plates": {"positive_plate": "left"}}, "must be one of 'lower', 'upper'"),
        ({"run": {"image_inverted": "yes"}}, "write true or false"),
        ({"hazards": {"present": ["dragons"]}}, "must be one of"),
        ({"air": {"temperature": "21 mm"}}, "a temperature"),
        ({"sphere": {"diameter": "nan um"}}, "no quantity"),
        ({"correlations": [{"between": ["a"], "value": 1}]}, "between"),
    ],
)
def test_wrong_entries_are_refused(tables, complaint):
    with pytest.raises(InputError) as caught:
        Apparatus.of(tables)
    assert complaint in str(caught.value)


def test_files(tmp_path):
    good = tmp_path / "bench.toml"
    good.write_text('[plates]\nseparation = "3.10(2) mm"\n', encoding="utf-8")
    assert load_apparatus(good).need("plates.separation").standard_uncertainty == pytest.approx(
        2e-5
    )
    bad = tmp_path / "bad.toml"
    bad.write_text("[plates]\nseparation = 3.10 mm\n", encoding="utf-8")
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
