"""`analyze` on several particles and on a folder of runs, and the columns of `convert`."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import Run
from one_of_each import one, two_spheres
from plain_bench import written

from quantize import charge

QUICK = ("--resamples", "19", "--seed", "1", "--unit-range", "6", "16")


@pytest.fixture
def page(tmp_path: Path) -> tuple[str, str]:
    """A page of two spheres and its apparatus file."""
    rows = two_spheres().table
    _, bench, _ = charge.SimulatedBench(weight_of="the batch").simulate(rng=ord("B"))
    columns = {"particle": "particle", "state": "state", "voltage": "V", "divisions": "div"}
    table = {new: rows[old].tolist() for old, new in columns.items()} | {
        "t": rows["seconds"].tolist()
    }
    text, toml = written(table, bench)
    (tmp_path / "two.csv").write_text(text)
    (tmp_path / "two.toml").write_text(toml)
    return str(tmp_path / "two.csv"), str(tmp_path / "two.toml")


def test_several_particles_and_their_joint_unit(quantize: Run, page: tuple[str, str]) -> None:
    said = quantize("analyze", page[0], "--apparatus", page[1], *QUICK, "--json")
    assert said.status == 0, said.err
    found = json.loads(said.out)
    assert found["schema"] == "quantize.cli.several/1"
    assert [row["particle"] for row in found["result"]["table"]] == ["A", "B"]
    assert found["result"]["joint"]["homogeneity"]["degrees_of_freedom"] == 1
    assert set(found["particles"]) == {"A", "B"}
    refused = quantize("analyze", page[0], "--apparatus", page[1], "--report", "r.html")
    assert (refused.status, refused.out) == (2, "")
    assert "--report is for one particle" in refused.err


def test_the_text_names_each_and_whether_they_agree() -> None:
    found = one("ParticleAnalyses")
    text = str(found)
    assert max(map(len, text.splitlines())) <= 80
    assert [line.split()[0] for line in text.splitlines()[1:3]] == ["A", "B"]
    assert "counted once" in text
    assert "agree among themselves: chi-square" in " ".join(text.split())
    joint = charge.joint_unit(
        {label: a.coulombs for label, a in found.analyses.items()},
        alternatives={label: a.fit.alternatives for label, a in found.analyses.items()},
        posteriors={label: a.fit.points for label, a in found.analyses.items()},
    )
    assert found.joint.value == joint.value


def test_a_folder_of_runs(quantize: Run, page: tuple[str, str], tmp_path: Path) -> None:
    folder = tmp_path / "class"
    folder.mkdir()
    lines = Path(page[0]).read_text().splitlines()
    for label, name in (("A", "amber"), ("B", "birch")):
        own = [line for line in lines[1:] if line.startswith(f"{label},")]
        (folder / f"{name}.csv").write_text("\n".join([lines[0], *own]) + "\n")
        (folder / f"{name}.toml").write_text(Path(page[1]).read_text())
    said = quantize("analyze", str(folder), *QUICK, "--plot", "forest.svg")
    assert said.status == 0, said.err
    assert Path("forest.svg").stat().st_size > 1000
    assert "Between runs" in said.out
    assert said.out.count("1 ") > 1
    assert "Pooled: " in said.out
    assert "e-19" not in said.out.partition("Pooled")[2]


def test_the_random_and_the_shared_part_stand_in_columns(
    quantize: Run, page: tuple[str, str]
) -> None:
    said = quantize("convert", page[0], "--apparatus", page[1])
    assert said.status == 0, said.err
    head = next(line for line in said.out.splitlines() if "charge in C" in line)
    assert head.split()[-3:] == ["random", "shared", "kept"]
    table = charge.Run(page[0], page[1]).charges()
    row = next(line for line in said.out.splitlines() if line.split()[:2] == ["1", "A"]).split()
    names = ("charge", "standard_uncertainty", "shared_uncertainty")
    for text, name in zip(row[-4:-1], names, strict=True):
        assert float(text) == pytest.approx(table[name][0], rel=0.05, abs=0)
    assert np.isfinite(table["shared_uncertainty"][0])
    assert max(map(len, said.out.splitlines()[1:])) <= 80
