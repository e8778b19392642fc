"""Files built to cost memory, time or a reading: each is read whole, or refused at once."""

from __future__ import annotations

import io
import os
import threading
import tracemalloc
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import quantize as qz
from quantize import charge
from quantize.files import read_table
from quantize.tables import reading

MEGABYTE = 2**20


def refused(call, words: str) -> None:
    """`call` is refused with one sentence that has the words, in little memory."""
    tracemalloc.start()
    with pytest.raises(qz.InputError, match=words) as raised:
        call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert str(raised.value).endswith(".")
    assert "\n" not in str(raised.value)
    assert len(str(raised.value)) < 600
    assert peak < 60 * MEGABYTE


def put(folder: Path, data: bytes | str, name: str = "a.csv") -> Path:
    path = folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return path


# ---- the first reading ----------------------------------------------------------------------


@pytest.mark.parametrize("first", ["3.1x", "~3.1", "<3.1", "≈3.1", "(3.1)", "3,1x"])
@pytest.mark.parametrize("rest", [("", ""), (";a", ";b"), (";7", ";8.5")])
def test_a_first_reading_with_a_slip_is_refused_and_not_a_header(tmp_path, first, rest) -> None:
    lines = [first + rest[0], *(x + rest[1] for x in ("6.2", "9.3", "4.4"))]
    path = put(tmp_path, "\n".join(lines))
    with pytest.raises(qz.InputError, match=r"has the text .* in column 1, row 1; mend the cell"):
        qz.read_readings(path, value="column 1")


@pytest.mark.parametrize("head", ["10 s", "q/V", "2nd run;q", "t1;t2"])
def test_names_of_columns_stay_names(tmp_path, head) -> None:
    row = ";".join(["6.2"] * (head.count(";") + 1))
    table = read_table(put(tmp_path, "\n".join([head, row, row])))
    assert list(table.columns) == head.split(";")


def test_any_number_of_byte_order_marks(tmp_path) -> None:
    for marks in (1, 2, 3):
        path = put(tmp_path, "\ufeff" * marks + "3.1\n6.2\n9.3\n")
        assert qz.read_readings(path).values.tolist() == [3.1, 6.2, 9.3]


# ---- text -----------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["", "q!", " V", ",5", "e5"])
def test_a_cell_of_many_digits_takes_no_longer_than_it_is(tmp_path, end) -> None:
    # Twice as long, four times as slow: 30,000 digits took a minute, a hundred thousand ten.
    path = put(tmp_path, "x\n" + "9" * 100_000 + end + "\n1\n2\n")
    refused(lambda: qz.read_readings(path), "column x|fields|comma")


@pytest.mark.parametrize("cell", ["1e" + "9" * 5000, "1e-" + "9" * 5000, "9" * 5000])
def test_numbers_of_thousands_of_digits(tmp_path, cell) -> None:
    refused(lambda: qz.read_readings(put(tmp_path, f"x\n{cell}\n1\n2\n")), "in column x, row 2")


@pytest.mark.parametrize("ends", [(",5", ".5"), (".5", ",5")])
def test_numbers_of_both_decimal_marks_are_named_by_their_first_digits(tmp_path, ends) -> None:
    cells = "\n".join(f"x;{'9' * 50_000}{end}" for end in ends)
    refused(lambda: qz.read_readings(put(tmp_path, f"x;y\n{cells}\n"), value="y"), "decimal mark")


def test_more_cells_than_fit_are_refused_before_they_are_cut(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(reading, "MOST_TEXT_CELLS", 100_000)
    for text in ("1\n" * 200_000, "1," * 200_000, "1\r" * 200_000):
        refused(lambda t=text: read_table(put(tmp_path, t)), "0.1 million cells")
    monkeypatch.setattr(reading, "MOST_TEXT", MEGABYTE)
    refused(lambda: read_table(put(tmp_path, "x" * 2 * MEGABYTE)), "over 1 MB")


def test_more_columns_than_a_sheet_has(tmp_path) -> None:
    # A line of a million cells took longer than anybody waited.
    refused(lambda: read_table(put(tmp_path, "1," * 20_000)), "has 20,001 columns, more than the 1")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes are those of POSIX")
def test_a_pipe_is_waited_for_and_not_for_ever(tmp_path, monkeypatch) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    monkeypatch.setattr(reading, "_PATIENCE", 0.05)
    refused(lambda: qz.read_readings(pipe), r"a pipe into which nobody wrote for 0\.05 s")
    monkeypatch.setattr(reading, "_PATIENCE", 5.0)
    writer = threading.Thread(target=lambda: pipe.write_bytes(b"3.1\n6.2\n9.4\n"))
    writer.start()
    assert len(qz.read_readings(pipe)) == 3
    writer.join()


def test_a_dash_is_standard_input(monkeypatch) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"3.1\n6.2\n9.4\n")))
    found = qz.read_readings("-")
    assert found.values.tolist() == [3.1, 6.2, 9.4]
    assert found.origin.file == "standard input"


