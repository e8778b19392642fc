"""Lines of the budget that an apparatus file asks for, each against its own source."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import quantize as qz
from quantize import charge
from quantize._support.errors import InputError
from quantize.charge import SlipCorrection, air
from quantize.charge.apparatus import Apparatus
from quantize.charge.drag import PUBLISHED, triples_apart
from quantize.charge.stated import expanded

DATA = Path(qz.__file__).parent / "data"
FALL, DRAG, RATIO = "fall and rise, radius from the fall", "drag, diameter known", (
    "ratio, weight given"
)  # fmt: skip


def bench(**declared: str) -> Apparatus:
    """The invented bench with a few declarations more, the dot written as two lines."""
    import dataclasses

    given = charge.load_apparatus(DATA / "invented_apparatus.toml")
    words = {name.replace("__", "."): word for name, word in declared.items()}
    return dataclasses.replace(given, declared=given.declared | words)


def unit(apparatus: Apparatus, route: str) -> Any:
    run = charge.read_run(DATA / "invented_run.csv", apparatus)
    return charge.unit_in_coulombs(
        10.165, apparatus, unit_err=0.03, run=run, route=route, trials=200
    )


def lines(found: Any) -> Any:
    return found.budget.set_index("input")


def test_moist_air_lies_between_two_formulas_as_an_independent_library_does() -> None:
    # CoolProp: vapour by IAPWS, and its own model of humid air (general reference library).
    from CoolProp.CoolProp import PropsSI
    from CoolProp.HumidAirProp import HAPropsSI

    for t in (288.15, 293.15, 298.15):
        vapour = PropsSI("V", "T", t, "D", 1e-4, "Water")
        assert air.vapour_viscosity(t) == pytest.approx(vapour, rel=1e-4)
        moist, dry = (HAPropsSI("M", "T", t, "P", 101325, "R", h) for h in (0.5, 0.0))
        low, middle, high = (air.moistening(t, 101325.0, 0.5, b) for b in (-1, 0, 1))
        assert low < moist / dry < high < 1
        assert middle == pytest.approx(moist / dry, abs=1e-3)
    assert air.moistening(293.15, 101325.0, 0.0) == pytest.approx(1.0, abs=1e-12)


def test_moist_air_in_the_viscosity_when_it_is_asked_for() -> None:
    # Viscosity enters drag with the first power, fall and rise with 3/(2 - epsilon) = 1.553 here.
    moist = bench(air__viscosity_of="moist air")
    factor = air.moistening(294.95, 100900.0, 0.45)
    for route, power in ((DRAG, 1.0), (FALL, 1.5535)):
        ratio = unit(moist, route).value / unit(bench(), route).value
        assert ratio == pytest.approx(factor**power, rel=1e-5)
        assert lines(unit(moist, route)).loc["humidity formula", "share"] > 0
    assert unit(moist, RATIO).value == unit(bench(), RATIO).value
    without = Apparatus.of({"air": {"viscosity_of": "moist air"}})
    assert without.word("air.viscosity_of") == "moist air"


def test_the_choice_of_the_triple_is_a_line_of_its_own() -> None:
    # Half the span of the four published factors, a rectangle (JCGM 100, 4.3.7).
    slips = [SlipCorrection(n).factor(2.1e-6, 294.95, 100900.0) for n in PUBLISHED]
    half = (max(slips) - min(slips)) / (max(slips) + min(slips))
    assert triples_apart(2.1e-6, 294.95, 100900.0) == pytest.approx(half)
    chosen = bench(budget__slip="choice of triple")
    line = lines(unit(chosen, DRAG)).loc["slip formula"]
    assert line["standard_uncertainty"] == pytest.approx(half / math.sqrt(3))
    assert line["exponent"] == pytest.approx(-1)
    values = [
        unit(bench(air__slip=name, budget__slip="choice of triple"), DRAG).value
        for name in PUBLISHED
    ]
    assert (max(values) - min(values)) / (max(values) + min(values)) == pytest.approx(
        half, rel=1e-3
    )


def test_the_walls_are_corrected_as_the_check_says_they_would_be() -> None:
    # 1.4516 a/l, midway between the plates (docs/theory/charge.md): the drag route is too small
    # by as much, fall and rise by half as much again.
    slowed = 1.4516 * 2.10e-6 / 4.24e-3
    walls = bench(budget__walls="corrected")
    by_drag = unit(walls, DRAG).value / unit(bench(), DRAG).value - 1
    assert by_drag == pytest.approx(slowed, rel=1e-3)
    by_fall = unit(walls, FALL).value / unit(bench(), FALL).value - 1
    assert 1.4 < by_fall / slowed < 1.7
    # Known to half of itself.
    share = lines(unit(walls, DRAG)).loc["wall drag"]
    assert share["contribution"] / unit(walls, DRAG).value == pytest.approx(
        slowed / 2 / math.sqrt(3), rel=1e-2
    )
    assert unit(walls, RATIO).value == unit(bench(), RATIO).value


def test_the_images_are_a_line_of_the_balance() -> None:
    # q = w d/V; q²/(16 pi eps0 (d/2)²) over w, by hand.
    w, d, v = 5.15e-14, 4.24e-3, 227.4
    pull = (w * d / v) ** 2 / (16 * math.pi * 8.8541878e-12 * (d / 2) ** 2) / w
    line = lines(unit(bench(budget__image="budgeted"), RATIO)).loc["image force"]
    assert line["standard_uncertainty"] == pytest.approx(pull / math.sqrt(3), rel=1e-6, abs=0)
    assert line["exponent"] == 0
    assert abs(line["slope"]) > 1e-19


def test_a_biased_hand_on_the_watch() -> None:
    # 0.1 s more than the 10 s shown: speeds are 1 % lower, and so is the charge by drag.
    late = bench().changed(watch__bias="0.10 +/- 0.05 s")
    assert unit(late, DRAG).value / unit(bench(), DRAG).value == pytest.approx(1 / 1.01)
    line = lines(unit(late, DRAG)).loc["watch.bias"]
    assert line["contribution"] / unit(late, DRAG).value == pytest.approx(0.05 / 10.1, rel=1e-4)
    assert unit(late, RATIO).value == unit(bench(), RATIO).value


@pytest.mark.parametrize("route", [RATIO, DRAG, FALL, None])
def test_a_biased_watch_changes_no_charge_however_long_the_readings(route: str | None) -> None:
    # The true times by two watches: a right one, and one that shows 1 % and 0.2 s too little.
    true = np.array([10.0, 5.0, 20.0, 10.0, 12.0])
    page = {"V": [227.4] * 4 + [0], "div": [-20.0, -5.1, 60.7, 10.2, -72.9]}

    def charges(seconds: Any, **watch: str) -> Any:
        late = bench().changed(**watch) if watch else bench()
        late = late.changed(run__interval=f"{seconds[0]!r} s")
        return charge.read_run(page | {"t": seconds}, late).charges(route=route)["charge"][:4]

    shown = charges(((true - 0.2) / 1.01).tolist(), watch__bias="0.2 s", watch__rate="1.01")
    assert shown.to_numpy() == pytest.approx(charges(true.tolist()).to_numpy(), rel=1e-5, abs=0)


def test_the_error_of_a_bias_is_in_falls_that_last_otherwise() -> None:
    # To first order F goes with 1/t - 1/T, t and T being the true times.
    page = {"V": [200] * 4 + [0] * 4, "div": [9, 10, 11, 10, -30.1, -29.8, -30.4, -29.9]}
    falls = {}
    for seconds in (5.0, 10.0):
        table = page | {"t": [10.0] * 4 + [seconds] * 4}
        for bias in ("0.2 s", "0.2 +/- 0.1 s"):
            run = charge.read_run(table, bench().changed(watch__bias=bias))
            falls[seconds, bias] = run.fall_as_read()
    exact, unsure = falls[5.0, "0.2 s"], falls[5.0, "0.2 +/- 0.1 s"]
    added = math.sqrt(unsure.standard_uncertainty**2 - exact.standard_uncertainty**2)
    assert added == pytest.approx(exact.value * 0.1 * (1 / 5.2 - 1 / 10.2), rel=1e-6)
    assert unsure.degrees_of_freedom > exact.degrees_of_freedom
    # Where all last as long it moves falls and readings alike, and is in the budget already.
    assert falls[10.0, "0.2 +/- 0.1 s"].standard_uncertainty == pytest.approx(
        falls[10.0, "0.2 s"].standard_uncertainty
    )


def test_the_error_of_a_bias_is_in_the_unit_of_readings_that_last_otherwise() -> None:
    # The change of the unit from 0.2 s to 0.3 s, the error of the bias; the falls last as they do.
    units, lasted = [2, 3, 4, 5, 7, 8, 9, 10], [6, 12, 5, 20, 8, 4, 5, 3]
    moved = [(10.1 * n - 60) * t / 10 for n, t in zip(units, lasted, strict=True)]
    page = {"V": [200] * 8 + [0] * 100, "div": [*moved, *[-60.05, -59.95] * 50]}
    page |= {"t": [*lasted, *[10] * 100]}

    def fitted(bias: str) -> charge.RunFit:
        return charge.read_run(page, bench().changed(watch__bias=bias)).fit((8, 13))

    exact, unsure, later = (fitted(bias) for bias in ("0.2 s", "0.2 +/- 0.1 s", "0.3 s"))
    for error in ("unit_err", "unit_err_given_fall"):
        added = math.sqrt(getattr(unsure, error) ** 2 - getattr(exact, error) ** 2)
        assert added == pytest.approx(abs(later.unit - exact.unit), rel=0.1)


def test_a_bias_longer_than_a_reading_is_refused() -> None:
    page = {"V": [227.4, 227.4, 0], "div": [-20.0, -5.1, -60.0], "t": [10.0, 0.5, 10.0]}
    run = charge.read_run(page, bench().changed(watch__bias="-0.8 s"))
    with pytest.raises(InputError, match=r"takes 0\.8 s off every time, and a row .* 0\.5 s"):
        run.fit((1, 20))


def test_stokes_as_it_stands_and_the_form_with_one_constant() -> None:
    # Millikan 1913: 1 + b/(p a), b = 8.226e-3 Pa m (from memory); at 23 °C that is the constant.
    a, p = 1.0e-6, 101325.0
    one = SlipCorrection("one term").factor(2 * a, 296.15, p)
    assert one == pytest.approx(1 + 8.226e-3 / (p * a))
    assert SlipCorrection("none").factor(2 * a, 296.15, p) == 1
    with pytest.warns(qz.QuantizeWarning, match="likeliest to be wrong"):
        bare = unit(bench(air__slip="none"), FALL)
    # Without slip the exponent of the viscosity is 3/2 exactly.
    assert lines(bare).loc["viscosity formula", "exponent"] == pytest.approx(1.5, rel=1e-6)
    assert bare.value > unit(bench(), FALL).value
    with pytest.raises(InputError, match="'one term', 'none'"):
        Apparatus.of({"air": {"slip": "some"}})


def test_the_expanded_uncertainty_in_the_words_of_the_guide() -> None:
    # JCGM 100, G.2: t for 16 degrees of freedom and 95 %, rounded down from 16.7: 2.12.
    from scipy.stats import t

    found = unit(bench(), RATIO)
    text = " ".join(str(found).split())
    assert "with k = 1.96 for a coverage probability of 95 %" in text
    assert "effective degrees of freedom" in text
    assert "many" not in text
    words = expanded(10.0, 0.1, float(t.ppf(0.975, 16)), 16.7, "V")
    assert words.startswith("expanded uncertainty U = 0.21 V with k = 2.12 for")
    assert words.endswith("effective degrees of freedom 16")


def test_the_shared_part_of_every_charge_against_a_formula_by_hand() -> None:
    # q = (x + F)/F w d/V: relative errors of w, d, V as they are, and of F times x/(x + F), which
    # is nothing at balance.
    rows = {"state": [1, 2, 3], "V": [200, 200, 200], "div": [0, 20, -30]}
    given = {
        "plates": {"separation": "4.00 +/- 0.02 mm", "voltage": "200 +/- 1 V"},
        "sphere": {"weight": "5.00e-14 +/- 0.05e-14 N", "weight_of": "this sphere"},
        "fall": {"divisions": "60 +/- 0.6 div"},
    }
    table = charge.Run(rows, given).charges()
    for x, q, shared in zip(rows["div"], table["charge"], table["shared_uncertainty"], strict=True):
        assert q == pytest.approx((x + 60) / 60 * 5e-14 * 4e-3 / 200, rel=1e-9, abs=0)
        parts = (0.005, 0.005, 0.01, 0.01 * x / (x + 60))
        assert shared / q == pytest.approx(math.sqrt(sum(part**2 for part in parts)), rel=1e-4)
    # Nothing is said of a fall, nor of a row that moved as an uncharged sphere falls.
    none = charge.Run({"V": [200, 0, 200], "div": [0, -60, -60]}, given).charges()
    assert none["shared_uncertainty"].isna().tolist() == [False, True, True]


def test_charges_of_two_particles_stand_in_the_order_of_their_rows() -> None:
    rows = {
        "particle": [1, 2, 1, 2, 1, 2], "state": [1, 1, 2, 2, "", ""],
        "V": [200, 200, 200, 200, 0, 0], "div": [0, 0, 20, -30, -60, -50],
    }  # fmt: skip
    given = {
        "plates": {"separation": "4.00 mm", "voltage": "200 +/- 1 V"},
        "sphere": {"weight": "5.00e-14 N", "weight_of": "the batch"},
    }
    table = charge.Run(rows, given).charges()
    assert table["particle"].tolist() == ["1", "2"] * 3
    assert table.index.tolist() == list(range(6))
    # q = (x + F)/F w d/V, with the fall of its own particle.
    wanted = np.array([1.0, 1.0, 80 / 60, 20 / 50]) * 5e-14 * 4e-3 / 200
    assert table["charge"].to_numpy()[:4] == pytest.approx(wanted, rel=1e-9, abs=0)
    assert table.attrs["exact"] == ("plates.separation", "sphere.weight")


def test_routes_that_a_line_on_request_leaves_out_are_named() -> None:
    import dataclasses

    def without_diameter(apparatus: Apparatus) -> Apparatus:
        left = {k: v for k, v in apparatus.quantities.items() if k != "sphere.diameter"}
        return dataclasses.replace(apparatus, quantities=left)

    asked = unit(without_diameter(bench(budget__slip="choice of triple")), RATIO).notes
    (note,) = [note for note in asked if note.startswith("left out")]
    assert FALL in note
    assert "the choice of a slip correction needs it; add diameter" in note
    plain = unit(without_diameter(bench()), RATIO).notes
    assert not [note for note in plain if note.startswith("left out")]
