"""Tables in: what is read, and the one sentence given for what cannot be."""

from __future__ import annotations

import gzip
import subprocess
import sys
import zipfile
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import quantize as qz
from quantize._support.errors import MissingDependencyError
from quantize.files import number_column, read_readings, read_table
from quantize.tables import reading

# One drop, thirteen charges in 1e-10 esu: R. A. Millikan, Phys. Rev. 32:349 (1911).
THIRTEEN = [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91, 59.12, 63.68, 68.65]
THIRTEEN += [78.34, 83.22]


def put(folder: Path, content: str | bytes, name: str = "page.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def refusal(path: Any, **options: Any) -> str:
    with pytest.raises(qz.InputError) as caught:
        read_readings(path, **options)
    message = str(caught.value)
    assert "\n" not in message
    assert message.endswith(".")
    return message


# ---- what is read ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("3.1\n6.0\n9.2\n", [3.1, 6.0, 9.2]),
        ("charge\n3.1\n6.0\n9.2", [3.1, 6.0, 9.2]),
        ("\n\ncharge\n3.1\n6.0\n\n\n", [3.1, 6.0]),
        ("# drop six\ncharge\n3.1\n# the lamp was moved\n6.0\n", [3.1, 6.0]),
        ("charge\r\n3.1\r\n6.0\r\n", [3.1, 6.0]),
        ("charge\r3.1\r6.0\r", [3.1, 6.0]),
        ("charge\n-3.1\n+6.0\n1.6e-19\n.5\n4.\n", [-3.1, 6.0, 1.6e-19, 0.5, 4.0]),
        ("charge\n\N{MINUS SIGN}3.1\n6.0\n", [-3.1, 6.0]),
        ("charge of drop\n3.1\n6.0\n", [3.1, 6.0]),
        ('"charge"\n"3.1"\n"6.0"\n', [3.1, 6.0]),
        # decimal commas
        ("charge\n3,10\n6,02\n", [3.10, 6.02]),
        ("3,10\n6\n-9,2\n", [3.10, 6.0, -9.2]),
        ("run;charge\na;3,10\nb;6,02\n", [3.10, 6.02]),
        ("run;charge\na;3,104\nb;6,025\n", [3.104, 6.025]),
        ("run\tcharge\na\t3,10\nb\t6,02\n", [3.10, 6.02]),
        ('run,charge\na,"3,10"\nb,"6,02"\n', [3.10, 6.02]),
        ("run charge\na 3,10\nb 6,02\n", [3.10, 6.02]),
        # separators
        ("run,charge\na,3.1\nb,6.0\n", [3.1, 6.0]),
        ("run, charge\na, 3.1\nb, 6.0\n", [3.1, 6.0]),
        ("run;charge\na;3.1\nb;6.0\n", [3.1, 6.0]),
        ("run\tcharge\na one\t3.1\nb two\t6.0\n", [3.1, 6.0]),
        ("  run   charge\n  a     3.1\n  b     6.0\n", [3.1, 6.0]),
        ("a,3.1\nb,6.0\n", [3.1, 6.0]),
        ("run,charge\na,3.1,\nb,6.0,\n", [3.1, 6.0]),
        ("run,charge\na,3.1\nb,6.0\n,\n,\n", [3.1, 6.0]),
        # quoting of RFC 4180: separators, quotes and line ends inside a cell
        ('run,charge\n"a, ""first""",3.1\n"b\nsecond",6.0\n', [3.1, 6.0]),
        ("note,charge\n2024-01-01 10:00,3.1\n2024-01-01 10:05,6.0\n", [3.1, 6.0]),
    ],
)
def test_text_tables_are_read(tmp_path: Path, content: str, expected: list[float]) -> None:
    assert read_readings(put(tmp_path, content)).values.tolist() == expected


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    content = "Länge in µm;s\n3,1;0,1\n6,0;0,2\n".encode(encoding)
    page = read_readings(put(tmp_path, content), value="Länge in µm", sigma="s")
    assert page.values.tolist() == [3.1, 6.0]


