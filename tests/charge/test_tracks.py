"""Pages of positions and times."""

import math

import numpy as np
import pandas as pd
import pytest

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge import Run, drag
from quantize.charge.apparatus import Apparatus
from quantize.charge.page import read_page
from quantize.charge.tracks import _diffusion, _tracks

D, NOISE, UNIT, HELD = 0.03, 0.1, 10.0, 6  # divisions²/s, divisions, divisions in 10 s
STATES = (6, 4, 7, 3, 5, 9, 2, 8)
BARE = Apparatus.of({})


def positions(speed, rng, n=20, seconds=10.0):
    """A walk with drift, seen with an error."""
    t = np.linspace(0, seconds, n + 1)
    walk = np.cumsum(rng.normal(0, math.sqrt(2 * D * seconds / n), size=n))
    return t, speed * t + np.concatenate([[0], walk]) + rng.normal(0, NOISE, size=n + 1)


def page_of_tracks(seed, repeats=2):
    rng = np.random.default_rng(seed)
    rows, track = [], 0
    for state, n in enumerate(STATES, start=1):
        for volts in [200.0] * repeats + [0.0]:
            track += 1
            speed = UNIT * ((n if volts else 0) - HELD) / 10
            t, x = positions(speed, rng)
            rows += [(state, volts, track, a, round(b + 50, 2)) for a, b in zip(t, x, strict=True)]
    return pd.DataFrame(rows, columns=["state", "V", "track", "t (s)", "position"])


def test_a_track_is_read_as_the_generalised_line():
    rng = np.random.default_rng(1)
    t, x = positions(2.0, rng)
    x = x.round(1)
    bench = {
        "sphere": {"diameter": "2 um"},
        "reticle": {"division": "25 um"},
        "air": {"temperature": "293.15 K", "pressure": "101325 Pa"},
    }
    run = Run({"t": t, "position": x, "V": [200.0] * 21}, bench)
    mobility = drag.mobility(
        2e-6, charge.Air().viscosity, charge.SlipCorrection().factor(2e-6, 293.15, 101325.0)
    )
    scale = charge.Reticle(division="25 um", step=0.1)
    found = scale.track(t, x, diffusion=float(drag.diffusion(mobility, 293.15)))
    row = run.table.iloc[0]
    assert row["seconds"] == 10
    assert row["positions"] == 21
    assert row["divisions"] == pytest.approx(found.value * 10 / 25e-6, rel=1e-6)
    assert row["track_error"] == pytest.approx(found.standard_uncertainty * 10 / 25e-6, rel=1e-6)
    assert "21 positions form 1 tracks" in run.remarks[0]
    assert "from the diameter" in run.remarks[0]


def test_brownian_motion_from_the_tracks_themselves():
    # 400 tracks of 20 steps: the relative error of D is about sqrt(2·(1 + …)/8000), measured here
    # from 16 batches; five standard errors.
    found = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        columns = {"track": [], "t": [], "position": []}
        for k in range(25):
            t, x = positions(1.5, rng)
            columns["track"] += [k] * t.size
            columns["t"] += t.tolist()
            columns["position"] += x.tolist()
        page = read_page(columns)
        found.append(_diffusion(_tracks(page, BARE), BARE)[0])
    assert np.mean(found) == pytest.approx(D, abs=5 * np.std(found, ddof=1) / 4)
    assert np.std(found) < 0.2 * D


@pytest.mark.slow
@pytest.mark.parametrize(("steps", "noise"), [(10, 0.29), (30, 0.2)])
def test_the_error_of_a_position_is_no_part_of_brownian_motion(steps: int, noise: float) -> None:
    # Uneven times, and errors as large as the steps; 40 batches of 60 tracks, five standard errors.
    true, found = 0.02, []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        columns: dict[str, list[float]] = {"track": [], "t": [], "position": []}
        for k in range(60):
            dt = rng.uniform(0.3, 1.7, steps)
            walk = np.cumsum(1.5 * dt + rng.normal(0, np.sqrt(2 * true * dt)))
            seen = np.concatenate([[0], walk]) + rng.normal(0, noise, size=steps + 1)
            columns["track"] += [k] * seen.size
            columns["t"] += [0.0, *np.cumsum(dt).tolist()]
            columns["position"] += seen.tolist()
        found.append(_diffusion(_tracks(read_page(columns), BARE), BARE)[0])
    error = np.std(found, ddof=1) / math.sqrt(40)
    assert error < 0.1 * true
    assert np.mean(found) == pytest.approx(true, abs=5 * error)


SEEN = {
    "sphere": {"diameter": "2 um"},
    "reticle": {"division": "24.7 um"},
    "air": {"temperature": "293.15 K", "pressure": "101325 Pa"},
}


@pytest.mark.parametrize(("column", "unit"), [("position (um)", 1.0), ("position (mm)", 1e-3)])
def test_the_step_of_positions_is_that_in_which_they_are_written(column: str, unit: float) -> None:
    # Written to 10 um, of which 24.7 make a division; the error is that of a rectangle.
    x = np.array([1200, 1150, 1110, 1060, 1000, 950]) * unit
    run = Run({"V": [200] * 6, "t": range(6), column: np.round(x, 3)}, SEEN)
    assert f"positions good to {10 / 24.7 / math.sqrt(12):.2g} divisions" in run.remarks[0]


