"""The checks at the border: what they return, and the sentence each gives."""

from __future__ import annotations

import shlex
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import quantize as qz
from quantize._support import validation as check
from quantize._support.errors import (
    InputError,
    InputTypeError,
    QuantizeWarning,
    missing,
    warn,
)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: check.number("x", "3"), "`x` must be a number, not '3'."),
        (lambda: check.number("x", None), "`x` must be a number, not None."),
        (lambda: check.number("x", True), "`x` must be a number, not True."),
        (lambda: check.number("x", [1]), "`x` must be a number, not list; pass one float."),
        (lambda: check.number("x", np.nan), "`x` is nan; give a finite number."),
        (lambda: check.number("x", -np.inf), "`x` is -inf; give a finite number."),
        (lambda: check.positive("x", 0), "`x` is 0; it must be above zero."),
        (lambda: check.positive("x", -2.5), "`x` is -2.5; it must be above zero."),
        (lambda: check.positive("x", -1, zero=True), "`x` is -1; it must be zero or more."),
        (lambda: check.fraction("x", 1), "`x` is 1; it must lie strictly between 0 and 1."),
        (lambda: check.fraction("x", 0), "`x` is 0; it must lie strictly between 0 and 1."),
        (lambda: check.count("x", 2.5), "`x` must be a whole number, not 2.5."),
        (lambda: check.count("x", True), "`x` must be a whole number, not True."),
        (lambda: check.count("x", "2"), "`x` must be a whole number, not '2'."),
        (lambda: check.count("x", 0), "`x` is 0; it must be at least 1."),
        (lambda: check.choice("x", "c", ["a", "b"]), "`x` is 'c'; it must be one of 'a', 'b'."),
        (lambda: check.choice("x", 1, ["a", "b"]), "`x` is 1; it must be one of 'a', 'b'."),
        (
            lambda: check.offset_mode("no"),
            "`offset` is 'no'; it must be 'zero', 'free' or a number.",
        ),
        (lambda: check.offset_mode([]), "`offset` is []; it must be 'zero', 'free' or a number."),
        (lambda: check.offset_mode(np.inf), "`offset` is inf; give a finite number."),
    ],
)
def test_messages_of_single_values(call: Any, message: str) -> None:
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ((8, 2), "`unit_range` is (8, 2); the low end must be below the high end."),
        ((2, 2), "`unit_range` is (2, 2); the low end must be below the high end."),
        ((0, 2), "`unit_range` starts at 0; a unit is above zero, so give a positive low end."),
        ((-1, 2), "`unit_range` starts at -1; a unit is above zero, so give a positive low end."),
        ((1, np.inf), "`unit_range` is (1, inf); both ends must be finite."),
        ((np.nan, 2), "`unit_range` is (nan, 2); both ends must be finite."),
        ((1,), "`unit_range` has 1 entries; give two numbers (low, high)."),
        ((1, 2, 3), "`unit_range` has 3 entries; give two numbers (low, high)."),
        (5, "`unit_range` is 5; give two numbers (low, high)."),
        ("12", "`unit_range` is '12'; give two numbers (low, high)."),
        (("1", 2), "`unit_range` has low end '1'; give a number."),
        ((1, None), "`unit_range` has high end None; give a number."),
    ],
)
def test_messages_of_unit_range(value: Any, message: str) -> None:
    with pytest.raises(InputError) as caught:
        check.unit_range(value)
    assert str(caught.value) == message


def test_what_passes_is_standardised() -> None:
    assert check.number("x", np.float32(2)) == 2.0
    assert type(check.number("x", np.int64(2))) is float
    assert check.positive("x", 0, zero=True) == 0.0
    assert check.count("x", np.int64(3)) == 3
    assert check.count("x", 3.0) == 3
    assert check.offset_mode("zero") == ("fixed", 0.0)
    assert check.offset_mode("free") == ("free", 0.0)
    assert check.offset_mode(2) == ("fixed", 2.0)
    assert check.unit_range(np.array([2, 8])) == (2.0, 8.0)


def test_float_array_keeps_the_numbers_of_every_numeric_type() -> None:
    for kind in (np.int8, np.uint64, np.float32, object):
        array = check.float_array("x", np.array([1, 2, 3], dtype=kind))
        assert array.dtype == np.float64
        assert array.tolist() == [1.0, 2.0, 3.0]


def test_wrong_types_are_both_value_and_type_errors() -> None:
    assert issubclass(InputTypeError, TypeError)
    assert issubclass(InputTypeError, ValueError)
    assert issubclass(InputError, ValueError)


def test_warnings_have_one_category_and_point_at_the_caller() -> None:
    library: dict[str, Any] = {"warn": warn}
    place = str(Path(qz.__file__).parent / "library.py")
    exec(compile("def public():\n    warn('the range is wide')", place, "exec"), library)
    public = library["public"]
    with pytest.warns(QuantizeWarning, match="the range is wide") as caught:
        public()
    assert caught[0].filename == __file__
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", QuantizeWarning)
        public()


def test_missing_dependency_names_the_feature_and_the_command() -> None:
    error = missing("Reading parquet files", "pyarrow")
    assert isinstance(error, ImportError)
    assert str(error) == (
        "Reading parquet files needs the package pyarrow, which is not installed; "
        f"install it with: {shlex.quote(sys.executable)} -m pip install pyarrow"
    )


def test_a_warning_points_at_the_caller_whatever_stands_between() -> None:
    large = np.array([2**53 + 1, 2**53 + 5, 2**54, 2**54 + 7])
    for called in (qz.Readings, qz.fit_comb):
        with pytest.warns(qz.QuantizeWarning, match="2\\^53") as caught:
            called(large)
        assert {one.filename for one in caught} == {__file__}


def test_a_package_beside_this_one_with_a_longer_name_is_a_caller() -> None:
    place = f"{Path(qz.__file__).parent}_lab/tool.py"
    code = compile("def asks():\n    fit([2**53 + 1, 2**53 + 5, 2**54])", place, "exec")
    tool: dict[str, Any] = {"fit": qz.fit_comb}
    exec(code, tool)
    with pytest.warns(qz.QuantizeWarning, match="2\\^53") as caught:
        tool["asks"]()
    assert {one.filename for one in caught} == {place}
