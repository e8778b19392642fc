"""Arrays of other libraries as readings: pint, astropy, uncertainties, xarray, pandas, float32.

The units and errors expected are what those libraries say of the same numbers.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import quantize as qz

VALUES = [2.1, 3.9, 6.0, 8.1, 9.9, 12.1]


def test_pint_quantities_keep_their_unit():
    unit = __import__("pint").UnitRegistry()
    sample = qz.Readings(np.array(VALUES) * unit.mV, sigma=np.full(6, 2e-4) * unit.V)
    assert sample.values.tolist() == VALUES
    assert sample.sigma.tolist() == pytest.approx(
        (np.full(6, 2e-4) * unit.V).to(unit.mV).magnitude.tolist()
    )
    assert sample.unit_name == "mV"
    assert qz.analyze(np.array(VALUES) * unit.mV, rng=1).readings.unit_name == "mV"


def test_astropy_quantities_keep_their_unit():
    units = pytest.importorskip("astropy.units")
    sample = qz.Readings(VALUES * units.mV, sigma=2e-4 * units.V)
    assert sample.values.tolist() == VALUES
    assert sample.sigma[0] == pytest.approx((2e-4 * units.V).to_value(units.mV))
    assert sample.unit_name == str(units.mV)


def test_a_name_that_is_given_stands_before_that_of_the_quantity():
    unit = __import__("pint").UnitRegistry()
    assert qz.Readings(np.array(VALUES) * unit.mV, unit_name="0.1 cV").unit_name == "0.1 cV"


def test_errors_of_uncertainties_are_the_sigma():
    unumpy = pytest.importorskip("uncertainties.unumpy")
    sample = qz.Readings(unumpy.uarray(VALUES, 0.1))
    assert sample.values.tolist() == VALUES
    assert sample.sigma.tolist() == pytest.approx([0.1] * 6)


def test_shared_errors_are_refused():
    uncertainties = pytest.importorskip("uncertainties")
    scale = uncertainties.ufloat(1.0, 0.01)
    with pytest.raises(qz.InputError, match=r"share some of their errors; .* as `shift`"):
        qz.Readings([scale * value for value in VALUES])


def test_an_xarray_array_and_a_named_column_say_their_unit():
    xarray = pytest.importorskip("xarray")
    assert qz.Readings(xarray.DataArray(VALUES, attrs={"units": "mV"})).unit_name == "mV"
    table = pd.DataFrame({"charge [1e-19 C]": VALUES})
    assert qz.Readings(table["charge [1e-19 C]"]).unit_name == "1e-19 C"
    assert qz.analyze(table, rng=1).readings.unit_name == "1e-19 C"


def test_single_precision_keeps_the_step_it_was_rounded_to():
    double = qz.Readings(VALUES)
    single = qz.Readings(np.array(VALUES, np.float32))
    assert single.values.tolist() == VALUES
    assert single.printed_resolution == double.printed_resolution == 0.1
    for given in (np.array(VALUES, ">f4"), [np.float32(value) for value in VALUES]):
        assert qz.Readings(given).values.tolist() == VALUES
    step = np.full(6, 0.1, np.float32)
    sample = qz.Readings(VALUES, resolution=step, sigma=step[0])
    assert sample.steps.tolist() == sample.sigma.tolist() == [0.1] * 6


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (np.ma.array(VALUES, np.float32, mask=[0, 0, 1, 0, 0, 0]), "is a masked array with masked"),
        (pd.Series([*VALUES, pd.NA], dtype=object), "is blank or NaN at entry 6"),
        (np.array(VALUES * 10).astype("m8[s]"), "holds '2 seconds' at entry 0, which is not a num"),
        (np.array([True, *VALUES], object), "holds 'True' at entry 0, which is not a number"),
        (
            np.array([np.complex128(1 + 2j), *VALUES], object),
            r"holds '\(1\+2j\)' at entry 0, which",
        ),
        (np.array(2.1), "has 0 dimensions; give a one-dimensional sequence"),
    ],
)
def test_what_is_no_plain_number_is_refused(given, message):
    with pytest.raises(qz.InputError, match=f"`values` {message}"):
        qz.Readings(given)


@pytest.mark.parametrize("name", ["sigma", "ends", "beyond", "changed", "state"])
def test_what_is_missing_of_a_reading_is_never_taken_from_under_its_mask(name):
    masked = np.ma.array(np.arange(6) // 3, mask=np.arange(6) == 4)
    nullable = pd.Series([1, 1, 1, 1, 1, pd.NA], dtype=object)
    for given in (masked, nullable):
        with pytest.raises(qz.InputError, match=f"`{name}` is (blank|<NA>|a masked)"):
            qz.Readings(VALUES, **{name: given})
    with pytest.raises(qz.InputError, match=f"`{name}` h"):
        qz.Readings(VALUES, **{name: [[1, 1], [1], 1, 1, 1, 1]})


@pytest.mark.parametrize("which", ["pint", "astropy"])
def test_what_does_not_go_together_is_refused(which):
    if which == "pint":
        unit = __import__("pint").UnitRegistry()
    else:
        unit = pytest.importorskip("astropy.units")
    with pytest.raises(qz.InputError, match="`sigma` is in mV and `values` have no unit"):
        qz.Readings(VALUES, sigma=0.1 * unit.mV)
    with pytest.raises(qz.InputError, match=r"`sigma` is in m, which does not go with .* in mV"):
        qz.Readings(np.array(VALUES) * unit.mV, sigma=0.1 * unit.m)
    with pytest.raises(qz.InputTypeError, match="is a list of quantities, the first in mV"):
        qz.Readings([value * unit.mV for value in VALUES])


def test_two_sigmas_are_refused():
    unumpy = pytest.importorskip("uncertainties.unumpy")
    with pytest.raises(qz.InputError, match="`values` have errors too; give one of them"):
        qz.Readings(unumpy.uarray(VALUES, 0.1), sigma=0.2)


def test_readings_as_an_array_and_a_table():
    sample = qz.Readings(VALUES, sigma=0.1, state=list("abcabc"), unit_name="mV")
    assert np.asarray(sample).tolist() == VALUES
    assert np.asarray(sample, dtype="f4").dtype == np.float32
    assert sample[2] == 6.0
    assert sample[-2:].values.tolist() == VALUES[-2:]
    assert sample[[0, 3]].state_labels == ("a",)
    assert sample[1:].unit_name == "mV"
    table = sample.to_frame()
    assert table.columns.tolist() == ["values", "sigma", "state"]
    again = qz.Readings(table["values"], sigma=table["sigma"], state=table["state"])
    assert again.to_dict() | {"unit_name": "mV"} == sample.to_dict()
    with pytest.raises(qz.InputTypeError, match="are Readings already"):
        qz.Readings(sample)
