"""Rows that are put right, or taken as written, on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
from command_line import Run

import quantize as qz

DATA = Path(qz.__file__).parent / "data"
ASKED = ("--apparatus", "invented_apparatus.toml", "--resamples", "99", "--seed", "1")
RANGE = ("--unit-range", "6", "16")


def slipped(folder: Path) -> str:
    """The invented run with start and end of its seventh row exchanged."""
    page = pd.read_csv(DATA / "invented_run.csv", comment="#")
    page.loc[6, ["start", "end"]] = page.loc[6, ["end", "start"]].to_numpy()
    page.to_csv(folder / "slipped.csv", index=False)
    return str(folder / "slipped.csv")


def test_a_row_is_put_right_and_said_to_be(quantize: Run, tmp_path: Path) -> None:
    file = slipped(tmp_path)
    done = quantize("analyze", file, *ASKED, *RANGE)
    told = " ".join(done.out.split())
    assert "put right before the analysis: row 7, as the following says" in told
    row = "row 7 (line 8 of slipped.csv)"
    assert f"Reversing the sign of {row} puts it back among the others of state 2" in told
    clean, mended = (
        json.loads(quantize("analyze", page, *ASKED, *RANGE, "--json").out)
        for page in ("invented_run.csv", file)
    )
    assert mended["unit"] == clean["unit"]
    assert mended["verdict"] == clean["verdict"] == "steps"


def test_as_written_takes_every_row_as_it_stands(quantize: Run, tmp_path: Path) -> None:
    file = slipped(tmp_path)
    found = json.loads(quantize("analyze", file, *ASKED, *RANGE, "--as-written", "--json").out)
    assert found["verdict"] == "cannot tell"
    assert not any("put right" in reason for reason in found["reasons"])


def test_as_written_is_for_a_run(quantize: Run, tmp_path: Path) -> None:
    done = quantize("analyze", "thirteen_charges.csv", "--as-written")
    assert done.status == 2
    assert done.err.strip() == (
        "quantize: --as-written is for the rows of a run; give its bench as --apparatus."
    )
    volts = tmp_path / "volts.csv"
    volts.write_text("V\n401.2\n300.6\n600.1\n240.5\n")
    done = quantize("analyze", str(volts), *ASKED, "--as-written")
    assert done.status == 2
    assert "are always taken as written; leave --as-written out." in done.err