def test_every_role_is_read_by_name_with_stripped_spaces(tmp_path: Path) -> None:
    path = put(tmp_path, " q , s ,state,h\n3.1,0.1,a,0.5\n6.0,0.2,b,0.5\n6.1,0.2,b,0.25\n")
    page = read_readings(path, value="q", sigma=" s", state="state", resolution="h")
    assert page.values.tolist() == [3.1, 6.0, 6.1]
    assert page.sigma is not None
    assert page.sigma.tolist() == [0.1, 0.2, 0.2]
    assert page.state_labels == ("a", "b")
    assert page.resolution is not None
    assert page.resolution.tolist() == [0.5, 0.5, 0.25]


def test_columns_named_for_another_role_are_not_candidates(tmp_path: Path) -> None:
    path = put(tmp_path, "state,q,s\n1,3.1,0.1\n1,3.2,0.1\n2,6.0,0.2\n")
    page = read_readings(path, sigma="s", state="state")
    assert page.values.tolist() == [3.1, 3.2, 6.0]
    assert page.state_labels == (1, 2)


@pytest.mark.parametrize(
    ("content", "step"),
    [
        ("4.90\n9.81\n", 0.01),
        ("4.90\n9.8\n", 0.1),
        ("3\n6\n", 1.0),
        ("10\n20\n", 1.0),
        ("1.60e-19\n3.2e-19\n", 1e-20),
        ("charge\n3,10\n6,02\n", 0.01),
        ("0.1234567890123\n0.2345678901234\n", None),
    ],
)
def test_the_readings_tell_the_resolution(tmp_path: Path, content: str, step: float | None) -> None:
    page = read_readings(put(tmp_path, content))
    assert page.resolution is None
    if step is None:
        assert page.steps is None
    else:
        assert page.steps is not None
        assert page.steps.tolist() == pytest.approx([step, step], rel=1e-12, abs=0)


def test_a_given_resolution_is_kept(tmp_path: Path) -> None:
    page = read_readings(put(tmp_path, "4.90\n9.81\n"), resolution=0.05)
    assert page.resolution is not None
    assert page.resolution.tolist() == [0.05, 0.05]


def test_the_thirteen_charges_survive_every_format(tmp_path: Path) -> None:
    frame = pd.DataFrame({"drop": ["six"] * 13, "charge": THIRTEEN})
    frame.to_csv(tmp_path / "a.csv", index=False)
    frame.to_csv(tmp_path / "a.tsv", index=False, sep="\t")
    frame.to_csv(tmp_path / "b.csv", index=False, sep=";", decimal=",")
    frame.to_excel(tmp_path / "a.xlsx", index=False)
    frame.to_parquet(tmp_path / "a.parquet")
    for name in ("a.csv", "a.tsv", "b.csv", "a.xlsx", "a.parquet"):
        assert read_readings(tmp_path / name).values.tolist() == THIRTEEN, name


def test_content_decides_over_the_name(tmp_path: Path) -> None:
    pd.DataFrame({"charge": THIRTEEN}).to_excel(tmp_path / "a.xlsx", index=False)
    (tmp_path / "a.xlsx").rename(tmp_path / "a.csv")
    assert read_readings(tmp_path / "a.csv").values.tolist() == THIRTEEN


def test_read_table_keeps_rows_and_text(tmp_path: Path) -> None:
    table = read_table(put(tmp_path, "# note\n\nq,s\n1.5,0.1\n\nlost,0.2\n"))
    assert table.index.tolist() == [4, 6]
    assert table["q"].tolist() == ["1.5", "lost"]
    assert table["s"].dtype == np.float64
    assert number_column(table, "s").tolist() == [0.1, 0.2]
    with pytest.raises(qz.InputError, match="row 6"):
        number_column(table, "q")


