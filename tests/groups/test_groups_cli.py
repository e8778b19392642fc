"""`quantize analyze FILE --by COLUMN`."""

import json

import numpy as np
import pytest

import quantize as qz
from quantize import cli
from quantize.files import read_table

SAMPLES = {
    "A": [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41],
    "B": [2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1, 11.9],
    "C": [7.2],
}


@pytest.fixture
def quantize(capsys, tmp_path, monkeypatch):
    """Run the program in a folder with an invented table, inside this process."""
    monkeypatch.chdir(tmp_path)
    rows = [f"{name},{x:.2f}" for name, sample in SAMPLES.items() for x in sample]
    (tmp_path / "many.csv").write_text("\n".join(["particle,divisions", *rows]) + "\n")

    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            cli.main(["analyze", "many.csv", *arguments], prog_name="quantize")
        captured = capsys.readouterr()
        return int(ended.value.code or 0), captured.out, captured.err

    return run


QUICK = ("--by", "particle", "--unit-range", "1", "9", "--resamples", "49", "--seed", "3")


def test_prints_a_line_for_each_particle(quantize):
    status, out, err = quantize(*QUICK)
    assert (status, err) == (0, "")
    assert out.startswith(
        "many.csv by particle\nread from column divisions, 16 of 16 rows\n\n3 groups: "
    )
    assert "C: `divisions` has 1 reading; at least 3 are needed" in " ".join(out.split())
    assert out.endswith("Seed 3\n")
    assert max(map(len, out.splitlines())) <= 80


def test_json_is_what_the_library_gives(quantize):
    status, out, _ = quantize(*QUICK, "--json")
    found = json.loads(out)
    assert status == 0
    assert found["schema"] == "quantize.cli.groups/1"
    table = read_table("many.csv")
    again = qz.analyze_groups(
        table,
        by="particle",
        value="divisions",
        unit_range=(1, 9),
        n_resamples=49,
        rng=3,
    )
    assert found["groups"] == again.to_dict()


def test_keeps_and_draws(quantize, tmp_path):
    first = quantize(*QUICK, "--checkpoint", "done.jsonl", "--plot", "units.svg")
    assert first[0] == 0
    assert len((tmp_path / "done.jsonl").read_text().splitlines()) == 3
    assert (tmp_path / "units.svg").read_text().startswith("<?xml")
    assert quantize(*QUICK, "--checkpoint", "done.jsonl") == first


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("--by", "drop"),
            "--by is 'drop', and `many.csv` has no such column; its columns are particle, ",
        ),
        (
            ("--by", "divisions"),
            "`many.csv` has no column of numbers left for the readings; its columns",
        ),
        ((*QUICK, "--column", "mass"), "--column is 'mass', and `many.csv` has no such column"),
        ((*QUICK, "--report", "a.html"), "--report is for one particle, and --by for many"),
        ((*QUICK, "--apparatus", "a.toml"), "--apparatus is for one particle, and --by for many"),
        (
            ("--workers", "2"),
            "--workers and --checkpoint are for many groups; name them with",
        ),
        (
            (*QUICK, "--sigma", "0.1", "--sigma-column", "divisions"),
            "--sigma and --sigma-column both say the sigma; give one of them.",
        ),
        ((*QUICK, "--dated-plan", "plan.toml"), "--dated-plan is for one particle, and --by for"),
    ],
)
def test_bad_options_are_one_line(quantize, arguments, message):
    status, out, err = quantize(*arguments)
    assert (status, out) == (2, "")
    assert err.startswith(f"quantize: {message}")
    assert err.count("\n") == 1


def test_one_sigma_for_all(quantize):
    status, out, _ = quantize(*QUICK, "--column", "divisions", "--sigma", "0.2", "--json")
    assert status == 0
    rows = json.loads(out)["groups"]["table"]
    assert [row["sigma"] for row in rows[:2]] == [0.2, 0.2]
    assert np.isfinite(rows[0]["unit"])


def test_a_running_number_is_not_taken_for_readings(quantize, tmp_path):
    rows = [
        f"{name},{i},{x:.2f} or so"
        for name, sample in SAMPLES.items()
        for i, x in enumerate(sample, 1)
    ]
    (tmp_path / "many.csv").write_text("\n".join(["particle,no,note", *rows]) + "\n")
    status, out, err = quantize(*QUICK)
    assert (status, out) == (2, "")
    assert err == (
        "quantize: `many.csv` has numbers only in column no, which counts the rows of each "
        "particle, and the text '19.66 or so' in column note, row 2; name the readings' column "
        "with --column, even if it is this one.\n"
    )
    assert quantize(*QUICK, "--column", "no")[0] == 0


def test_a_unit_in_the_cells_and_a_faulty_one_spoil_no_other_group(quantize, tmp_path):
    rows = [f"{name};{x:.2f} div".replace(".", ",") for name in "AB" for x in SAMPLES[name]]
    rows.append("C;lost")
    (tmp_path / "many.csv").write_text("\n".join(["particle;divisions", *rows]) + "\n")
    status, out, err = quantize(*QUICK, "--json")
    found = json.loads(out)
    assert (status, err) == (0, "")
    assert found["read_from"] == "read from column divisions, 16 of 16 rows, in div"
    table = found["groups"]["table"]
    assert [row["group"] for row in table if row["verdict"] is None] == ["C"]
    assert table[2]["reason"] == "`divisions` holds text 'lost' in row 17; give numbers."
    plain = ["particle,divisions", *(f"{name},{x:.2f}" for name in "AB" for x in SAMPLES[name])]
    (tmp_path / "many.csv").write_text("\n".join(plain) + "\n")
    again = json.loads(quantize(*QUICK, "--json")[1])
    assert again["groups"]["table"][0]["unit"] == table[0]["unit"]


def test_what_the_readings_are_measured_in(quantize, tmp_path):
    """From the option, or else from the cells, in text, JSON and picture."""
    named = json.loads(quantize(*QUICK, "--unit-name", "1e-19 C", "--json")[1])
    plain = json.loads(quantize(*QUICK, "--json")[1])
    assert named["groups"].pop("unit_name") == "1e-19 C"
    assert plain["groups"].pop("unit_name") is None
    assert named == plain
    status, out, err = quantize(*QUICK, "--unit-name", "1e-19 C", "--plot", "units.svg")
    assert (status, err) == (0, "")
    assert "Units of divisions by particle, in 10⁻¹⁹ C\n" in out
    rows = [f"{name},{x:.2f} div" for name in "AB" for x in SAMPLES[name]]
    (tmp_path / "many.csv").write_text("\n".join(["particle,divisions", *rows]) + "\n")
    assert "Units of divisions by particle, in div\n" in quantize(*QUICK)[1]
    assert quantize(*QUICK, "--unit-name", "")[2] == (
        "quantize: --unit-name is ''; give a short text, such as 'div' or '1e-19 C'.\n"
    )
