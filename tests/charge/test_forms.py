"""Forms for the bench: filled in they work, not filled in they are refused."""

from __future__ import annotations

import re
import statistics
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import curve_fit

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.apparatus import Apparatus
from quantize.charge.forms import KINDS, PAGES
from quantize.charge.headers import Header
from quantize.charge.repeats import calibrate_reticle, repeat_balance

PAGES_OF_RUNS: dict[str, dict[str, Any]] = {
    "fixed time": {"V": [250, 250, 0], "start": [10, 50, 80], "end": [22, 40, 20]},
    "fall and rise": {"state": [1, 2], "V": [250, 250], "t_fall": [11.0, 11.2], "t_rise": [7, 9]},
    "tracks": {
        "state": [1] * 3 + [2] * 3 + [2] * 3,
        "V": [250] * 6 + [0] * 3,
        "t (s)": [0, 1, 2] * 3,
        "position": [10.0, 11.1, 12.2, 50.0, 49.1, 48.0, 80.1, 74.0, 68.2],
    },
}


def filled_in(kind: str) -> str:
    """The template with the example beside each blank put in its place."""
    lines = []
    for line in charge.template(kind).splitlines():
        entry = re.match(r'(\w+ = )"[^"]*__[^"]*"[^"]*("[^"]+")', line)
        lines.append(line if entry is None else entry[1] + entry[2])
    return "\n".join(lines)


