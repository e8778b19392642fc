"""Headers of columns as newcomers write them: units in words, and which way is positive."""

from __future__ import annotations

import pytest

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.headers import Header


@pytest.mark.parametrize(
    ("text", "name", "factor"),
    [
        ("U in kV", "voltage", 1000),
        ("U, kV", "voltage", 1000),
        ("V in volts", "voltage", 1),
        ("U (VOLTS)", "voltage", 1),
        ("U (V DC)", "voltage", 1),
        ("U (Vdc)", "voltage", 1),
        ("U [V, ±1]", "voltage", 1),
        ("time in seconds", "seconds", 1),
        ("t, min", "seconds", 60),
        ("moved (in div)", "divisions", 1),
        ("distance in mm", "divisions", 1e-3),
        ("displacement in mm per 10 s", "divisions", 1e-3),
        ("div (small squares)", "divisions", 1),
    ],
)
def test_a_unit_may_stand_in_words(text: str, name: str, factor: float) -> None:
    header = Header(text)
    assert (header.name, header.factor()[0]) == (name, factor)


@pytest.mark.parametrize(
    "text",
    [
        "U (1000 V)",
        "U (10^3 V)",
        "div (1/10)",
        "div (tenths of mm)",
        "distance (mn)",
        "position (px)",
        "t (mm:ss)",
        "U (upper plate)",
        "U (V), upper plate",
        "U (V, upper plate)",
    ],
)
def test_what_stands_for_a_unit_and_is_none_is_refused(text: str) -> None:
    # Each of these was taken for V, divisions or seconds; a pixel for 0.26 mm.
    with pytest.raises(InputError, match="in the place of its unit, which is not understood"):
        Header(text).factor()


@pytest.mark.parametrize(
    ("text", "sign"),
    [
        ("div (down)", -1),
        ("moved down", -1),
        ("div ↓", -1),
        ("down (div)", -1),
        ("distance (mm, down)", -1),
        ("displacement downwards (mm)", -1),
        ("div (down +)", -1),
        ("div (down is positive)", -1),
        ("div (up is negative)", -1),
        ("div (- = up)", -1),
        ("start (down)", -1),
        ("div 2 (down)", -1),
        ("div down in 10 s", -1),
        ("div (up)", 1),
        ("div (up +, down −)", 1),
        ("div (+ up, - down)", 1),
        ("div (down negative)", 1),
        ("div (up/down)", 1),
        ("div up-down", 1),
    ],
)
def test_a_header_may_say_which_way_is_positive(text: str, sign: int) -> None:
    header = Header(text)
    assert header.name == ("start" if "start" in text else "divisions")
    assert header.factor()[0] / abs(header.factor()[0]) == sign


def test_a_header_that_counts_down_turns_the_signs_and_the_limits() -> None:
    page = {"V": [227, 227, 227, 0], "div (down)": ["-12", ">40", "9", "61"], "t": [10] * 4}
    run = charge.Run(page)
    assert run.table["divisions"].tolist() == [12, -40, -9, -61]
    assert run.table["off_scale"].tolist() == [0, -1, 0, 0]
    assert run.remarks[0] == (
        "down is positive in 'div (down)', as its header says, so that its signs are turned"
    )
    ends = {"V": [227, 0], "start (down)": [10, 10], "end (down)": [4, 71], "t": [10, 10]}
    assert charge.Run(ends).table["divisions"].tolist() == [6, -61]
    same = charge.Run({"V": [227, 0], "div (up)": [6, -61], "t": [10, 10]})
    assert same.table["divisions"].tolist() == [6, -61]
    # The time of a passage downwards is that of a fall.
    timed = charge.Run({"V": [400], "time down (s)": [12.0], "time up (s)": [7.0], "div": [40]})
    assert timed.table["divisions"].tolist() == [40, -40]
    assert timed.table["voltage"].tolist() == [400, 0]


def test_directions_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(InputError, match="says of up and of down that they are positive"):
        Header("div (down+, up+)")
    page = {"V": [227, 0], "div (down)": [12, 61], "direction": ["up", "down"]}
    with pytest.raises(InputError, match="its direction says up; the signs contradict"):
        charge.Run(page)
    with pytest.raises(
        InputError, match="one of 'start' and 'end \\(down\\)' alone; say so of both"
    ):
        charge.Run({"V": [227, 0], "start": [10, 10], "end (down)": [4, 71], "t": [10, 10]})
    # A direction for each row needs no word in the header.
    page = {"V": [227, 0], "div": [12, 61], "up / down": ["up", "down"]}
    assert charge.Run(page).table["divisions"].tolist() == [12, -61]


def test_a_unit_under_a_name_that_is_not_understood_is_not_passed_over() -> None:
    # Without its voltages the rows would be one comb, falls and all.
    with pytest.raises(InputError, match=r"'Spannung \(V\)' has the unit of voltage and a name"):
        charge.Run({"Spannung (V)": [200, 0], "div": [12, -61], "t": [10, 10]})
    with pytest.raises(InputError, match=r"call it seconds \(ms\)"):
        charge.Run({"V": [200, 0], "div": [12, -61], "lasted (ms)": [10, 10]})
