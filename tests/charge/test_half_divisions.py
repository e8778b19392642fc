"""Readings to a fraction of a division: the step is seen, and the one declared is honoured."""

import math

import numpy as np
import pytest
from plain_bench import PlainBench
from scipy import stats

from quantize import charge
from quantize.charge.reticle import written_step
from quantize.charge.rows import predicted_scatter

HALVES = PlainBench(step=0.5, weight_of="this sphere")


def as_distances(page):
    return page.assign(div=page["end"] - page["start"]).drop(columns=["start", "end"])


@pytest.mark.slow
@pytest.mark.parametrize("ends", [True, False])
def test_half_divisions_on_clean_benches_do_not_heap(rng, ends):
    # A check doubts below 1 in 100: more than 3 of 25 sound pages has a probability of 1e-4.
    doubt, seen = 0, set()
    for _ in range(25):
        drawn = HALVES.draw(rng)
        page = drawn.page if ends else as_distances(drawn.page)
        run = charge.Run(page, drawn.apparatus)
        check = run.checks().of("last digits")
        seen.add(check.level)
        doubt += check.level in ("doubt", "bad")
        assert run.resolution() == 0.5
        assert run.readings().resolution == pytest.approx(0.5)
    assert doubt <= 3
    assert ("good" in seen) is ends


def test_the_sentence_says_what_was_counted(rng):
    drawn = HALVES.draw(rng)
    check = charge.Run(drawn.page, drawn.apparatus).checks().of("last digits")
    assert "positions end on a whole division where half would by chance" in check.sentence
    # Every half rounded up to the next whole division by hand, but for one reading.
    page = drawn.page.copy()
    page.loc[1:, ["start", "end"]] = np.ceil(page.loc[1:, ["start", "end"]])
    page.loc[0, ["start", "end"]] = 5.5
    bench = {**drawn.apparatus, "reticle": {**drawn.apparatus["reticle"], "step": "0.5 div"}}
    check = charge.Run(page, bench).checks().of("last digits")
    assert check.level == "bad"


def test_the_scatter_of_half_divisions_is_predicted(rng):
    # Chi-square of 40 pages with 16 degrees of freedom each; one in 10,000 either way.
    total, degrees = 0.0, 0
    for _ in range(40):
        drawn = HALVES.draw(rng)
        run = charge.Run(drawn.page, drawn.apparatus)
        observed, freedom = run.scatter()
        predicted = predicted_scatter(run)
        assert predicted.rounding == pytest.approx(0.5 / math.sqrt(6))
        total += freedom * observed**2 / np.mean(predicted.total**2)
        degrees += freedom
    low, high = stats.chi2.ppf([1e-4, 1 - 1e-4], degrees)
    # The weight is known to 1 %, and the speeds of a state differ: 2 % of room.
    assert 0.98 * low < total < 1.02 * high


def test_a_declared_step_goes_everywhere():
    page = {"V": [200.0] * 4 + [0.0] * 2, "div": [3.1, 7.2, 10.4, 3.3, -40.2, -40.9],
            "t": [10.0] * 4 + [5.0] * 2, "state": list("abca") + [""] * 2}  # fmt: skip
    bench = {
        "sphere": {"diameter": "2 um"},
        "reticle": {"division": "25 um", "step": "0.5 div"},
        "run": {"interval": "10 s"},
    }
    run = charge.Run(page, bench)
    assert run.resolution() == 0.5
    assert run.readings().resolution == pytest.approx([0.5] * 4)
    assert predicted_scatter(run).rounding == pytest.approx([0.5 / math.sqrt(6)] * 4)
    assert run.rounding(run.falls) == pytest.approx([2 * 0.5 / math.sqrt(6)] * 2)
    written = charge.Run(page, {**bench, "reticle": {"division": "25 um"}})
    assert written.resolution() == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("positions", "step"),
    [
        ([7.5, 12, 3.5, 8, 10.5, 4], 0.5),
        ([7.5, 12, 3.5, 8, 10.5], 0.1),  # five could be chance: 0.2 to the fifth is 3e-4
        ([7.5, 12, 3.5, 8, 10.4, 4, 5, 6], 0.1),
        ([7.25, 12, 3.75, 8, 10.5, 4.25], 0.25),
        ([7.2, 12.4, 3.6, 8, 10.8, 4.2, 1.6, 3.8, 2.2, 9.4, 11.2, 6, 5.6, 3.2], 0.2),
        ([5, 10, 15, 20, 25, 30], 1.0),
        ([math.pi, math.e, 2.5], None),
    ],
)
def test_what_a_page_shows_of_its_step(positions, step):
    assert written_step(np.array(positions, dtype=float)) == step


