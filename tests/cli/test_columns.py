"""Which column and which rows were read is said in the same words everywhere."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from command_line import PAGE, QUICK, Run

VALUES = [float(x) for x in PAGE.split()[1:]]
WORDS = "read from column charge, 10 of 10 rows"


def table(folder: Path, kind: str) -> str:
    """An invented table in a file of that kind, the readings in a column called charge."""
    frame = pd.DataFrame({"charge": VALUES, "note": ["clear"] * 10})
    if kind == "xlsx":
        frame.to_excel(folder / "a.xlsx", index=False)
    elif kind == "parquet":
        frame.to_parquet(folder / "a.parquet")
    elif kind == "decimal comma":
        frame.to_csv(folder / "a.csv", index=False, sep=";", decimal=",")
        return "a.csv"
    elif kind == "unit":
        frame["charge"] = [f"{x} div" for x in VALUES]
        frame.to_csv(folder / "a.csv", index=False)
        return "a.csv"
    else:
        frame.to_csv(folder / f"a.{kind}", index=False, sep="\t" if kind == "tsv" else ",")
    return f"a.{kind}"


@pytest.mark.usefixtures("unrendered")
@pytest.mark.parametrize("kind", ["csv", "tsv", "xlsx", "parquet", "decimal comma", "unit"])
def test_the_same_words_in_text_json_and_report(kind: str, quantize: Run, tmp_path: Path) -> None:
    words = f"{WORDS}, in div" if kind == "unit" else WORDS
    name = table(tmp_path, kind)
    text = quantize("analyze", name, *QUICK, "--report", "a.html")
    assert text.out.startswith(f"10 readings from {name}\n{words}\n\n")
    page = (tmp_path / "a.html").read_text("utf-8")
    assert f"<bdi>{name}</bdi>, <bdi>{words}</bdi>" in page
    found = json.loads(quantize("analyze", name, *QUICK, "--json").out)
    assert found["read_from"] == words
    assert found["readings"]["origin"] == {
        "file": name,
        "columns": ["charge"],
        "rows": 10,
        "rows_in_file": 10,
        "unit": "div" if kind == "unit" else None,
    }


def test_options_that_change_the_readings_keep_the_words(quantize: Run, tmp_path: Path) -> None:
    name = table(tmp_path, "csv")
    done = quantize("analyze", name, *QUICK, "--sigma", "0.3", "--resolution", "0.05")
    assert done.out.startswith(f"10 readings from a.csv\n{WORDS}\n\n")


@pytest.mark.slow
def test_a_run_says_its_columns_and_how_many_rows_are_readings(quantize: Run) -> None:
    command = ("analyze", "invented_run.csv", "--apparatus", "invented_apparatus.toml", *QUICK)
    done = quantize(*command)
    # The others are falls without field and rows that were given up: counted in the file.
    lines = Path("invented_run.csv").read_text("utf-8").splitlines()
    rows = [line.split(",") for line in lines if not line.startswith("#")][1:]
    driven = [row for row in rows if float(row[2]) != 0 and row[6] == "yes"]
    words = f"read from columns V, start, end and t (s), {len(driven)} of {len(rows)} rows"
    assert done.out.startswith(f"{len(driven)} readings from invented_run.csv\n{words}\n")
    assert json.loads(quantize(*command, "--json").out)["read_from"] == words


@pytest.mark.parametrize("json_too", [(), ("--json",)])
def test_a_running_number_is_refused(
    json_too: tuple[str, ...], quantize: Run, tmp_path: Path
) -> None:
    (tmp_path / "a.csv").write_text("drop,note\n" + "".join(f"{i},clear\n" for i in range(1, 14)))
    done = quantize("analyze", "a.csv", *QUICK, *json_too)
    assert (done.status, done.out) == (2, "")
    assert done.err == (
        "quantize: `a.csv` has numbers only in column drop, which counts the rows from 1 to 13; "
        "name the readings' column with --column, even if it is this one.\n"
    )
    named = quantize("analyze", "a.csv", *QUICK, *json_too, "--column", "drop")
    assert named.status == 0
    assert "read from column drop, 13 of 13 rows" in named.out


@pytest.mark.slow
def test_very_many_readings_say_it_too(quantize: Run, tmp_path: Path, rng) -> None:
    values = rng.integers(1, 9, 60_000) + rng.normal(0, 0.1, 60_000)
    (tmp_path / "a.csv").write_text("x\n" + "".join(f"{v:.3f}\n" for v in values))
    words = "read from column x, 60000 of 60000 rows"
    assert words in quantize("analyze", "a.csv").out
    assert json.loads(quantize("analyze", "a.csv", "--json").out)["read_from"] == words


BALANCES = "no,state,V\n" + "".join(
    f"{i},{s},{v}\n"
    for i, (s, v) in enumerate(
        zip(
            "1123456789",
            (400.9, 401.8, 240.5, 300.2, 171.8, 199.6, 150.3, 601.2, 133.1, 240.9),
            strict=True,
        )
    )
)
BALANCE_BENCH = """
[plates]
separation = "4.00 +/- 0.02 mm"
setting = "1.5 V"
[sphere]
weight = "4.806e-14 +/- 0.05e-14 N"
"""


@pytest.mark.usefixtures("unrendered")
def test_balance_voltages_from_the_command_line(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "v.csv").write_text(BALANCES, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BALANCE_BENCH, encoding="utf-8")
    page = ("v.csv", "--apparatus", "bench.toml")
    found = quantize("analyze", *page, *QUICK, "--seed", "1", "--report", "a.html", "--full")
    assert found.status == 0
    assert "10 readings of 1/V in 1/kV" in found.out
    assert "VERDICT: steps" in found.out
    assert "by the route 'ratio, weight given'" in found.out
    assert "steps" in (tmp_path / "a.html").read_text(encoding="utf-8")
    known = json.loads(quantize("convert", *page, "--json").out)
    assert [row["state"] for row in known["rows"]] == list("1123456789")
    assert {"charge", "random", "shared"} < set(known["rows"][0])
    assert "at which" not in quantize("convert", *page).err
    refused = quantize("analyze", *page, "--offset", "free")
    assert refused.status == 2
    assert "leave --offset and --resolution out" in refused.err
    bare = quantize("analyze", "v.csv", "--column", "V", *QUICK, "--seed", "1")
    assert "note: the table looks like balance voltages" in bare.err
