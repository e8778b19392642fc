"""The whole chain, from pages of simulated benches to the stated interval in coulombs."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from quantize.charge import Run, SimulatedBench, unit_in_coulombs

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
@pytest.mark.parametrize(
    "bench",
    [SimulatedBench(), SimulatedBench(imbalance=4.0, press=0.15, convection=0.2)],
    ids=["usual", "poor balance, slow thumb, drifting air"],
)
def test_coulomb_interval_covers_the_true_charge(bench):
    # 95 % nominal; 60 benches (docs/tables/bench_coverage.md has more), bound of four binomial
    # sigmas: a false alarm in 15,000.
    held, n = {}, 60
    for child in np.random.SeedSequence(31).spawn(n):
        page, apparatus, truth = bench.simulate(rng=child)
        apparatus["sphere"]["diameter_spread"] = f"{bench.diameter_spread} m"
        run = Run(page, {**apparatus, "sphere": {**apparatus["sphere"]}})
        values = run.joined()[0]
        integers = np.array(truth["units"], dtype=float)

        class Fit:
            unit = float(integers @ values / (integers @ integers))
            unit_err = float(run.scatter()[0] / math.sqrt(integers @ integers))

        Fit.integers = integers
        from quantize.charge.budgets import by_route, divisions_of
        from quantize.charge.routes import ROUTES

        divisions = divisions_of(Fit(), unit_err=None, run=run)
        for name in ROUTES:
            (ends,) = by_route(name, run.bench(), divisions).interval(0.95)
            held[name] = held.get(name, 0) + (ends[0] <= truth["charge"] <= ends[1])
    slack = 4 * math.sqrt(0.95 * 0.05 / n)
    assert {name: count / n for name, count in held.items()} == pytest.approx(
        dict.fromkeys(held, 0.95), abs=slack
    )


@pytest.mark.slow
def test_three_falls_are_student():
    # The interval from three falls holds the true fall 95 times in a hundred as Student-t, and
    # about 81 taken as normal (2 degrees of freedom: 0.811). 400 benches, five binomial sigmas;
    # rounding moves the shares a little.
    from scipy.stats import t

    n, student, normal = 400, 0, 0
    bench = SimulatedBench(states=((6, 1), (4, 1), (7, 1)), falls=3)
    for child in np.random.SeedSequence(32).spawn(n):
        page, apparatus, truth = bench.simulate(rng=child)
        fall = Run(page, apparatus).fall()
        assert fall.degrees_of_freedom == 2
        off = abs(fall.value - truth["fall"]) / fall.standard_uncertainty
        student += off < t.ppf(0.975, 2)
        normal += off < 1.96
    assert student / n == pytest.approx(0.95, abs=5 * math.sqrt(0.95 * 0.05 / n) + 0.015)
    assert normal / n == pytest.approx(0.811, abs=5 * math.sqrt(0.811 * 0.189 / n) + 0.03)


def test_the_invented_run_is_what_its_script_makes(tmp_path, monkeypatch, capsys):
    spec = importlib.util.spec_from_file_location(
        "make_invented_run", ROOT / "examples" / "make_invented_run.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    packaged = {n: (module.HERE / n).read_text(encoding="utf-8") for n in
                ("invented_run.csv", "invented_apparatus.toml")}  # fmt: skip
    monkeypatch.setattr(module, "HERE", tmp_path)
    monkeypatch.setattr("sys.argv", ["make_invented_run.py", "--write"])
    module.main()
    told = capsys.readouterr().out
    for name, text in packaged.items():
        assert (tmp_path / name).read_text(encoding="utf-8") == text
    # The whole chain on it finds the truth that only the script knows.
    true_unit = float(told.split("unit ")[1].split()[0])
    true_units = [int(n) for n in told.split("state: ")[1].splitlines()[0].split()]
    run = Run(tmp_path / "invented_run.csv", tmp_path / "invented_apparatus.toml")
    found = run.fit()
    assert found.unit == pytest.approx(true_unit, abs=4 * found.unit_err)
    labels = run.driven["state"].astype(int).to_numpy()
    assert found.integers.tolist() == [true_units[label - 1] for label in labels]
    result = unit_in_coulombs(found, run.bench(), run=run)
    assert result.value == pytest.approx(
        module.elementary_charge, abs=3 * result.standard_uncertainty
    )