def test_a_user_who_is_not_known() -> None:
    refused(lambda: qz.read_readings("~nosuchuser/a.csv"), "the home of a user who is not known")


@pytest.mark.parametrize("text", ["a=" + "[" * 20_000, "[" + ".".join("a" * 5_000) + "]\nx=1"])
def test_an_apparatus_nested_too_deeply(tmp_path, text) -> None:
    refused(lambda: charge.load_apparatus(put(tmp_path, text, "b.toml")), "nested too deeply")


# ---- parquet --------------------------------------------------------------------------------


def parquet(folder: Path, table, **options) -> Path:
    pq = pytest.importorskip("pyarrow.parquet")
    pq.write_table(table, folder / "a.parquet", **options)
    return folder / "a.parquet"


def test_parquet_with_lists_structs_or_equal_names(tmp_path) -> None:
    pa = pytest.importorskip("pyarrow")
    lists = pa.table({"q": [1.0, 2.0], "l": [[0] * 100_000, []]})
    refused(lambda: read_table(parquet(tmp_path, lists)), "more than one value a cell in column l")
    inner = pa.table({"q": [1.0, 2.0], "l": [{"a": 1}, None]})
    refused(lambda: read_table(parquet(tmp_path, inner)), "more than one value a cell in column l")
    twice = pa.Table.from_arrays([pa.array([1.0]), pa.array([2.0])], names=["q", "q"])
    refused(lambda: read_table(parquet(tmp_path, twice)), "2 columns of the name 'q'")


def test_repeated_text_in_parquet_is_weighed_before_it_is_unpacked(tmp_path) -> None:
    # 200 times 1 MB that fit into a few kB of file.
    pa = pytest.importorskip("pyarrow")
    text = [None, *["x" * MEGABYTE] * 200]
    path = parquet(tmp_path, pa.table({"q": np.arange(201.0), "s": text}))
    assert path.stat().st_size < MEGABYTE
    refused(lambda: read_table(path), "over 128 MB")
    path = parquet(tmp_path, pa.table({"q": np.arange(201.0), "s": text}), row_group_size=50)
    refused(lambda: read_table(path), "over 128 MB")
    path = parquet(tmp_path, pa.table({"q": np.arange(3.0), "s": ["a", None, "a"]}))
    assert read_table(path)["s"].isna().tolist() == [False, True, False]


def test_whole_numbers_that_no_float_holds(tmp_path) -> None:
    pa = pytest.importorskip("pyarrow")
    ids = [2**53, 2**53 + 1, 2**53 + 9]
    path = parquet(tmp_path, pa.table({"q": [3.1, 6.2, 9.4], "id": ids}))
    assert len(qz.read_readings(path, value="q", state="id").state_labels) == 3
    text = put(tmp_path, "q,id\n" + "\n".join(f"{q}.5,{i}" for q, i in enumerate(ids)))
    assert len(qz.read_readings(text, value="q", state="id").state_labels) == 3
    for file in (path, text):
        with pytest.warns(qz.QuantizeWarning, match=r"has 9007199254740993 in column id, row"):
            qz.read_readings(file, value="id")
    with pytest.warns(qz.QuantizeWarning, match=r"whole numbers above 9007199254740992 \(2\^53\)"):
        qz.Readings(np.array(ids))


# ---- workbooks ------------------------------------------------------------------------------