def test_workbook_first_visible_sheet_with_cells_and_comments(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    hidden = book.create_sheet("old", 0)
    hidden["A1"], hidden["A2"] = "q", 99
    hidden.sheet_state = "hidden"
    sheet = book.create_sheet("page")
    for row in (["# drop six"], [], ["q", "run"], [3.1, "a"], [6, "b"], [None, None], []):
        sheet.append(row)
    book.save(tmp_path / "page.xlsx")
    table = read_table(tmp_path / "page.xlsx")
    assert table.index.tolist() == [4, 5]
    assert read_readings(tmp_path / "page.xlsx").values.tolist() == [3.1, 6.0]


# ---- which column, which rows ---------------------------------------------------------------


def in_every_format(folder: Path, frame: pd.DataFrame) -> list[Path]:
    frame.to_csv(folder / "a.csv", index=False)
    frame.to_csv(folder / "a.tsv", index=False, sep="\t")
    frame.to_csv(folder / "b.csv", index=False, sep=";", decimal=",")
    frame.to_excel(folder / "a.xlsx", index=False)
    frame.to_parquet(folder / "a.parquet")
    return [folder / name for name in ("a.csv", "a.tsv", "b.csv", "a.xlsx", "a.parquet")]


def test_readings_know_where_they_are_from(tmp_path: Path) -> None:
    frame = pd.DataFrame({"drop": ["six"] * 13, "charge": THIRTEEN})
    for path in in_every_format(tmp_path, frame):
        page = read_readings(path)
        assert str(page.origin) == "read from column charge, 13 of 13 rows", path.name
        assert str(page.select([0, 1, 2]).origin) == "read from column charge, 3 of 13 rows"
        again = qz.Readings.from_dict(page.to_dict())
        assert again.origin == page.origin
    assert qz.Readings([1.5, 2.5]).origin is None
    bare = read_readings(put(tmp_path, "# a note\n3.1 a\n6.0 b\n9.2 c\n", "c.txt"))
    assert str(bare.origin) == "read from column 1, 3 of 3 rows"


@pytest.mark.parametrize("first", [0, 1])
def test_a_running_number_is_not_taken_for_readings(tmp_path: Path, first: int) -> None:
    frame = pd.DataFrame({"drop": range(first, first + 5), "note": list("abcde")})
    for path in in_every_format(tmp_path, frame):
        assert refusal(path) == (
            f"`{path}` has numbers only in column drop, which counts the rows from {first} to "
            f"{first + 4}; name the readings' column with `value`, even if it is this one."
        )
        named = read_readings(path, value="drop")
        assert named.values.tolist() == list(range(first, first + 5))


def test_what_looks_like_readings_is_named_when_a_running_number_is_refused(
    tmp_path: Path,
) -> None:
    path = put(tmp_path, "drop,when,charge\n1,am,1.6x10^-19\n2,pm,3.2x10^-19\n")
    assert refusal(path) == (
        f"`{path}` has numbers only in column drop, which counts the rows from 1 to 2, and the "
        "text '1.6x10^-19' in column charge, row 2; name the readings' column with `value`, even "
        "if it is this one."
    )
    lone = refusal(put(tmp_path, "1\n2\n3\n"))
    assert "has numbers only in column 1, which counts the rows from 1 to 3;" in lone


@pytest.mark.parametrize(
    "content", ["q\n1\n2\n4\n", "q\n2\n3\n4\n", "q\n1\n1\n2\n", "q\n3\n2\n1\n"]
)
def test_other_whole_numbers_are_readings(tmp_path: Path, content: str) -> None:
    assert len(read_readings(put(tmp_path, content))) == 3


def test_a_unit_in_the_cells_is_read_and_kept(tmp_path: Path) -> None:
    cells = [f"{x * 1e-19:.4e} C" for x in THIRTEEN]
    frame = pd.DataFrame({"who": ["six"] * 13, "charge": cells})
    for path in in_every_format(tmp_path, frame):
        page = read_readings(path)
        np.testing.assert_allclose(page.values, np.array(THIRTEEN) * 1e-19, rtol=1e-12)
        assert str(page.origin) == "read from column charge, 13 of 13 rows, in C", path.name
        assert page.steps is not None
        assert page.steps[0] == pytest.approx(1e-21, rel=1e-9, abs=0)


@pytest.mark.parametrize(
    ("content", "expected", "unit"),
    [
        ("charge\n3.1 fC\n6.0 fC\n", [3.1, 6.0], "fC"),
        ("3.1 fC\n6.0 fC\n9.2 fC\n", [3.1, 6.0, 9.2], "fC"),
        ("charge\n3.1fC\n\N{MINUS SIGN}6.0fC\n", [3.1, -6.0], "fC"),
        ("run;charge\na;3,10 µm/s\nb;6,02 µm/s\n", [3.10, 6.02], "µm/s"),
        ('run,charge\na,"3,10 %"\nb,"6,02 %"\n', [3.10, 6.02], "%"),
        ("a,3.1 C\nb,6.0 C\n", [3.1, 6.0], "C"),
        ("run\tcharge\na\t1.6e-19 C\nb\t3.2e-19 C\n", [1.6e-19, 3.2e-19], "C"),
    ],
)
def test_units_in_text(tmp_path: Path, content: str, expected: list[float], unit: str) -> None:
    page = read_readings(put(tmp_path, content))
    assert page.values.tolist() == expected
    assert page.origin is not None
    assert page.origin.unit == unit


@pytest.mark.parametrize(
    ("content", "unit"),
    [
        ("charge [1e-19 C]\n3.1\n6.0\n9.2\n", "1e-19 C"),
        ("run;charge [ fC ]\na;3,1\nb;6,0\n", "fC"),
        ("charge [nC]\n3.1 fC\n6.0 fC\n", "fC"),
        ("charge (first) []\n3.1\n6.0\n", None),
        ("charge\n3.1\n6.0\n", None),
    ],
)
def test_a_unit_in_the_header(tmp_path: Path, content: str, unit: str | None) -> None:
    page = read_readings(put(tmp_path, content))
    assert page.unit_name == unit
    assert page.origin.unit == unit
    assert page.values.tolist()[:2] == [3.1, 6.0]


def test_a_column_is_found_without_the_unit_in_its_header(tmp_path: Path) -> None:
    path = put(tmp_path, "q [C],s [C],t [nC]\n1.6,0.1,0.1\n3.2,0.2,0.2\n")
    page = read_readings(path, value="q", sigma="s")
    assert page.sigma.tolist() == [0.1, 0.2]
    assert str(page.origin) == "read from column q [C], 2 of 2 rows"
    assert "`sigma` is in nC and the readings are in C" in refusal(path, value="q", sigma="t")
    twice = put(tmp_path, "q [C],q [nC]\n1.6,0.1\n3.2,0.2\n")
    assert "2 columns of that name" in refusal(twice, value="q")


def test_beside_a_column_with_a_unit_a_running_number_is_not_taken(tmp_path: Path) -> None:
    path = put(tmp_path, "drop,charge\n1,1.6e-19 C\n2,3.3e-19 C\n3,4.8e-19 C\n")
    assert "2 columns of numbers (drop, charge); say with `value` which" in refusal(path)
    assert read_readings(path, value="charge").values.tolist() == [1.6e-19, 3.3e-19, 4.8e-19]


@pytest.mark.parametrize(
    ("cells", "fault"),
    [
        (["1.6 C", "3.2 C", "4.8 nC"], "'4.8 nC', not in C like most cells, in column q, row 4;"),
        (["1.6 C", "3.2", "4.8 C"], "'3.2', not in C like most cells, in column q, row 3;"),
        (["1.6 C", "", "4.8 C", "6 C"], "a blank in column q, row 3;"),
        (["1.6 C", "lost", "4.8 C"], "the text 'lost' in column q, row 3;"),
        (
            ["1.6 C", "3.2 nC", "4.8 pC", "5 fC"],
            "'1.6 C', with a unit that most cells do not have, in column q, row 2;",
        ),
    ],
)
def test_units_that_differ_are_not_read(tmp_path: Path, cells: list[str], fault: str) -> None:
    path = put(tmp_path, "run,q\n" + "".join(f"a,{cell}\n" for cell in cells))
    assert f"has {fault} mend the cell or take the row out." in refusal(path, value="q")


def test_the_exponent_of_another_language_is_no_unit(tmp_path: Path) -> None:
    path = put(tmp_path, "charge,s\n1.6D-19,1e-20\n3.2D-19,1e-20\n4.8d-19,1e-20\n")
    said = refusal(path, value="charge", sigma="s")
    assert "has the text '1.6D-19' in column charge, row 2" in said


def test_sigma_has_the_unit_of_the_readings(tmp_path: Path) -> None:
    path = put(tmp_path, "q,s,t\n1.6 C,0.1 nC,0.1\n3.2 C,0.2 nC,0.2\n")
    assert refusal(path, value="q", sigma="s") == (
        "`sigma` is in nC and the readings are in C; write both in one unit."
    )
    assert read_readings(path, value="q", sigma="t").sigma.tolist() == [0.1, 0.2]


def test_labels_that_begin_with_numbers_stay_labels(tmp_path: Path) -> None:
    path = put(tmp_path, "state,q\n1a,3.1\n1b,6.0\n2a,9.2\n2b,9.9\n")
    page = read_readings(path, state="state")
    assert page.state_labels == ("1a", "1b", "2a", "2b")
    same = put(tmp_path, "state,q\n1a,3.1\n2a,6.0\n3a,9.2\n")
    assert read_readings(same, state="state").state_labels == ("1a", "2a", "3a")


# ---- what is refused ------------------------------------------------------------------------


def test_no_file(tmp_path: Path) -> None:
    assert "does not exist" in refusal(tmp_path / "absent.csv")


def test_folder(tmp_path: Path) -> None:
    assert "is a folder" in refusal(tmp_path)


def test_not_a_path() -> None:
    assert "`path` is a int" in refusal(3)
    assert "cannot be read" in refusal("a\0b.csv")


@pytest.mark.parametrize("content", ["", "\n\n  \n", "# only a comment\n", "\ufeff"])
def test_empty(tmp_path: Path, content: str) -> None:
    assert "is empty" in refusal(put(tmp_path, content))


def test_header_without_rows(tmp_path: Path) -> None:
    assert "column names (q, s) and no rows" in refusal(put(tmp_path, "q,s\n"))


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (bytes(range(256)) * 4, "binary"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "binary"),
        (gzip.compress(b"q\n3.1\n6.0\n", mtime=0), "compressed"),
        (b"\xd0\xcf\x11\xe0" + bytes(600), "old kind"),
        (b"PK\x03\x04" + bytes(600), "workbook"),
        (b"PAR1" + bytes(600), "parquet"),
    ],
)
def test_binary(tmp_path: Path, content: bytes, word: str) -> None:
    assert word in refusal(put(tmp_path, content))


