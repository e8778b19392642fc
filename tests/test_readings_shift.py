"""A shift that readings share: kept with them, written and read, and refused in one sentence."""

import json
import pickle

import numpy as np
import pytest

import quantize as qz
from quantize.shared_shift import SharedShift

X = [1.02, 2.11, 2.93, 5.2]
LEVER = [1.0, 0.5, -2.0, 0.0]


def readings(**shift):
    given = {"error": 0.2, "lever": LEVER, "degrees_of_freedom": 7} | shift
    return qz.Readings(X, sigma=0.1, state=["a", "b", "b", "c"], shift=SharedShift(**given))


def same(one, two):
    assert one.error == two.error
    assert one.lever.tolist() == two.lever.tolist()
    assert one.degrees_of_freedom == two.degrees_of_freedom


@pytest.mark.parametrize("degrees", [7.0, 2.5, np.inf])
def test_written_as_json_and_read_again(degrees):
    one = readings(degrees_of_freedom=degrees)
    written = json.loads(json.dumps(one.to_dict(), allow_nan=False))
    assert written["schema"] == "quantize.Readings/1"
    assert written["shift"] == {
        "error": 0.2,
        "lever": LEVER,
        "degrees_of_freedom": None if degrees == np.inf else degrees,
        "also": None,
    }
    again = qz.Readings.from_dict(written)
    same(again.shift, one.shift)
    assert again.to_dict() == written


def test_files_that_know_no_shift_are_read():
    written = readings().to_dict()
    del written["shift"]
    assert qz.Readings.from_dict(written).shift is None
    assert qz.Readings(X).to_dict()["shift"] is None


def test_some_of_the_readings_keep_their_levers():
    one = readings()
    for keep in ([2, 0], np.array([True, False, True, False])):
        some = one.select(keep)
        place = np.arange(4)[np.asarray(keep)]
        assert some.values.tolist() == one.values[place].tolist()
        same(some.shift, SharedShift(error=0.2, lever=np.array(LEVER)[place], degrees_of_freedom=7))
    assert one.select([3]).shift.lever.tolist() == [0.0]


def test_replace_keeps_the_shift_or_takes_another():
    one = readings()
    same(one.replace(values=np.array(X) + 1).shift, one.shift)
    assert one.replace(shift=None).shift is None
    assert one.replace(shift=None).sigma.tolist() == [0.1] * 4
    other = SharedShift(error=0.3, lever=np.ones(4))
    same(one.replace(shift=other).shift, other)
    assert np.isinf(one.replace(shift=other).shift.degrees_of_freedom)


def test_one_number_is_the_lever_of_all():
    assert readings(lever=-0.5).shift.lever.tolist() == [-0.5] * 4


def test_the_levers_cannot_be_changed_not_even_after_a_journey():
    one = readings()
    for shift in (one.shift, pickle.loads(pickle.dumps(one)).shift, one.select([0, 1]).shift):
        with pytest.raises(ValueError, match="read-only"):
            shift.lever[0] = 3.0


def test_readings_say_that_they_share_a_shift():
    assert repr(readings()) == (
        "<Readings: 4 values from 1.02 to 5.2, sigma given, 3 states, a shared shift>"
    )


@pytest.mark.parametrize(
    ("shift", "sentence"),
    [
        (
            {"lever": [1.0, 2.0]},
            "`shift.lever` has 2 entries and `values` has 4; give one number for all, or one for "
            "each reading.",
        ),
        (
            {"lever": [1.0, np.nan, 1.0, 1.0]},
            "`shift.lever` is blank or NaN at entry 1; remove or mend these first.",
        ),
        ({"lever": ["a", "b", "c", "d"]}, "`shift.lever` holds text 'a' at entry 0; give numbers."),
        (
            {"lever": np.ones((4, 1))},
            "`shift.lever` has 2 dimensions; give a one-dimensional sequence of numbers.",
        ),
        (
            {"lever": None},
            "`shift.lever` is blank or NaN at entry 0 (and 3 more); remove or mend these first.",
        ),
        ({"error": 0}, "`shift.error` is 0; it must be above zero."),
        ({"error": -0.1}, "`shift.error` is -0.1; it must be above zero."),
        ({"error": np.inf}, "`shift.error` is inf; give a finite number."),
        ({"error": "wide"}, "`shift.error` must be a number, not 'wide'."),
        (
            {"degrees_of_freedom": 0},
            "`shift.degrees_of_freedom` is 0; it must be above zero.",
        ),
        (
            {"degrees_of_freedom": np.nan},
            "`shift.degrees_of_freedom` is nan; give a finite number.",
        ),
        (
            {"degrees_of_freedom": "few"},
            "`shift.degrees_of_freedom` must be a number, not 'few'.",
        ),
    ],
)
def test_bad_shifts_are_refused_in_one_sentence(shift, sentence):
    with pytest.raises(qz.InputError) as caught:
        readings(**shift)
    assert str(caught.value) == sentence


def test_what_is_no_shift_is_refused():
    with pytest.raises(qz.InputError) as caught:
        qz.Readings(X, shift={"error": 0.1, "lever": 1.0})
    assert str(caught.value) == "`shift` is a dict; give a SharedShift, or leave it out."


@pytest.mark.parametrize(
    "written",
    ["wide", {"error": 0.1}, {"error": 0.1, "lever": [1, "z"], "degrees_of_freedom": None}],
)
def test_what_was_not_written_by_to_dict_is_refused(written):
    with pytest.raises(qz.InputError, match=r"`state` is not what `Readings.to_dict` wrote"):
        qz.Readings.from_dict(readings().to_dict() | {"shift": written})