def workbook(folder: Path, rows: str) -> Path:
    """A workbook with these rows of XML in its sheet."""
    pytest.importorskip("openpyxl")
    pd.DataFrame({"q": [1.5]}).to_excel(folder / "plain.xlsx", index=False)
    with (
        zipfile.ZipFile(folder / "plain.xlsx") as source,
        zipfile.ZipFile(folder / "b.xlsx", "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            part = source.read(name).decode()
            if name.endswith("sheet1.xml"):
                start, end = part.index("<sheetData>") + 11, part.index("</sheetData>")
                part = part[:start] + rows + part[end:]
            target.writestr(name, part)
    return folder / "b.xlsx"


def row(number: int, cells: int = 1, more: str = "") -> str:
    return f'<row r="{number}"{more}>{"<c><v>1.5</v></c>" * cells}</row>'


def test_a_row_far_down_a_sheet_and_rows_of_very_different_length(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(reading, "MOST_TEXT_CELLS", 5_000)
    far = workbook(tmp_path, row(1) + row(10**9))
    refused(lambda: read_table(far), r"too large to read \(over 256 MB, or 0\.005 million cells")
    wide = workbook(tmp_path, row(1, 1000) + "".join(map(row, range(2, 300))))
    refused(lambda: read_table(wide), "0.005 million cells")
    long = workbook(tmp_path, "".join(map(row, range(1, 6_000))))
    refused(lambda: read_table(long), "0.005 million cells")


def test_hidden_rows_are_said(tmp_path) -> None:
    rows = [row(i, 1, ' hidden="1"' if i in (3, 4) else "") for i in range(1, 7)]
    path = workbook(tmp_path, "".join(rows))
    with pytest.warns(qz.QuantizeWarning, match=r"has 2 rows hidden .* row 3 first"):
        assert len(read_table(path)) == 6


# ---- in memory ------------------------------------------------------------------------------


class Quantity:
    """A number with a unit, which does not become a plain number."""

    def __float__(self) -> float:
        raise TypeError("only dimensionless quantities become numbers")


class Dataset:
    """Arrays by name, without an array of their own."""

    data_vars = ("x", "y")

    def __array__(self, dtype=None, copy=None):
        raise TypeError("cannot directly convert a Dataset into an array")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ([Quantity(), Quantity(), Quantity()], "is not a number"),
        (Dataset(), "is a table with columns x, y; pass one column"),
        (np.array([(1.0, 2)] * 3, dtype=[("x", float), ("y", int)]), "a table with columns x, y"),
        ((x for x in [1.0, 2.0]), "is a generator; give a list or an array"),
        ({1.0, 2.0}, "is a set; give a list or an array"),
    ],
    ids=["quantities", "dataset", "structured", "generator", "set"],
)
def test_what_is_no_sequence_of_numbers(values, words) -> None:
    refused(lambda: qz.analyze(values), words)


@pytest.mark.parametrize("missing", [pd.NA, None, float("nan"), pd.NaT])
def test_missing_labels(missing) -> None:
    refused(lambda: qz.Readings([1.0, 2.0], state=["a", missing]), "`state` is blank at entry 1")


def test_limits_are_named_before_the_work_begins() -> None:
    many = np.sqrt(np.arange(1.0, 20_001.0))
    refused(lambda: qz.analyze(qz.Readings(many, sigma=0.1)), "more than the 10,000 that this")
    refused(lambda: qz.fit_mixture(many), "more than the 10,000 that this")
    few = [2.1, 3.9, 6.0, 8.1]
    refused(lambda: qz.analyze(few, (1, 1e70)), "more than 1e\\+06 times the span")
    refused(lambda: qz.analyze(few, n_resamples=10**9), "more than the 1,000,000 that are drawn")
    refused(lambda: qz.compare_null(few, n_resamples=10**9), "more than the 1,000,000 that are")


def test_readings_far_from_zero_with_a_free_offset() -> None:
    # Whole numbers of a thousand million: 53 GiB were asked for to count them.
    near = np.array([1.1, 2, 3.1, 4, 5, 6, 7.1, 8, 9, 2.1, 3, 4.1, 5, 6.1])
    tracemalloc.start()
    found = qz.analyze(1e9 + near, (0.6, 1.4), offset="free", n_resamples=99, rng=1)
    assert tracemalloc.get_traced_memory()[1] < 500 * MEGABYTE
    tracemalloc.stop()
    same = qz.analyze(near, (0.6, 1.4), offset="free", n_resamples=99, rng=1)
    assert found.verdict == same.verdict
    assert abs(found.unit - same.unit) < 0.01 * same.unit_err


def test_no_byte_of_what_a_parquet_file_says_of_itself_ends_the_process(tmp_path) -> None:
    # pyarrow 26 calls std::terminate where the footer contradicts itself and is asked of a column.
    pytest.importorskip("pyarrow")
    path = tmp_path / "page.parquet"
    pd.DataFrame({"divisions": [3.1, 6.2, 9.4], "state": ["a", "b", "c"]}).to_parquet(path)
    whole = path.read_bytes()
    start = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    answers = []
    # Of the first 400; then comes the schema that pandas keeps for itself.
    for at in range(start, start + 400):
        path.write_bytes(whole[:at] + bytes([38]) + whole[at + 1 :])
        try:
            answers.append(len(read_table(path)))
        except qz.InputError:
            answers.append(0)
    assert set(answers) == {0, 3}