def test_text_named_as_a_workbook(tmp_path: Path) -> None:
    assert "not the xlsx file that its name says" in refusal(put(tmp_path, "q\n3\n", "a.xlsx"))


@pytest.mark.parametrize("role", ["value", "sigma", "state", "resolution"])
def test_missing_column_lists_those_there_are(tmp_path: Path, role: str) -> None:
    message = refusal(put(tmp_path, "q,s\n3.1,0.1\n6.0,0.2\n"), **{role: "charge"})
    assert message.startswith(f"`{role}` is 'charge'")
    assert message.endswith("its columns are q, s.")


def test_two_columns_of_one_name(tmp_path: Path) -> None:
    assert "2 columns of that name" in refusal(put(tmp_path, "q,q\n1,2\n3,4\n"), value="q")


def test_column_name_that_is_not_text(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="`value` is 0"):
        read_readings(put(tmp_path, "q\n1\n2\n"), value=0)  # type: ignore[arg-type]


def test_messages_stay_on_one_line_and_short(tmp_path: Path) -> None:
    names = ['"q\nin\x9b divisions"', *(f"c{j}" for j in range(300))]
    path = put(tmp_path, ",".join(names) + "\n" + ",".join(["1.5"] * 301) + "\n")
    message = refusal(path, value="charge")
    assert "its columns are q in divisions, c0, c1," in message
    assert message.endswith("c18 and 281 more.")
    assert read_readings(path, value="q in divisions").values.tolist() == [1.5]
    assert "\x07" not in refusal(tmp_path / "a\x07b.csv")


