"""Pictures of a run: every row is there, and what was discarded can be seen."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from running_path import running_evidence

import quantize as qz
from quantize.charge import Run, joint_unit, read_run, unit_in_coulombs
from quantize.show.plots import style
from quantize.show.plots.coulombs import _budgets, _parts, _shared, plot_coulombs
from quantize.show.sentences import input_name

DATA = Path(qz.__file__).parent / "data"
BENCH = {
    "plates": {"separation": "4.24 +/- 0.02 mm", "voltage": "227 +/- 1 V"},
    "sphere": {"weight": "5.01(8)e-14 N", "diameter": "2.1 +/- 0.02 um", "density": "1055 kg/m3"},
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
    ax = plot_coulombs(found)
    widths = sorted(bar.get_width() for bar in ax.patches)
    np.testing.assert_allclose(widths, sorted(100 * found.budget["share"]))
    whole = {t.get_text().replace("\n", " ") for t in ax.get_yticklabels()}
    assert whole == {input_name(name) for name in found.budget["input"]}
    assert sum(widths) == pytest.approx(100)
    ax = found.plot(view="routes")
    names = found.routes["route"].tolist()[::-1]
    assert [t.get_text() for t in ax.get_yticklabels()] == ["what all routes share", *names]
    for name in ("png", "svg"):
        assert style.picture(ax, name)


@pytest.mark.filterwarnings("ignore::quantize.QuantizeWarning")
def test_the_shared_error_is_drawn_once() -> None:
    found = unit_in_coulombs(10.0, BENCH, unit_err=0.1)
    budgets = {name: _parts(budget, value) for name, budget, value in _budgets(found)}
    for row in found.routes.to_dict("records"):
        # JCGM 100:2008, equation 10: the squares of the contributions add up.
        whole = sum(part**2 for part in budgets[row["route"]].values())
        assert whole == pytest.approx((row["standard_uncertainty"] / row["value"]) ** 2)
    shared = _shared(list(budgets.values()))
    # The unit in divisions enters every route to the first power.
    assert shared["unit"] == pytest.approx(0.01)
    ax = found.plot(view="routes")
    [bar] = [line for line in ax.lines if line.get_linewidth() == 5]
    half = 0.5 * float(np.ptp(np.asarray(bar.get_xdata(), float)))
    # Without the shared part every bar is shorter than the whole uncertainty.
    own = dict(zip(found.routes["route"][::-1], _halves(ax), strict=True))
    whole = dict(
        zip(found.routes["route"], found.routes["standard_uncertainty"] * 1e19, strict=True)
    )
    assert all(own[name] < whole[name] for name in whole)
    assert 0 < half <= min(found.routes["standard_uncertainty"]) * 1e19


def _halves(ax: object) -> list[float]:
    """Half the length of every error bar, from the lowest route up."""
    bars = [c.lines[2][0].get_segments()[0] for c in ax.containers]  # type: ignore[attr-defined]
    return [0.5 * float(bar[1, 0] - bar[0, 0]) for bar in bars]


def test_residuals_of_the_lines_add_up(run: Run) -> None:
    upper = run.plot(view="voltage")
    lower = upper.figure.axes[1]
    drawn = np.concatenate(
        [line.get_ydata() for line in lower.lines if line.get_marker() not in ("", "None")]
    )
    driven = run.driven
    fall = float((run.falls["divisions"] / run.falls["seconds"]).mean())
    expected = []
    for _, rows in driven.groupby("state", sort=False):
        v = rows["voltage"].to_numpy(float)
        speed = (rows["divisions"] / rows["seconds"]).to_numpy(float) - fall
        slope, *_ = np.linalg.lstsq(v[:, None], speed, rcond=None)
        expected.append(speed - slope[0] * v)
    np.testing.assert_allclose(np.sort(drawn), np.sort(np.concatenate(expected)), atol=1e-12)


def test_the_scatter_of_each_state_stands_beside_the_predicted_one(run: Run) -> None:
    ax = run.plot(view="scatter")
    [points] = [line for line in ax.lines if line.get_marker() == "o"]
    driven = run.driven
    moved = driven["divisions"] / driven["seconds"] * run.interval
    own = moved.groupby([driven["state"], driven["voltage"]], sort=False).agg(["std", "size"])
    own = own[own["size"] > 1]
    np.testing.assert_allclose(points.get_ydata(), own["std"], atol=1e-12)
    [bars] = [c for c in ax.containers if c.has_yerr]
    [ends] = bars.lines[2]
    # A published table of chi-square: 0.216 and 9.348 cut off 2.5 % each at 3 degrees of freedom.
    four = int(np.flatnonzero((own["size"] == 4) & (own["std"] > 0))[0])
    low, high = ends.get_segments()[four][:, 1] / own["std"].iloc[four]
    assert low == pytest.approx(np.sqrt(3 / 9.348), rel=1e-3)
    assert high == pytest.approx(np.sqrt(3 / 0.216), rel=2e-3)


def test_the_fall_against_charge_has_the_slope_of_the_residual_voltage() -> None:
    page = {
        "state": list("aabbccdd"),
        "V": [200, 0] * 4,
        "div": [0, -59.4, 10, -59.3, 20, -59.2, -30, -59.7],
        "t": [10.0] * 8,
    }
    run = read_run(page)
    upper = run.plot(view="fall")
    lower = upper.figure.axes[1]
    [line] = [line for line in lower.lines if line.get_linestyle() == "--"]
    x, y = (np.asarray(values, float) for values in line.get_data())
    # A left-over voltage v at the balance voltage V changes the fall F by F·v/V for each charge
    # that balances: the two volts of the worked example of `residual_voltage`.
    slope = float(np.diff(y)[0] / np.diff(x)[0])
    assert -slope / run.fall().value * 200 == pytest.approx(2.0, abs=0.05)  # type: ignore[union-attr]


@pytest.mark.filterwarnings("ignore::quantize.QuantizeWarning")
def test_several_particles_stand_below_each_other() -> None:
    units = {label: unit_in_coulombs(u, BENCH, unit_err=0.1) for label, u in (("$A", 10), ("B", 9))}
    found = joint_unit(units)
    ax = found.plot()
    assert [t.get_text() for t in ax.get_yticklabels()] == ["$A", "B", "joint"]
    assert style.picture(ax, "svg")


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
        "V": [227, 227, 0],
        "div": [3, 5, -20],
        "t": [10, 10, 10],
    }
    ax = read_run(rows).plot()
    assert all(len(t.get_text()) <= 8 for t in ax.texts)
    assert style.picture(ax)