def test_passages_that_follow_each_other_are_no_single_track() -> None:
    x = [20, 18, 16, 14, 12, 10]
    both = {"V": [200] * 12, "t": range(12), "position": x * 2}
    with pytest.raises(InputError, match="row 7 is 12 divisions from where the rest"):
        Run(both, SEEN)
    apart = Run(both | {"track": [1] * 6 + [2] * 6}, SEEN)
    assert apart.table["divisions"].round(6).tolist() == [-10, -10]
    # A track that is given up may be anything.
    given_up = both | {"keep": ["no"] * 12, "state": ["a"] * 12}
    more = {name: [*given_up[name], *last] for name, last in
            {"V": [200] * 6, "t": range(6), "position": x, "keep": ["yes"] * 6,
             "state": ["b"] * 6}.items()}  # fmt: skip
    assert Run(more, SEEN).table["kept"].tolist() == [False, True]


def test_what_any_row_of_a_track_says_is_heard() -> None:
    page = {"V": [200] * 6, "t": [*range(6)], "position": [20, 18, 16, 14, 12, 10]}
    blank = [""] * 6
    for name, word in (("event", "charge changed within the interval"), ("changed within", "yes")):
        cells = [*blank[:3], word, *blank[4:]]
        assert Run(page | {name: cells}, SEEN).table["changed"].tolist() == [True]
    # One position that is given up gives up the track, whatever the others say.
    both = {name: [*cells, *cells] for name, cells in page.items()}
    both |= {"state": ["a"] * 6 + ["b"] * 6, "keep": ["yes", "no", *blank[2:], "yes", *blank[1:]]}
    assert Run(both, SEEN).table["kept"].tolist() == [False, True]


def test_a_page_of_tracks_becomes_a_unit():
    page = page_of_tracks(3)
    run = Run(page, {"reticle": {"localisation": f"{NOISE} div"}, "run": {"interval": "10 s"}})
    assert len(run) == 3 * len(STATES)
    assert "from the tracks themselves" in " ".join(run.remarks)
    fit = run.fit((4, 25), sigma="predicted")
    assert fit.integers.tolist() == [n for n in STATES for _ in range(2)]
    assert fit.unit == pytest.approx(UNIT, abs=5 * fit.unit_err)
    # Scatter within states, 8 degrees of freedom, against what the tracks say of themselves.
    own = math.sqrt(np.mean(run.readings(sigma="predicted").sigma ** 2))
    assert 0.3 < run.scatter()[0] / own < 2.0
    assert run.readings().resolution is None


def test_tracks_end_where_the_time_goes_back_or_the_state_changes():
    page = {"t": [0, 1, 2, 0, 1, 2, 3, 4], "y": [0, 1, 2, 5, 6, 7, 9, 10],
            "state": list("aaaaaabb"), "V": [9] * 8}  # fmt: skip
    bench = {"sphere": {"diameter": "2 um"}, "reticle": {"division": "25 um"}}
    run = Run(page, bench)
    assert run.table["positions"].tolist() == [3, 3, 2]
    assert run.table["row"].tolist() == [1, 4, 7]


def test_lengths_and_discarded_tracks():
    page = {"t": [0, 1, 2, 0, 1, 2], "position [mm]": [0, 0.05, 0.1, 0, 0.1, 0.2],
            "track": [1, 1, 1, 2, 2, 2], "V": [9] * 6,
            "keep": ["", "", "", "", "no", ""], "reason": [""] * 4 + ["moth", ""]}  # fmt: skip
    bench = {"sphere": {"diameter": "2 um"}, "reticle": {"division": "25 um"}}
    run = Run(page, bench)
    assert run.table["divisions"].tolist() == pytest.approx([4, 8])
    assert run.table["kept"].tolist() == [True, False]
    assert run.table["reason"].tolist() == ["", "moth"]


@pytest.mark.parametrize(
    ("page", "says"),
    [
        ({"t": [0, 1], "position": [0, 1], "div": [3, 4]}, "positions and distances"),
        ({"position": [0, 1], "V": [1, 1], "div no": [1, 1]}, "none of the needed columns"),
        ({"t": [0, 1], "position": [0, ""], "V": [1, 1]}, "`position` is '' in row 2"),
        ({"t": [0, 0], "position": [0, 1], "V": [1, 1]}, "in row 2 as in the row above"),
        ({"t": [0, 1], "position": [0, 1], "track": [1, 2]}, "row 1 is the only one of its track"),
        ({"t": [0, 1], "position": [0, 1]}, "`sphere.diameter` is missing"),
        ({"t": [0, 1], "position": [0.123456789012, 1.3]}, "`reticle.localisation` is missing"),
        ({"t": [0, 1], "position [mm]": [0, 1]}, "is a length; give an apparatus"),
    ],
)
def test_what_is_wrong_with_a_page_of_tracks_is_said_in_one_sentence(page, says):
    with pytest.raises(InputError, match=says):
        Run(page)