def test_number_column_takes_any_table() -> None:
    table = pd.DataFrame({"q": [1.5, "lost"]}, dtype=object)
    with pytest.raises(qz.InputError, match="`table` has the text 'lost' in column q, row 1;"):
        number_column(table, "q")


def test_several_columns_of_numbers_are_listed(tmp_path: Path) -> None:
    message = refusal(put(tmp_path, "run,q,s\na,3.1,0.1\nb,6.0,0.2\n"))
    assert "2 columns of numbers (q, s)" in message
    assert "`value`" in message
    assert "(column 1, column 2)" in refusal(put(tmp_path, "3.1 0.1\n6.0 0.2\n"))


def test_no_column_of_numbers(tmp_path: Path) -> None:
    assert "no column of numbers" in refusal(put(tmp_path, "run,day\na,mon\nb,tue\n"))


FAULTS = [
    ("lost", "the text 'lost'"),
    ("6.o", "the text '6.o'"),
    ("1_000", "the text '1_000'"),
    ("0x10", "the text '0x10'"),
    ("#N/A", "the text '#N/A'"),
    ("", "a blank"),
    ("nan", "NaN"),
    ("-inf", "an infinity"),
    ("1e400", "an infinity"),
]


@pytest.mark.parametrize(("cell", "fault"), FAULTS)
def test_a_bad_cell_is_named_with_its_row(tmp_path: Path, cell: str, fault: str) -> None:
    lone = refusal(put(tmp_path, f"# note\nq\n3.1\n{cell}\n9.2\n9.3\n"))
    assert fault in lone
    assert "column q, row 4;" in lone
    pair = refusal(put(tmp_path, f"run,q\na,3.1\nb,9.2\nc,{cell}\nd,9.3\n"))
    assert fault in pair
    assert "column q, row 4;" in pair


