"""Pages as a class writes them: an interval in a header, falls and rises, a gate in mm."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from plain_bench import BOLTZMANN, CHARGE, GRAVITY, TEMPERATURE, mobility_of, weight_of
from scipy import stats

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.apparatus import Apparatus
from quantize.charge.headers import Header

PLATES = {"separation": "5.00(2) mm", "voltage": "400(1) V"}
AIR = {"temperature": f"{TEMPERATURE} K", "pressure": "101325 Pa", "humidity": "50 %"}


def oil(gate: str = "1.00 mm", **others: Any) -> dict[str, Any]:
    """A bench for timed passages."""
    return {
        "plates": PLATES,
        "air": AIR,
        "site": {"gravity": f"{GRAVITY} m/s2"},
        "sphere": {"density": "875 +/- 2 kg/m3"},
        "run": {"timing": "fixed distance", "distance": gate},
    } | others


def passages(gate: float, diameter: float, numbers: list[int]) -> tuple[list[float], list[float]]:
    """Times of fall and of rise of one drop at 400 V across 5 mm, by elementary physics.

    Those of a rise are such that its L/t is the mean of L/t over first passages, v + 2D/L (Folks
    and Chhikara, J. R. Stat. Soc. B 40:263, 1978), with D = kT times the mobility (Einstein 1905).
    """
    weight, mobility = weight_of(diameter, 875.0), mobility_of(diameter)
    lift = [n * CHARGE * 400 / 5e-3 - weight for n in numbers]
    excess = 2 * BOLTZMANN * TEMPERATURE * mobility / gate
    return [gate / (mobility * weight)] * len(numbers), [
        gate / (mobility * up + excess) for up in lift
    ]


# ---- headers ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "seconds"),
    [
        ("divisions moved in 10 s", None, 10),
        ("moved (div in 10 s)", "div", 10),
        ("div / 10 s", "div", 10),
        ("div per 5 sec", "div", 5),
        ("div (2.5 s)", "div", 2.5),
        ("divisions [in 10 seconds]", None, 10),
        ("distance (mm) in 0.5 min", "mm", 30),
        ("displacement in 10s", None, 10),
    ],
)
def test_the_header_of_a_distance_may_tell_its_time(
    text: str, unit: str | None, seconds: float
) -> None:
    header = Header(text)
    assert (header.name, header.unit, header.seconds) == ("divisions", unit, seconds)


@pytest.mark.parametrize(
    "text", ["time (s)", "div 10", "V / V", "distance / mm", "fall", "in 10 s"]
)
def test_other_headers_tell_no_time(text: str) -> None:
    assert Header(text).seconds is None


def test_a_page_of_divisions_moved_in_ten_seconds() -> None:
    page = {"no": [1, 2, 3], "particle": ["A", "", ""], "V": [227, 227, 0]}
    run = charge.Run(page | {"divisions moved in 10 s": [12, -9, -61]})
    assert run.table["seconds"].tolist() == [10, 10, 10]
    assert run.table["particle"].tolist() == ["A"] * 3
    assert any("lasts 10 s, as the column 'divisions moved in 10 s' says" in r for r in run.remarks)
    assert any("'no' only counts the rows" in r for r in run.remarks)
    # So it does where one of them was written twice by a slip.
    copied = {name: [*cells, cells[-1]] for name, cells in page.items()}
    del copied["particle"]
    twice = charge.Run(copied | {"state": list("aabb"), "div": [12, -9, -61, -62], "t": [10] * 4})
    assert twice.particles == ("1",)
    # A time that was written down counts, and the header fills the rest.
    both = charge.Run(page | {"div in 10 s": [12, -9, -61], "t (s)": ["", 20, ""]})
    assert both.table["seconds"].tolist() == [10, 20, 10]


# ---- a fall and a rise in a row -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("gate", "length"), [("1.00 mm", 1e-3), ("0.05 cm", 5e-4), ("300 um", 3e-4), ("2.1 um", 2.1e-6)]
)
def test_the_usual_oil_page_gives_back_the_charges_behind_it(gate: str, length: float) -> None:
    # Each drop one fall and one rise; the only approximation is the density of the air, 1.19
    # against CIPM-2007, 3e-5 of that of oil. No scale is needed.
    numbers, sizes = [3, 5, 2], [1.1e-6, 1.4e-6, 0.9e-6]
    times = [passages(length, size, [n]) for n, size in zip(numbers, sizes, strict=True)]
    page = {
        "drop": [1, 2, 3],
        "t_fall": [fall for (fall,), _ in times],
        "t_rise": [rise for _, (rise,) in times],
    }
    table = charge.Run(page, oil(gate)).charges().dropna(subset="charge")
    assert table.attrs["route"] == "fall and rise, radius from the fall"
    assert table["row"].tolist() == [1, 2, 3]
    assert table["charge"].to_numpy() / CHARGE == pytest.approx(numbers, rel=1e-4)


def test_states_of_one_drop_are_analyzed_with_their_falls() -> None:
    # Ten states of one drop, hand of 0.1 s on passages of about ten: sigma/u is near .05.
    numbers = [3, 5, 4, 7, 3, 6, 8, 4, 5, 9]
    falls, rises = passages(1e-3, 1.7e-6, numbers)
    rng = np.random.default_rng(3)
    page = {
        "state": list(range(1, 11)),
        "V": [400] * 10,
        "t_fall (s)": np.round(np.array(falls) + 0.1 * rng.standard_normal(10), 2),
        "t_rise (s)": np.round(np.array(rises) + 0.03 * rng.standard_normal(10), 2),
    }
    run = charge.Run(page, oil(watch={"press": "0.05 s"}))
    assert len(run.falls) == len(run.driven) == 10
    found = run.analyze(n_resamples=49, rng=1)
    assert found.verdict == "steps"
    assert found.integers.tolist() == numbers
    assert found.coulombs is not None
    # Four standard uncertainties.
    assert found.coulombs.value == pytest.approx(
        CHARGE, abs=4 * found.coulombs.standard_uncertainty
    )


def test_repeats_side_by_side_and_an_inverted_image_change_nothing() -> None:
    page = {"state": [1, 2], "V": [400, 400], "t_rise": [7.0, 9.0]}
    several = page | {"t_fall 1": [12.0, 12.1], "t_fall 2": ["", 12.2]}
    for inverted in (False, True):
        run = charge.Run(
            several,
            oil(run={"distance": "1 mm", "timing": "fixed distance", "image_inverted": inverted}),
        )
        assert run.falls["seconds"].tolist() == [12.0, 12.1, 12.2]
        assert (run.falls["divisions"] < 0).all()
        assert run.driven["seconds"].tolist() == [7.0, 9.0]
        assert (run.driven["divisions"] > 0).all()


def test_falls_and_rises_that_cannot_be_understood_are_refused() -> None:
    page = {"t_fall": [12.0], "t_rise": [7.0]}
    with pytest.raises(InputError, match=r"no voltage at which the sphere rose; give a column"):
        charge.Run(page | {"div": [40]})
    with pytest.raises(InputError, match="other times in 't'; keep the former"):
        charge.Run(page | {"V": [400], "div": [40], "t": [3]})
    with pytest.raises(InputError, match=r"'t_fall' and 't_rise \(min\)' in two units"):
        charge.Run({"t_fall": [12.0], "t_rise (min)": [0.2], "V": [400], "div": [40]})


def test_a_unit_of_the_times_is_kept() -> None:
    run = charge.Run({"t_fall / min": [0.2], "t_rise / min": [0.1], "V": [400], "div": [40]})
    assert run.table["seconds"].tolist() == pytest.approx([6, 12])


# ---- a gate as a length -------------------------------------------------------------------------


def test_the_gate_replaces_the_scale_in_the_budget() -> None:
    # q goes with speed to the power 1/2 + 1 and a little more for slip, so that 1 % of the gate is
    # 1.5 % to 1.7 % of the charge (design: exponent 3/(2 - epsilon)).
    falls, rises = passages(1e-3, 1.7e-6, [3, 5, 4])
    page = {"state": [1, 2, 3], "t_fall": falls, "t_rise": rises}
    run = charge.Run(page, oil("1.00 +/- 0.01 mm"))
    unit = charge.unit_in_coulombs(100.0, run.bench(), unit_err=1.0, run=run, trials=200)
    budget = unit.budget.set_index("input")
    assert "reticle.division" not in budget.index
    assert 1.5 < budget.loc["run.distance", "exponent"] < 1.7
    assert budget.loc["run.distance", "standard_uncertainty"] == pytest.approx(1e-5)
    assert "reticle.division" not in unit.exact
    # A scale in the file is not needed, and is then no second source of error.
    scaled = charge.Run(page, oil("1.00 +/- 0.01 mm", reticle={"division": "25.0(5) um"}))
    same = charge.unit_in_coulombs(
        100.0 / 25, scaled.bench(), unit_err=1 / 25, run=scaled, trials=200
    )
    assert same.value == pytest.approx(unit.value, rel=1e-9, abs=0)
    assert "reticle.division" not in set(same.budget["input"])


def test_divisions_counted_on_the_page_are_those_of_the_gate() -> None:
    falls, rises = passages(5e-4, 1.7e-6, [3, 5, 4])
    page = {"state": [1, 2, 3], "t_fall": falls, "t_rise": rises, "div": [20] * 3}
    run = charge.Run(page, oil("0.5 mm"))
    assert run.bench().need("reticle.division").value == pytest.approx(25e-6)
    charges = run.charges().dropna(subset="charge")["charge"].to_numpy() / CHARGE
    assert charges == pytest.approx([3, 5, 4], rel=1e-4)


@pytest.mark.slow
def test_charges_of_first_passages_are_right_on_average() -> None:
    # Two thousand rises over 5 divisions of 2 um, from the law of first passage: inverse Gaussian
    # with mean L/v and shape L²/(2D), of which the mean of L/t is 2D/L too high.
    gate, size = 1e-5, {"diameter": "0.5 um", "density": "1050 kg/m3"}
    bench = oil("5 div") | {"sphere": size, "reticle": {"division": "2 um"}}
    weight, mobility = weight_of(0.5e-6, 1050.0), mobility_of(0.5e-6)
    speed = mobility * (3 * CHARGE * 400 / 5e-3 - weight)
    diffusion = BOLTZMANN * TEMPERATURE * mobility
    mean, shape = gate / speed, gate**2 / (2 * diffusion)
    times = stats.invgauss(mean / shape, scale=shape).rvs(2000, random_state=1)
    page = {"V": [400] * 2000 + [0], "div": [5] * 2000 + [-5]}
    run = charge.Run(page | {"t": [*times, gate / (mobility * weight)]}, bench)
    charges = run.charges(route="ratio, weight from diameter")["charge"].dropna() / CHARGE
    error = 4 * charges.std() / math.sqrt(2000)
    assert charges.mean() == pytest.approx(3, abs=error)
    as_read = 3 * 2 * diffusion / gate / (speed + mobility * weight)
    assert as_read > 1.5 * error


def test_a_gate_is_a_length_or_divisions() -> None:
    read = Apparatus.of({"run": {"distance": "0.5 mm"}}).need("run.distance")
    assert (read.value, read.unit) == (5e-4, "m")
    assert Apparatus.of({"run": {"distance": 40}}).need("run.distance").unit == "div"
    assert Apparatus.of({"run": {"distance": "40 div"}}).need("run.distance").value == 40
    with pytest.raises(InputError, match="is a voltage"):
        Apparatus.of({"run": {"distance": "0.5 V"}})
    with pytest.raises(InputError, match="should lie between 1e-09 and 10 m"):
        Apparatus.of({"run": {"distance": "20 m"}})