@pytest.mark.parametrize("kind", KINDS)
def test_a_template_is_refused_until_it_is_filled_in(kind: str, tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(charge.template(kind), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        charge.load_apparatus(file)
    blanks = re.findall(r'^(\w+) = ".*__', charge.template(kind), re.MULTILINE)
    assert len(blanks) > 3
    assert str(refused.value).startswith("`apparatus` (bench.toml) is not filled in: write ")
    named = str(refused.value).partition("write ")[2].partition(", each")[0].split(", ")
    assert [name.partition(".")[2] for name in named] == blanks
    # One blank that is left is enough, in an own section of a particle, too.
    file.write_text(filled_in(kind) + '\n[particles.A.sphere]\ndiameter = "____ um"\n')
    with pytest.raises(InputError, match=r"write particles.A.sphere.diameter, each"):
        charge.load_apparatus(file)
    file.write_text(filled_in(kind), encoding="utf-8")
    assert charge.load_apparatus(file).has("plates.separation")
    assert max(map(len, charge.template(kind).splitlines())) <= 80


@pytest.mark.parametrize("kind", PAGES_OF_RUNS)
def test_a_template_filled_in_suits_its_experiment(kind: str) -> None:
    table = charge.Run(PAGES_OF_RUNS[kind], tomllib.loads(filled_in(kind))).charges()
    assert np.isfinite(table["charge"]).sum() == 2


def test_what_is_commented_out_can_be_read_as_well() -> None:
    entries = re.findall(r'^# (\w+ = "[^"]+")', charge.template("fixed time"), re.MULTILINE)
    sections = {"tilt": "plates", "viscosity_of": "air", "step": "reticle"}
    sections |= dict.fromkeys(("slip", "walls", "image"), "budget")
    sections |= dict.fromkeys(("diameter", "diameter_spread", "density"), "sphere")
    for entry in entries:
        name = entry.partition(" ")[0]
        section = sections.get(name, "run")
        Apparatus.of(tomllib.loads(f"[{section}]\n{entry}"))
    assert len(entries) > 8


@pytest.mark.parametrize("kind", PAGES)
def test_a_page_has_the_columns_of_its_experiment(kind: str) -> None:
    lines = charge.blank_page(kind, rows=3).splitlines()
    assert max(map(len, charge.blank_page(kind).splitlines())) <= 80
    rules = [line for line in lines if line.startswith("+")]
    assert len(rules) == 5
    head = lines[lines.index(rules[0]) + 1]
    assert [i for i, sign in enumerate(head) if sign == "|"] == [
        i for i, sign in enumerate(rules[0]) if sign == "+"
    ]
    headers = [Header(cell.strip()) for cell in head.strip("|").split("|")]
    assert None not in {header.name for header in headers}
    wanted = {
        "fixed time": {"voltage", "start", "end", "seconds"},
        "fall and rise": {"voltage", "fall_seconds", "rise_seconds"},
        "balance voltages": {"voltage", "state"},
        "tracks": {"position", "seconds", "track", "voltage"},
        "reticle": {"stage", "start", "end"},
        "balance": {"voltage"},
    }
    assert wanted[kind] < {header.name for header in headers}


def test_the_page_typed_in_is_read() -> None:
    columns = {
        "no": [1, 2], "particle": ["A", ""], "state": [1, 2], "V": [250, 0], "start": [10, 80],
        "end": [20, 20], "t (s)": [10, 10], "keep": ["", ""], "reason": ["", ""],
    }  # fmt: skip
    assert charge.Run(columns).particles == ("A",)


def test_another_kind_is_refused() -> None:
    with pytest.raises(InputError, match="must be one of 'fixed time', 'fall and rise'"):
        charge.template("oil")
    with pytest.raises(InputError, match="'reticle', 'balance'"):
        charge.blank_page("oil")


# ---- repeats ------------------------------------------------------------------------------------


def test_the_reticle_is_a_straight_line_through_zero() -> None:
    # Against scipy's least squares, whose slope is in divisions per metre.
    rng = np.random.default_rng(2)
    stage = np.array([1.0, 0.9, 0.8, 0.7, 0.5, 1.0])
    moved = stage / 0.0249 + 0.6 * rng.standard_normal(6)
    page = {"stage [mm]": stage, "divisions": moved.round(4)}
    (slope,), ((variance,),) = curve_fit(lambda x, b: b * x, stage * 1e-3, moved, p0=[4e4])
    found = calibrate_reticle(page)
    assert found.value == pytest.approx(1 / slope, rel=1e-5)
    assert found.standard_uncertainty == pytest.approx(variance**0.5 / slope**2, rel=1e-3)
    assert found.degrees_of_freedom == pytest.approx(5)
    # The certificate adds its relative uncertainty (JCGM 100, 5.1.6), here 1 %.
    certified = calibrate_reticle(page, certificate="1.00 +/- 0.01 mm")
    both = np.hypot(found.standard_uncertainty, 0.01 * found.value)
    assert certified.standard_uncertainty == pytest.approx(both, rel=1e-6, abs=0)
    assert certified.degrees_of_freedom > 5
    line = tomllib.loads(certified.entry)
    again = Apparatus.of({certified.section: line}).need("reticle.division")
    assert again.value == pytest.approx(certified.value, rel=2e-3)
    assert again.standard_uncertainty == pytest.approx(certified.standard_uncertainty, rel=0.05)
    assert again.degrees_of_freedom == int(certified.degrees_of_freedom)


def test_lengths_that_agree_perfectly_are_as_good_as_their_rounding() -> None:
    # Both ends to a whole division: a triangle of standard deviation 1/sqrt(6) (design, section 5).
    page = {"stage (mm)": [1.0, 0.5], "start": [0, 7], "end": [40, 27]}
    found = calibrate_reticle(page)
    assert found.value == pytest.approx(25e-6)
    expected = 25e-6 * 6**-0.5 / np.hypot(40, 20)
    assert found.standard_uncertainty == pytest.approx(expected, rel=1e-6, abs=0)


def test_a_balance_is_a_mean_with_a_display_and_a_meter() -> None:
    volts = [227.1, 227.9, 226.8, 227.4]
    settings = statistics.stdev(volts) / 2
    found = repeat_balance(volts, certificate="230.0 +/- 0.5 V limit")
    # JCGM 100: 4.2.3 (mean), F.2.2.1 (display, 0.29 of its step), 4.3.7 (rectangle).
    total = (settings**2 + 0.1**2 / 12 + 0.5**2 / 3) ** 0.5
    assert found.value == pytest.approx(statistics.mean(volts))
    assert found.standard_uncertainty == pytest.approx(total)
    assert found.degrees_of_freedom == pytest.approx(3 * total**4 / settings**4)
    assert found.entry == 'voltage = "227.30 +/- 0.37 V dof=19"'
    page = {"V": [*volts, 260.0], "keep": ["", "", "", "", "no"]}
    assert repeat_balance(page, certificate="230.0 +/- 0.5 V limit").entry == found.entry
    # The same reading four times says nothing of the step of the display.
    same = repeat_balance([227.0] * 4)
    assert same.standard_uncertainty == pytest.approx(1 / 12**0.5)


def test_repeats_that_cannot_be_used() -> None:
    with pytest.raises(InputError, match="has no unit; write it as in 'stage"):
        calibrate_reticle({"stage": [1.0], "divisions": [40]})
    with pytest.raises(InputError, match="and no divisions"):
        calibrate_reticle({"stage (mm)": [1.0]})
    with pytest.raises(InputError, match="length of zero or less"):
        calibrate_reticle({"stage (mm)": [1.0], "divisions": [0]})
    with pytest.raises(InputError, match="voltages of one sign"):
        repeat_balance([227.0, -227.0])
    with pytest.raises(InputError, match="row 2 holds nothing but '2'; fill it"):
        repeat_balance({"V": ["227", ""], "clock": ["1", "2"]})
    with pytest.raises(InputError, match="no row that is kept"):
        repeat_balance({"V": ["227"], "keep": ["no"]})
