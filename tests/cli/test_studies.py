"""`compare` and `plan`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import Run

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
    smallest = quantize("plan", "--readings", "20", "--sigma", "0.3", "--json")
    assert json.loads(smallest.out)["plan"]["question"] == "unit"
    Path("bench.toml").write_text(
        '[plates]\nseparation = "4 mm"\n[sphere]\ndensity = "1055 kg/m3"\ndiameter = "1.6 um"\n'
        '[reticle]\ndivision = "25 um"\nlength = "90 div"\n'
    )
    bench = quantize("plan", "--apparatus", "bench.toml", "--intervals", "5,10")
    assert bench.status == 0, bench.err
    assert "Setups at the bench" in bench.out
