"""Text with units: the grammar, and what it refuses."""

import math

import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from quantize._support.errors import InputError
from quantize.charge.quantity import Quantity
from quantize.charge.units import unit


@pytest.mark.parametrize(
    ("text", "si_unit", "value", "spread"),
    [
        ("4.24 +/- 0.02 mm", "m", 4.24e-3, 0.02e-3),
        ("4.24 ± 0.02 mm", "m", 4.24e-3, 0.02e-3),
        ("4.24(2) mm", "m", 4.24e-3, 0.02e-3),
        ("3.1(2) mm", "m", 3.1e-3, 0.2e-3),
        ("5.15(8)e-14 N", "N", 5.15e-14, 0.08e-14),
        ("227 V", "V", 227.0, 0.0),
        ("21.5 +/- 0.2 degC", "K", 294.65, 0.2),
        ("1.05 +/- 0.01 g/cm3", "kg/m3", 1050.0, 10.0),
        ("45 %", "1", 0.45, 0.0),
        ("25.0 um/div", "m/div", 25e-6, 0.0),
        ("4.24 +/- 0.5 % mm", "m", 4.24e-3, 0.0212e-3),
        ("4.24 mm +/- 0.5 %", "m", 4.24e-3, 0.0212e-3),
        ("4.24 mm ±0.5%", "m", 4.24e-3, 0.0212e-3),
        ("4.24±0.5%mm", "m", 4.24e-3, 0.0212e-3),
        ("4.24 mm +/- 0.5 percent", "m", 4.24e-3, 0.0212e-3),
        ("4.24 mm +/- 5000 ppm", "m", 4.24e-3, 0.0212e-3),
        ("4.24 mm +/- 1 % k=2", "m", 4.24e-3, 0.0212e-3),
        ("4.24 +/- 1 % mm k=2", "m", 4.24e-3, 0.0212e-3),
        ("5.15e-14 N +/- 2 % particle", "N", 5.15e-14, 0.103e-14),
        ("-4.24 V +/- 0.5 %", "V", -4.24, 0.0212),
        ("24.93 +/- 0.2 % um/div", "m/div", 24.93e-6, 0.04986e-6),
        ("4.24 mm +/- 20 um", "m", 4.24e-3, 0.02e-3),
        ("3.1 mm +/- 0.02 mm", "m", 3.1e-3, 0.02e-3),
        ("21.5 degC +/- 0.2 K", "K", 294.65, 0.2),
        ("1055 kg/m3 +/- 0.005 g/cm3", "kg/m3", 1055.0, 5.0),
        ("45 +/- 2 %", "1", 0.45, 0.02),
        ("2.0 rad +/- 5 %", "rad", 2.0, 0.1),
        ("18.2 uPa s", "Pa s", 18.2e-6, 0.0),
    ],
)
def test_text_is_read_as_written(text, si_unit, value, spread):
    found = Quantity.read(text, unit=si_unit)
    assert found.value == pytest.approx(value, rel=1e-14, abs=0)
    assert found.standard_uncertainty == pytest.approx(spread, rel=1e-12, abs=0)


def test_conventional_units_against_scipy():
    # scipy.constants carries these from NIST SP 811 and the SI Brochure.
    # Its mmHg is the torr, 1.4e-7 away from the conventional millimetre of mercury.
    assert unit("cmHg").scale == pytest.approx(10 * constants.mmHg, rel=2e-7)
    assert unit("degC").zero == constants.zero_Celsius
    assert unit("mbar").scale == constants.bar / 1000
    # 1 statcoulomb is 1/(10 c) coulombs, c in m/s.
    assert unit("esu").scale == pytest.approx(1 / (10 * constants.c), rel=1e-13, abs=0)


def test_limits_and_coverage_factors_become_standard_uncertainties():
    # JCGM 100:2008, 4.3.7 (rectangular: half width over sqrt(3)) and 4.3.3 (quoted multiple).
    limit = Quantity.read("4.24 +/- 0.02 mm limit", unit="m")
    assert limit.standard_uncertainty == pytest.approx(0.02e-3 / math.sqrt(3))
    assert limit.distribution == "rectangular"
    expanded = Quantity.read("4.24 +/- 0.02 mm k=2", unit="m")
    assert expanded.standard_uncertainty == pytest.approx(0.01e-3)