@pytest.mark.parametrize(
    "content", ["a,4.92\nb,9.81\nc,14.7\n{},9.8\n", "{},9.8\na,4.92\nb,9.81\n"]
)
@pytest.mark.parametrize("word", ["mean", "Sum", "Std dev:"])
@pytest.mark.parametrize("kind", ["csv", "parquet", "xlsx"])
def test_a_row_that_sums_up_the_others_is_no_reading(
    tmp_path: Path, content: str, word: str, kind: str
) -> None:
    lines = [line.split(",") for line in content.format(word).splitlines()]
    table = pd.DataFrame({"sphere": [a for a, _ in lines], "q": [float(b) for _, b in lines]})
    path = tmp_path / f"a.{kind}"
    {"csv": table.to_csv, "xlsx": table.to_excel, "parquet": table.to_parquet}[kind](
        path, index=False
    )
    row = next(i for i, (a, _) in enumerate(lines) if a == word) + (1 if kind == "parquet" else 2)
    with pytest.raises(
        qz.InputError, match=f"'{word}' in column sphere, row {row}, whose number is"
    ):
        read_readings(path, value="q")


def test_a_first_reading_with_a_slip_is_not_taken_for_a_name(tmp_path: Path) -> None:
    assert "the text '3.l' in column 1, row 1" in refusal(put(tmp_path, "3.l\n6.0\n9.2\n"))
    assert "NaN" in refusal(put(tmp_path, "nan\n6.0\n9.2\n"))


@pytest.mark.parametrize(("cell", "fault"), [(None, "a blank"), ("lost", "the text 'lost'")])
def test_bad_cells_of_a_workbook(tmp_path: Path, cell: str | None, fault: str) -> None:
    pd.DataFrame({"q": [3.1, cell, 9.2, 9.3]}).to_excel(tmp_path / "a.xlsx", index=False)
    message = refusal(tmp_path / "a.xlsx")
    assert fault in message
    assert "row 3;" in message


@pytest.mark.parametrize(("cell", "fault"), [(np.nan, "NaN"), (np.inf, "an infinity")])
def test_bad_cells_of_a_parquet_file(tmp_path: Path, cell: float, fault: str) -> None:
    pd.DataFrame({"q": [3.1, cell, 9.2]}).to_parquet(tmp_path / "a.parquet")
    message = refusal(tmp_path / "a.parquet")
    assert fault in message
    assert "row 2;" in message


