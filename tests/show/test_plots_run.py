"""Pictures of a run: every row is there, and what was discarded can be seen."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import quantize as qz
from quantize.charge import Run, read_run, unit_in_coulombs
from quantize.null.running import running_evidence
from quantize.show import style
from quantize.show.plots_run import plot_coulombs

DATA = Path(qz.__file__).parent / "data"
BENCH = {
    "plates": {"separation": "3.10 +/- 0.02 mm", "voltage": "271 +/- 1 V"},
    "sphere": {"weight": "2.80(5)e-14 N", "diameter": "1.8 +/- 0.02 um", "density": "1050 kg/m3"},
    "fall": {"divisions": "20.0 +/- 0.2 div"},
}


@pytest.fixture(scope="module")
def run() -> Run:
    return read_run(DATA / "invented_run.csv", DATA / "invented_apparatus.toml")


def count(ax: object) -> int:
    return sum(len(line.get_xdata()) for line in ax.lines if line.get_marker() not in ("", "None"))  # type: ignore[attr-defined]


def test_every_row_of_the_run_is_drawn(run: Run) -> None:
    ax = run.plot()
    assert count(ax) == len(run)
    [discarded] = [line for line in ax.lines if line.get_marker() == "x"]
    expected = np.flatnonzero(~run.table["kept"].to_numpy(bool)) + 1
    assert discarded.get_xdata().tolist() == expected.tolist()
    assert [t.get_text() for t in ax.texts] == [str(n) for n in range(1, 9)]


def test_speed_against_voltage_has_one_line_a_state(run: Run) -> None:
    ax = run.plot(view="voltage")
    assert count(ax) == len(run.used)
    lines = [line for line in ax.lines if line.get_marker() in ("", "None")]
    states = run.driven["state"].nunique()
    assert len(lines) == states + 1
    # All lines leave from the mean fall.
    fall = float((run.falls["divisions"] / run.falls["seconds"]).mean())
    starts = {round(float(line.get_ydata()[0]), 9) for line in lines[:-1]}
    assert starts == {round(fall, 9)}


def test_the_fall_is_drawn_with_its_error(run: Run) -> None:
    ax = run.plot(view="fall")
    assert count(ax) == len(run.falls)
    assert ax.get_ylabel() == "divisions fallen in 10 s"


def test_what_is_not_there_cannot_be_drawn() -> None:
    run = read_run({"div": [3, 5, 7], "t": [10, 10, 10]})
    with pytest.raises(qz.InputError, match="has no fall without field"):
        run.plot(view="fall")
    with pytest.raises(qz.InputError, match="has no row with a voltage"):
        run.plot(view="voltage")
    with pytest.raises(qz.InputError, match="`view` is 'pie'"):
        run.plot(view="pie")


@pytest.mark.filterwarnings("ignore::quantize.QuantizeWarning")
def test_budget_and_routes() -> None:
    found = unit_in_coulombs(10.0, BENCH, unit_err=0.1)
    bars = plot_coulombs(found).patches
    widths = sorted(bar.get_width() for bar in bars)
    np.testing.assert_allclose(widths, sorted(100 * found.budget["share"]))
    assert sum(widths) == pytest.approx(100)
    ax = plot_coulombs(found, view="routes")
    assert [t.get_text() for t in ax.get_yticklabels()] == found.routes["route"].tolist()[::-1]
    for name in ("png", "svg"):
        assert style.picture(ax, name)


def test_running_evidence_marks_where_one_may_stop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = 10 * rng.integers(-5, 6, size=20) + rng.normal(0, 1.0, size=20)
    found = running_evidence(values, (4, 25), (-60, 60))
    ax = found.plot()
    seen = int(np.isfinite(found.log_evidence).sum())
    assert count(ax) == seen
    limit = [line for line in ax.lines if set(line.get_ydata()) == {-np.log10(found.alpha)}]
    assert len(limit) == 1
    never = dataclasses.replace(found, crossed_at=None)
    assert len(never.plot().lines) == len(ax.lines) - (found.crossed_at is not None)


def test_hostile_labels_are_text() -> None:
    rows = {
        "state": ["$\\frac{1}{2$", "\x1b[31m", "x" * 10_000],
        "V": [271, 271, 0],
        "div": [3, 5, -20],
        "t": [10, 10, 10],
    }
    ax = read_run(rows).plot()
    assert all(len(t.get_text()) <= 8 for t in ax.texts)
    assert style.picture(ax)