def test_repeats_bring_degrees_of_freedom_and_a_scope_may_follow():
    found = Quantity.read("5.0 +/- 0.1 mm n=4 session", unit="m")
    assert (found.degrees_of_freedom, found.distribution, found.scope) == (3, "t", "session")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("3,10 mm", "comma"),
        ("1 234 mm", "two numbers in a row"),
        ("9**9**9 mm", "operator or a power"),
        ("3*4 mm", "operator or a power"),
        ("3.1^2 mm", "operator or a power"),
        ("3.1 mm**2", "operator or a bracket"),
        ("3.1", "no unit"),
        ("3.1 mm +/- 0.02 V", "a voltage; it must be a length"),
        ("3.1 mm +/- 0.02", "whose uncertainty has no unit"),
        ("3.1 mm +/- 0.5 % mm", "a unit after the %"),
        ("3.1 mm limit +/- 0.02 mm", "with 'limit' before the ±"),
        ("3.1 mm +/-", "no number after the ±"),
        ("3.1 mm +/- 0.02 mm +/- 0.5 %", "two uncertainties"),
        ("3.1(2) mm +/- 0.5 %", "two uncertainties"),
        ("3.1 +/- 0.5 %", "no unit"),
        ("3.1(2) % mm", "joins '%', a plain number, to another unit"),
        ("3.1 % mm", "joins '%'"),
        ("3.1 mm %", "joins '%'"),
        ("3.1 +/- 0.5 mm %", "joins '%'"),
        ("3.1 rad mm", "joins 'rad'"),
        ("3.1 mm 0.5 %", "cannot be read"),
        ("0 +/- 5 % mm", "a share of zero is zero"),
        ("3.1(2) +/- 0.02 mm", "two uncertainties"),
        ("3.1 mm limit", "not there"),
        ("3.1 foo", "not known"),
        ("1e999 mm", "too large"),
        ("about 3 mm", "no quantity"),
        ("3.1 +/- -0.02 mm", "no sign"),
        ("3.1(" + "9" * 5000 + ") mm", "characters"),
        ("3.1 +/- 0.2 mm limit k=2", "contradict"),
        ("3.1 +/- 0.2 mm n=1", "at least two repeats"),
        ("227 V", "a voltage; it must be a length"),
    ],
)
def test_anything_else_is_refused_in_one_sentence(text, complaint):
    with pytest.raises(InputError, match=r"`gap`") as caught:
        Quantity.read(text, unit="m", name="gap")
    assert complaint in str(caught.value)


@pytest.mark.parametrize(
    ("text", "si_unit", "complaint"),
    [
        ("0.45 +/- 2 %", "1", "the % may belong to both numbers or to the uncertainty alone"),
        ("1.0002 +/- 0.01 %", "1", "the % may belong to both numbers or to the uncertainty alone"),
        ("45 % +/- 2 %", "1", "may be a share of the value or be added to it"),
        ("21.5 degC +/- 1 %", "K", "write the uncertainty in kelvins"),
        ("21.5 +/- 1 % degC", "K", "write the uncertainty in kelvins"),
    ],
)
def test_what_could_be_read_in_two_ways_is_refused(text, si_unit, complaint):
    with pytest.raises(InputError) as caught:
        Quantity.read(text, unit=si_unit, name="entry")
    assert str(caught.value).startswith(f"`entry` is '{text}'")
    assert complaint in str(caught.value)


def test_a_relative_limit_is_a_rectangle():
    found = Quantity.read("4.24 mm +/- 0.5 % limit", unit="m")
    assert found.standard_uncertainty == pytest.approx(0.0212e-3 / math.sqrt(3), rel=1e-12, abs=0)
    assert found.distribution == "rectangular"


NUMBERS = st.sampled_from(["4.24", "4.24(2)", "42", "0.5e-3"])
PIECES = st.lists(
    st.sampled_from(["+/-", "±", "0.5", "2", "%", "mm", "um", "limit", "k=2", "bench", "(2)"]),
    max_size=6,
)