def test_text_of_a_parquet_file_that_is_no_text(tmp_path: Path) -> None:
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    ends, text = pa.py_buffer(np.array([0, 1], np.int32)), pa.py_buffer(b"\xff")
    table = pa.table({"q": [1.5], "run": pa.StringArray.from_buffers(1, ends, text)})
    pq.write_table(table, tmp_path / "a.parquet")
    assert "is not a parquet file that can be read" in refusal(tmp_path / "a.parquet")


@pytest.mark.parametrize("cell", ["0", "-0.1"])
@pytest.mark.parametrize("role", ["sigma", "resolution"])
def test_sigma_and_resolution_must_be_above_zero(tmp_path: Path, role: str, cell: str) -> None:
    message = refusal(put(tmp_path, f"q,s\n3.1,0.1\n6.0,{cell}\n"), value="q", **{role: "s"})
    assert f"has {cell} in column s, row 3" in message


def test_blank_state(tmp_path: Path) -> None:
    message = refusal(put(tmp_path, "q,run\n3.1,a\n6.0,\n"), state="run")
    assert "blank in column run, row 3" in message


@pytest.mark.parametrize(
    "content",
    ["q,s\n3.1,0.1\n6.0\n9.2,0.1\n", "q;s\n3,1;0,1\n6,0\n9,2;0,1\n", "q s\n3.1 0.1\n6\n9.2 0.1\n"],
)
def test_rows_of_different_lengths(tmp_path: Path, content: str) -> None:
    message = refusal(put(tmp_path, content), value="q")
    assert "1 fields in line 3 and 2 in line 1" in message


def test_quotation_mark_out_of_place(tmp_path: Path) -> None:
    assert "quotation mark" in refusal(put(tmp_path, 'run,q\n"a,3.1\nb,6.0\n'))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("3,10\n6,02\n", "separate columns or mark decimals"),
        ("run 3,10\nrun 6,02\n", "separate columns or mark decimals"),
        ("q\n1,234\n2,345\n", "decimals or thousands"),
        ("run\tq\na\t1,234\nb\t2,345\n", "decimals or thousands"),
        ("q;s\n1,5;0.1\n2,5;0.2\n", "one decimal mark"),
        ("q\n1.5\n2,5\n", "one decimal mark"),
    ],
)
def test_ambiguous_commas_are_refused(tmp_path: Path, content: str, words: str) -> None:
    assert words in refusal(put(tmp_path, content), value=None)


def test_size_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MOST_BYTES", 2**20)
    assert "too large" in refusal(put(tmp_path, b"1.5\n" * 300_000))
    with zipfile.ZipFile(tmp_path / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 2**21)
    assert (tmp_path / "a.xlsx").stat().st_size < 2**15
    assert "too large" in refusal(tmp_path / "a.xlsx")
    pd.DataFrame({"q": np.zeros(300_000)}).to_parquet(tmp_path / "a.parquet", use_dictionary=False)
    assert (tmp_path / "a.parquet").stat().st_size < 2**19
    assert "too large" in refusal(tmp_path / "a.parquet")


def test_a_stated_sheet_size_costs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MOST_CELLS", 1000)
    pd.DataFrame({"q": THIRTEEN}).to_excel(tmp_path / "a.xlsx", index=False)
    with (
        zipfile.ZipFile(tmp_path / "a.xlsx") as source,
        zipfile.ZipFile(tmp_path / "b.xlsx", "w") as target,
    ):
        for name in source.namelist():
            part = source.read(name)
            if name.endswith("sheet1.xml"):
                assert b'ref="A1:A14"' in part
                part = part.replace(b'ref="A1:A14"', b'ref="A1:XFD1048576"')
            target.writestr(name, part)
    assert read_readings(tmp_path / "b.xlsx").values.tolist() == THIRTEEN


def test_missing_package_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pd.DataFrame({"q": THIRTEEN}).to_parquet(tmp_path / "a.parquet")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(MissingDependencyError, match=r"-m pip install pyarrow$"):
        read_readings(tmp_path / "a.parquet")


