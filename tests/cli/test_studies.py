"""`compare` and `plan`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import Run

import quantize as qz
from quantize import charge

DATA = Path(qz.__file__).parent / "data"
PAGE, BENCH = str(DATA / "invented_run.csv"), str(DATA / "invented_apparatus.toml")
STUDY = ("--readings", "6", "--sigma", "0.1,0.2", "--replicates", "5", "--seed", "1")


def test_compare_prints_a_block_for_each_condition(quantize: Run) -> None:
    done = quantize("compare", *STUDY, "--estimator", "least squares", "--csv", "t.csv")
    assert (done.status, done.err) == (0, "")
    assert done.out.count("least squares") == 2
    assert done.out.rstrip().endswith("Seed 1")
    assert len(Path("t.csv").read_text().splitlines()) == 3


def test_compare_in_json_goes_on_from_a_checkpoint(quantize: Run) -> None:
    asked = ("compare", *STUDY, "--estimator", "least squares", "--checkpoint", "s.jsonl", "--json")
    first, again = (json.loads(quantize(*asked).out) for _ in range(2))
    assert first["schema"] == "quantize.cli.compare/1"
    assert first == again
    refused = quantize(*asked[:-1], "--tolerance", "0.1", "--integers", "1", "8")
    assert refused.status == 2
    assert "--checkpoint is 's.jsonl', kept by another study" in refused.err


def test_compare_counts_false_alarms_where_there_is_no_unit(quantize: Run) -> None:
    done = quantize("compare", *STUDY, "--family", "uniform", "--estimator", "cosine score")
    assert done.status == 0
    assert "cosine score" in done.out
    words = " ".join(done.out.split())
    assert "Where there is no unit, steps is the share of false alarms, at alpha 0.05" in words
    assert "true unit" not in words
    with_unit = " ".join(quantize("compare", *STUDY, "--estimator", "cosine score").out.split())
    assert "Right is within 5 % of the true unit" in with_unit
    assert "steps the share in which steps are found, at alpha 0.05." in with_unit
    assert "false alarms" not in with_unit


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("compare", "--readings", "ten"), "--readings is 'ten'; give numbers with commas"),
        (("compare", "--readings", "0"), "--readings is 0; it must be at least 1"),
        (("compare", "--estimator", "mean"), "--estimator names 'mean'; the names are"),
        (("compare", "--family", "no"), "--family is 'no'; it must be one of"),
        (("compare", "--csv", "no/t.csv"), "--csv is 'no/t.csv'"),
        (("plan",), "--sigma is missing"),
        (("plan", "--sigma", "0.1", "--power", "2"), "--power is 2"),
        (("plan", "--sigma", "0.1", "--integers", "1", "8"), "--integers is (1, 8)"),
        (("plan", "--sigma", "0.1", "--intervals", "5"), "--intervals is for a bench"),
        (("plan", "--sigma", "0.1", "--particle", "A"), "--particle is for a run"),
        (("plan", "--sigma", "0.1", "--unit", "-1"), "--unit is -1"),
        (("plan", "--apparatus", BENCH, "--unit", "3"), "--unit follows from the bench"),
        (
            ("plan", "--apparatus", BENCH, "--diameters", "2.1"),
            "--diameters is '2.1', with no unit",
        ),
        (("plan", "--apparatus", BENCH, "--target", "1"), "--target is 1; it must lie"),
        (("plan", PAGE, "--apparatus", BENCH, "--plot", "a.svg"), "--plot has no part in what to"),
        (("plan", PAGE, "--apparatus", BENCH, "--target", "1%"), "--target has no part in what to"),
    ],
)
def test_bad_input_to_studies_is_one_line(
    arguments: tuple[str, ...], message: str, quantize: Run
) -> None:
    done = quantize(*arguments)
    assert (done.status, done.out) == (2, "")
    assert done.err.count("\n") == 1
    assert message in done.err


def test_plan_answers_its_three_questions(quantize: Run) -> None:
    needed = quantize("plan", "--sigma", "0.1,0.2", "--plot", "plan.svg")
    assert needed.status == 0
    assert "Readings that show steps in 80 % of runs" in needed.out
    assert Path("plan.svg").stat().st_size > 1000
    several = json.loads(quantize("plan", "--readings", "20,40", "--sigma", "0.3", "--json").out)
    assert {row["readings"] for row in several["plan"]["table"]} == {20, 40}
    assert (
        "  readings  readings of each state"
        in quantize("plan", "--readings", "20,40", "--sigma", "0.3").out
    )
    assert (
        "--readings is [20.5]; say how many"
        in quantize("plan", "--readings", "20.5", "--sigma", "0.3").err
    )
    smallest = quantize("plan", "--readings", "20", "--sigma", "0.3", "--json")
    assert json.loads(smallest.out)["plan"]["question"] == "unit"
    few = " ".join(
        quantize("plan", "--readings", "20", "--sigma", "0.3", "--repeats", "4").out.split()
    )
    assert "4 none" in few
    assert 'Where there is "none", no unit that was simulated shows in so few readings.' in few
    Path("bench.toml").write_text(
        '[plates]\nseparation = "4 mm"\n[sphere]\ndensity = "1055 kg/m3"\ndiameter = "1.6 um"\n'
        '[reticle]\ndivision = "25 um"\nlength = "90 div"\n'
    )
    bench = quantize("plan", "--apparatus", "bench.toml", "--intervals", "5,10")
    assert bench.status == 0, bench.err
    assert "Setups at the bench" in bench.out
    assert "Unit in coulombs: " in bench.out


def test_plan_in_coulombs(quantize: Run) -> None:
    data = Path(qz.__file__).parent / "data"
    bench = str(data / "invented_apparatus.toml")
    options = ("--apparatus", bench, "--target", "0.5%", "--falls", "4", "--states", "4")
    planned = quantize("plan", *options, "--repeats", "2", "--diameters", "2.1 um", "--json")
    assert planned.status == 0, planned.err
    found = json.loads(planned.out)["coulombs"]
    assert (found["falls"], found["states"], found["repeats"], found["spheres"]) == (4, 4, 2, 1)
    same = charge.plan_target(bench, 0.005, falls=4, states=4, repeats=2)
    assert found["relative"] == pytest.approx(same.relative)
    assert "NOT reached" in quantize("plan", *options, "--spheres", "2").out
    refused = quantize("plan", "--target", "1%", "--sigma", "0.1")
    assert (refused.status, refused.out) == (2, "")
    assert "--target is for a bench; give --apparatus as well." in refused.err


def test_plan_says_what_to_measure_next(quantize: Run) -> None:
    data = Path(qz.__file__).parent / "data"
    page, bench = str(data / "invented_run.csv"), str(data / "invented_apparatus.toml")
    said = quantize("plan", page, "--apparatus", bench)
    assert said.status == 0, said.err
    assert "is expected to be" in " ".join(said.out.split())
    found = json.loads(quantize("plan", page, "--apparatus", bench, "--json").out)
    assert found["schema"] == "quantize.cli.next/1"
    gains = [row["gain"] for row in found["next"]["table"]]
    assert gains == sorted(gains, reverse=True)
    lacking = quantize("plan", page)
    assert (lacking.status, lacking.out) == (2, "")
    assert "--apparatus FILE is missing" in lacking.err