@settings(max_examples=400)
@given(number=NUMBERS, pieces=PIECES)
def test_no_order_of_the_pieces_changes_the_value_in_silence(number, pieces):
    # Whatever is read has the value of the number in the first unit, and nothing else.
    try:
        found = Quantity.read(" ".join([number, *pieces]), unit="m", name="gap")
    except InputError:
        return
    scale = next({"mm": 1e-3, "um": 1e-6}[piece] for piece in pieces if piece in ("mm", "um"))
    assert found.value == pytest.approx(float(number.replace("(2)", "")) * scale, rel=1e-12, abs=0)
    sign = next((i for i, piece in enumerate(pieces) if piece in ("+/-", "±")), None)
    if sign is None:
        return
    # The uncertainty is the number after the ±: a share of the value if a % is there, else in the
    # last unit; and a word may divide it.
    last = next({"mm": 1e-3, "um": 1e-6}[p] for p in reversed(pieces) if p in ("mm", "um"))
    of = found.value / 100 if "%" in pieces else last
    divisor = math.sqrt(3) if "limit" in pieces else 2 if "k=2" in pieces else 1
    assert found.standard_uncertainty == pytest.approx(
        float(pieces[sign + 1]) * of / divisor, rel=1e-9, abs=0
    )


@given(
    value=st.integers(-9999, 9999),
    last=st.integers(1, 99),
    decimals=st.integers(0, 4),
    power=st.integers(-20, 20),
)
def test_brackets_and_plus_minus_say_the_same(value, last, decimals, power):
    number = f"{value / 10**decimals:.{decimals}f}"
    spread = f"{last / 10**decimals:.{decimals}f}e{power}"
    short = Quantity.read(f"{number}({last})e{power} V", unit="V")
    long = Quantity.read(f"{number}e{power} +/- {spread} V", unit="V")
    assert short.value == long.value
    assert short.standard_uncertainty == pytest.approx(long.standard_uncertainty, rel=1e-12, abs=0)
    # The general library for uncertainties reads the bracket form the same way.
    reference = uncertainties.ufloat_fromstr(f"{number}({last})e{power}")
    assert short.value == pytest.approx(reference.nominal_value, rel=1e-12, abs=1e-300)
    assert short.standard_uncertainty == pytest.approx(reference.std_dev, rel=1e-12, abs=0)


def test_floats_uncertainties_and_pint_quantities_work():
    import pint

    registry = pint.UnitRegistry(cache_folder=None)
    assert Quantity.read(3.1e-3, unit="m").value == 3.1e-3
    assert Quantity.read(uncertainties.ufloat(3.1e-3, 2e-5), unit="m").standard_uncertainty == 2e-5
    assert Quantity.read(3.1 * registry.mm, unit="m").value == pytest.approx(3.1e-3)
    assert Quantity.read(1.05 * registry("g/cm**3"), unit="kg/m3").value == pytest.approx(1050)
    with pytest.raises(InputError, match="voltage"):
        Quantity.read(3.1 * registry.volt, unit="m", name="gap")


def test_a_table_brings_scope_and_degrees_of_freedom():
    table = {"value": "4.24 +/- 0.02 mm", "scope": "batch", "degrees_of_freedom": 4}
    found = Quantity.read(table, unit="m")
    assert (found.value, found.standard_uncertainty) == pytest.approx((4.24e-3, 0.02e-3))
    assert (found.scope, found.degrees_of_freedom, found.distribution) == ("batch", 4, "t")
    assert Quantity.read({"value": "4.24 mm"}, unit="m", scope="session").scope == "session"


def test_a_quantity_prints_its_uncertainty_where_it_has_one():
    assert repr(Quantity.read("227.5 V", unit="V")) == "<Quantity 227.5 V>"
    assert repr(Quantity.read("227.5 +/- 0.25 V", unit="V")) == "<Quantity 227.5 ± 0.25 V>"


def test_degrees_of_freedom_are_above_zero():
    with pytest.raises(InputError, match="`degrees_of_freedom` is 0; it must be above zero"):
        Quantity(value=1.0, degrees_of_freedom=0)