def test_reading_text_needs_neither_workbook_nor_parquet_packages(tmp_path: Path) -> None:
    path = put(tmp_path, "q\n3.1\n6.0\n")
    code = (
        "import sys, quantize; quantize.read_readings(sys.argv[1]); "
        "print([m for m in ('openpyxl', 'scipy', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_large_file_is_read(tmp_path: Path, rng: np.random.Generator) -> None:
    values = np.round(rng.normal(10, 3, size=20_000), 3)
    path = put(tmp_path, "n,q\n" + "".join(f"{i},{v:.3f}\n" for i, v in enumerate(values)))
    page = read_readings(path, value="q")
    np.testing.assert_array_equal(page.values, values)
    assert page.steps is not None
    assert page.steps[0] == pytest.approx(0.001, rel=1e-12, abs=0)


# ---- properties -----------------------------------------------------------------------------

PIECES = ["3,1", "3.1", "x", "-7", ",", ";", "\t", " ", "\n", '"', "#", "nan", "1,234", "é", "\r"]


def read_or_refused(path: Path) -> bool:
    """Whether the file gave finite readings or one sentence; any other error comes through."""
    try:
        return bool(np.isfinite(read_readings(path).values).all())
    except qz.InputError as error:
        return str(error).endswith(".")


@settings(max_examples=30)
@given(st.lists(st.sampled_from(PIECES), min_size=1, max_size=30))
def test_any_text_is_read_or_refused_with_a_sentence(tmp_path_factory: Any, pieces: Any) -> None:
    path = put(tmp_path_factory.getbasetemp(), "".join(pieces), "pieces.csv")
    assert read_or_refused(path)


@settings(max_examples=30)
@given(st.binary(min_size=1, max_size=60))
def test_any_bytes_are_read_or_refused_with_a_sentence(tmp_path_factory: Any, data: bytes) -> None:
    path = put(tmp_path_factory.getbasetemp(), data, "bytes.csv")
    assert read_or_refused(path)


@given(
    st.lists(st.decimals(-999, 999, places=2), min_size=2, max_size=20),
    st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", ",")]),
    st.booleans(),
)
def test_every_way_of_writing_a_table_reads_the_same(
    tmp_path_factory: Any, numbers: list[Decimal], marks: tuple[str, str], named: bool
) -> None:
    separator, decimal = marks
    lines = [f"r{i}{separator}{str(x).replace('.', decimal)}" for i, x in enumerate(numbers)]
    # Without names, "r0 3,1" could be cut at the space or at the comma, and is refused.
    head = [f"run{separator}q"] if named or separator == " " else []
    path = put(tmp_path_factory.getbasetemp(), "\n".join(head + lines), "written.csv")
    page = read_readings(path)
    assert page.values.tolist() == [float(x) for x in numbers]
    assert page.resolution is None


def test_the_only_column_is_read_even_when_half_of_it_is_text(tmp_path: Path) -> None:
    page = tmp_path / "page.csv"
    page.write_text("charge\n1.0\nabc\n")
    with pytest.raises(qz.InputError, match="the text 'abc' in column charge, row 3"):
        qz.read_readings(page)


def test_brackets_alone_make_no_other_kind_of_file(tmp_path):
    for text in ("[V]\n1.5\n2.5\n4.0\n", "[[[[" * 30_000 + "\n1\n2\n"):
        file = tmp_path / "page.csv"
        file.write_text(text, encoding="utf-8")
        if text.startswith("[V]"):
            assert qz.read_readings(file).values.tolist() == [1.5, 2.5, 4.0]
        else:
            with pytest.raises(qz.InputError):
                qz.read_readings(file)


def test_one_column_does_not_hold_readings_and_something_else(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("x,s\n1.1,0.1\n2.0,0.1\n3.2,0.1\n", encoding="utf-8")
    for role in ("sigma", "state", "resolution"):
        said = f"`{role}` is 'x', the column of the readings; name the column that holds it."
        assert said in refusal(path, value="x", **{role: "x"})
    said = "`state` is 's', the column of `sigma`; name the column that holds it."
    assert said in refusal(path, value="x", sigma="s", state="s")
