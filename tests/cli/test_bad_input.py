"""One clear line for every bad input."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import DATA, Run, program

BENCH = (DATA / "invented_apparatus.toml").read_text(encoding="utf-8")
RUN = ("invented_run.csv", "--apparatus", "bench.toml")
BAD: list[tuple[str, dict[str, bytes], tuple[str, ...], str]] = [
    ("no file", {}, ("analyze", "none.csv"), "`none.csv` does not exist"),
    ("empty", {"a.csv": b""}, ("analyze", "a.csv"), "`a.csv` is empty"),
    ("binary", {"a.csv": bytes(range(256)) * 9}, ("analyze", "a.csv"), "is a binary file"),
    ("folder", {}, ("analyze", "."), "has no apparatus file"),
    (
        "missing column",
        {"a.csv": b"x,y\n1,2\n3,4\n"},
        ("analyze", "a.csv", "--column", "z"),
        "--column is 'z', and `a.csv` has no such column; its columns are x, y.",
    ),
    (
        "missing column of sigma",
        {"a.csv": b"x,y\n1,2\n3,4\n"},
        ("analyze", "a.csv", "--column", "x", "--sigma-column", "z"),
        "--sigma-column is 'z', and `a.csv` has no such column; its columns are x, y.",
    ),
    (
        "missing column of sigma, by group",
        {"a.csv": b"x,y\n1,2\n3,4\n"},
        ("analyze", "a.csv", "--column", "x", "--by", "y", "--sigma-column", "z"),
        "--sigma-column is 'z',",
    ),
    (
        "missing column of groups",
        {"a.csv": b"x,y,z\n1,2,a\n3,4,b\n"},
        ("analyze", "a.csv", "--by", "w"),
        "--by is 'w', and `a.csv` has no such column; its columns are x, y, z.",
    ),
    (
        "no dated plan",
        {"a.csv": b"x\n1.5\n3.1\n4.4\n", "bench.toml": BENCH.encode()},
        ("analyze", "a.csv", "--apparatus", "bench.toml", "--dated-plan", "a.csv"),
        "--dated-plan 'a.csv' is no dated plan (",
    ),
    (
        "report of another kind",
        {"a.csv": b"x\n1.5\n3.1\n4.4\n"},
        ("analyze", "a.csv", "--report", "a.pdf"),
        "--report is 'a.pdf'; a report ends in .html.",
    ),
    (
        "which column",
        {"a.csv": b"x,y\n1,2\n3,4\n"},
        ("analyze", "a.csv"),
        "has 2 columns of numbers (x, y); say with --column which",
    ),
    (
        "which column of a run",
        {"a.csv": b"V,start,end\n200,8,18\n0,80,20\n"},
        ("analyze", "a.csv"),
        "holds the readings; or give --apparatus FILE to have it read as a run",
    ),
    (
        "which column of falls and rises",
        {"a.csv": b"drop,t_fall,t_rise\n1,11.9,7.1\n2,18.0,9.2\n"},
        ("analyze", "a.csv"),
        "holds the readings; or give --apparatus FILE to have it read as a run",
    ),
    (
        "text among numbers",
        {"a.csv": b"x\n1.5\nlost\n2.5\n"},
        ("analyze", "a.csv"),
        "the text 'lost' in column x, row 3",
    ),
    (
        "blank",
        {"a.csv": b"x,y\n1,a\n,b\n2,c\n"},
        ("analyze", "a.csv"),
        "a blank in column x, row 3",
    ),
    ("nan", {"a.csv": b"x\n1\nNaN\n2\n"}, ("analyze", "a.csv"), "NaN in column x, row 3"),
    ("one reading", {"a.csv": b"x\n1.5\n"}, ("analyze", "a.csv"), "has 1 reading;"),
    ("all equal", {"a.csv": b"x\n2\n2\n2\n"}, ("analyze", "a.csv"), "every value of FILE is 2"),
    (
        "negative sigma",
        {"a.csv": b"x,s\n1,1\n2,-1\n"},
        ("analyze", "a.csv", "--column", "x", "--sigma-column", "s"),
        "-1 in column s, row 3",
    ),
    (
        "two sigmas",
        {"a.csv": b"x,s\n1,1\n2,1\n"},
        ("analyze", "a.csv", "--column", "x", "--sigma", "1", "--sigma-column", "s"),
        "--sigma and --sigma-column both say the sigma; give one of them.",
    ),
    (
        "reversed range",
        {},
        ("analyze", "page.csv", "--unit-range", "5", "2"),
        "--unit-range is (5, 2); the low end must be below the high end.",
    ),
    (
        "zero range",
        {},
        ("analyze", "page.csv", "--unit-range", "0", "2"),
        "--unit-range starts at 0",
    ),
    ("negative range", {}, ("analyze", "page.csv", "--unit-range", "-1", "2"), "--unit-range"),
    ("endless range", {}, ("analyze", "page.csv", "--unit-range", "1", "inf"), "must be finite"),
    ("wide range", {}, ("analyze", "page.csv", "--unit-range", "1e-9", "5"), "fit in memory"),
    ("offset", {}, ("analyze", "page.csv", "--offset", "half"), "'zero', 'free' or a number."),
    ("particle", {}, ("analyze", "page.csv", "--particle", "P1"), "--particle is for the rows of"),
    ("alpha", {}, ("analyze", "page.csv", "--alpha", "5"), "--alpha is 5"),
    ("resamples", {}, ("analyze", "page.csv", "--resamples", "0"), "--resamples is 0"),
    ("seed", {}, ("analyze", "page.csv", "--seed", "-1"), "'--seed'"),
    ("no number", {}, ("analyze", "page.csv", "--sigma", "wide"), "--sigma is 'wide'; give"),
    (
        "no whole numbers",
        {},
        ("analyze", "page.csv", "--integers", "1", "many"),
        "--integers is 1 many; give two whole numbers, the first and the last",
    ),
    (
        "no prediction",
        {},
        ("analyze", "page.csv", "--sigma", "predicted"),
        "--sigma is 'predicted'",
    ),
    ("no argument", {}, ("analyze",), "Missing argument 'FILE'"),
    ("no command", {}, ("analyse", "page.csv"), "No such command 'analyse'"),
    ("no option", {}, ("demo", "--fast"), "No such option"),
    ("plot kind", {}, ("analyze", "page.csv", "--plot", "a.gif"), "--plot is 'a.gif'"),
    ("plot folder", {}, ("analyze", "page.csv", "--plot", "no/a.svg"), "there is no folder 'no'"),
    ("report folder", {}, ("analyze", "page.csv", "--report", "."), "--report is '.', a folder"),
    ("no run", {}, ("convert",), "FILE is missing"),
    ("no bench", {}, ("convert", "page.csv"), "--apparatus FILE is missing"),
    (
        "plan, no bench",
        {"run.csv": b"V,div,t\n200,5,10\n0,-60,10\n"},
        ("plan", "run.csv"),
        "--apparatus FILE is missing: what another reading brings to the run in `run.csv`",
    ),
    (
        "plan of voltages",
        {"volts.csv": b"V\n227.1\n240.2\n260.1\n"},
        ("plan", "volts.csv"),
        "`volts.csv` is a page of balance voltages, and what to read next is worked out for runs",
    ),
    (
        "plan of voltages, with a bench",
        {"volts.csv": b"V\n227.1\n240.2\n260.1\n", "bench.toml": BENCH.encode()},
        ("plan", "volts.csv", "--apparatus", "bench.toml"),
        "`quantize analyze volts.csv --apparatus FILE` says what would settle these voltages",
    ),
    ("plan, no file", {}, ("plan", "none.csv"), "`none.csv` does not exist; check the name"),
    (
        "plan of JSON",
        {"found.json": b'{"schema": "quantize.cli.analyze/1", "unit": 2.0}'},
        ("plan", "found.json"),
        "`found.json` is JSON that this program wrote, not a table; give the readings as csv",
    ),
    (
        "JSON",
        {"a.json": b"\n[1.02, 2.05,\n 3.01]\n"},
        ("analyze", "a.json"),
        "`a.json` is JSON, not a table",
    ),
    (
        "an apparatus for a table",
        {"a.toml": b'[plates]\nseparation = "4 mm"\n'},
        ("analyze", "a.toml"),
        "`a.toml` is TOML, as an apparatus file is, not a table; give the readings",
    ),
    (
        "missing entry, converted",
        {"bench.toml": BENCH.replace("separation", "# separation").encode()},
        ("convert", *RUN),
        "`plates.separation`",
    ),
    (
        "wrong dimension",
        {"bench.toml": BENCH.replace("4.24 +/- 0.015 mm", "4.24 +/- 0.015 V").encode()},
        ("analyze", *RUN),
        "which is a voltage; it must be a length",
    ),
    ("no apparatus", {}, ("convert", *RUN), "--apparatus is 'bench.toml', and there is no such"),
    ("not TOML", {"bench.toml": b"\xff\x00"}, ("convert", *RUN), "is not valid TOML"),
]


@pytest.mark.parametrize(
    ("files", "arguments", "message"),
    [case[1:] for case in BAD],
    ids=[case[0] for case in BAD],
)
def test_bad_input_is_one_clear_line(
    quantize: Run,
    tmp_path: Path,
    files: dict[str, bytes],
    arguments: tuple[str, ...],
    message: str,
) -> None:
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    before = sorted(p.name for p in tmp_path.iterdir())
    done = quantize(*arguments)
    assert done.status == 2
    assert done.out == ""
    errors = [line for line in done.err.splitlines() if not line.startswith(("note: ", "      "))]
    assert len(errors) == 1
    assert errors[0].startswith("quantize: ")
    assert message in errors[0]
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_bad_input_leaves_an_old_picture_alone(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "a.svg").write_text("old")
    assert quantize("analyze", "page.csv", "--alpha", "5", "--plot", "a.svg").status == 2
    assert (tmp_path / "a.svg").read_text() == "old"


def test_bad_input_in_its_own_process(tmp_path: Path) -> None:
    done = program("analyze", str(tmp_path / "none.csv"))
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.startswith(b"quantize: ")
    assert b"Traceback" not in done.stderr
    assert done.stderr.count(b"\n") == 1