def any_size():
    """Ten distances and six falls, in divisions of 25 um."""
    rng = np.random.default_rng(0)
    return np.r_[rng.uniform(-40, 40, 10), -60.3 + 0.9 * rng.normal(size=6)]


def in_lengths(values, division, name):
    """A run of distances recorded to a tenth of a millimetre, in one unit or the other."""
    millimetres = np.round(values * 0.025, 1)
    column = {
        "distance (mm)": millimetres,
        "distance (um)": np.round(millimetres * 1000),
    }[name]
    volts = [200.0] * (values.size - 6) + [0.0] * 6
    bench = {
        "sphere": {"diameter": "2 um", "density": "1050 kg/m3"},
        "reticle": {"division": f"{division} um"},
        "air": {"temperature": "293 K", "pressure": "101325 Pa"},
        "watch": {"press": "0.05 s"}, "run": {"interval": "10 s"},
    }  # fmt: skip
    state = [str(i) if v else "" for i, v in enumerate(volts)]
    return charge.Run({"V": volts, name: column, "t": [10] * len(volts), "state": state}, bench)


@pytest.mark.parametrize("division", [25.0, 24.7])
def test_lengths_have_the_step_in_which_they_are_written(division):
    one, other = (in_lengths(any_size(), division, f"distance ({unit})") for unit in ("mm", "um"))
    # Each position is rounded at both ends.
    rounded = 100 / division / math.sqrt(6)
    for run in (one, other):
        assert run.resolution() == pytest.approx(100 / division)
        assert predicted_scatter(run).rounding == pytest.approx(np.full(10, rounded))
    mine, yours = one.readings(), other.readings()
    assert yours.values == pytest.approx(mine.values)
    assert yours.resolution == pytest.approx(mine.resolution)


@pytest.mark.slow
def test_a_comb_of_the_record_is_no_comb_of_the_readings():
    # Of any size, to 0.1 mm, which is 4 divisions of 25 um. As tenths of such a millimetre the same
    # readings were called steps of 4.000 divisions.
    found = in_lengths(any_size(), 25.0, "distance (mm)").analyze((3, 12), n_resamples=99, rng=1)
    assert found.verdict != "steps"
    assert abs(found.unit - 4) > 0.5


def test_times_have_the_step_in_which_they_are_written():
    # Passages timed to a hundredth of a minute.
    page = {"V": [200] * 5 + [0] * 3, "div": [20] * 5 + [-20] * 3}
    minutes = [0.15, 0.21, 0.34, 0.16, 0.22, 0.05, 0.06, 0.05]
    bench = {"run": {"timing": "fixed distance"}}
    run = charge.Run(page | {"t (min)": minutes}, bench)
    seconds = charge.Run(page | {"t (s)": np.array(minutes) * 60}, bench)
    rows = run.driven
    speed = 20 / (np.array(minutes[:5]) * 60)
    expected = speed**2 / 20 * 0.6 / math.sqrt(12) * run.interval
    assert run.rounding(rows) == pytest.approx(expected)
    # Written in seconds they show a step of 0.6, 0.2 or 0.1 s, as the last decimals say.
    assert (seconds.rounding(seconds.driven) < run.rounding(rows)).all()
