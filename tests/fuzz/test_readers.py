"""Every way in from a file: a table, or one sentence; whatever the bytes."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from fuzzing import ODD_NUMBERS, READER_CASES, answer, cases
from hypothesis import given
from hypothesis import strategies as st

import quantize as qz
from quantize import charge
from quantize._support.journal import Journal, changed
from quantize.files import read_table

pytestmark = pytest.mark.slow

NUMBERS = st.one_of(
    st.floats().map(repr),
    st.decimals(-1000, 1000, places=2).map(str),
    st.sampled_from(
        ["1,5", "1.234,5", "1 234", "−3", "+.5", "5.", "1e400", "1e-400", "nan", "inf", "-", "0x1F"]
        + ["١٢", "½", "1_000", "3.1.4", "--2", "1e", "e5", "12 V", "$5", "#", '"', "''", "=1+1"]
    ),
)
CELLS = st.one_of(NUMBERS, NUMBERS, st.just(""), st.text(max_size=6))
HEADS = [
    "divisions",
    "volts",
    "seconds",
    "state",
    "run",
    "x (V)",
    "",
    "divisions",
    "k\u00e4se",
    "#n",
]
SEPARATORS = [",", ";", "\t", " ", "  ", "|"]
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1", "cp1252", "utf-32"]


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A table as someone might have saved it, with a few bytes gone wrong now and then."""
    columns = draw(st.integers(1, 5))
    separator = draw(st.sampled_from(SEPARATORS))
    cells = draw(st.sampled_from([NUMBERS, CELLS]))
    row = st.lists(cells, min_size=columns, max_size=columns).map(separator.join)
    lines = draw(st.lists(row, max_size=8))
    if draw(st.booleans()):
        heads = draw(st.lists(st.sampled_from(HEADS), min_size=columns, max_size=columns))
        lines.insert(0, separator.join(heads))
    if draw(st.booleans()):
        lines.insert(draw(st.integers(0, len(lines))), draw(st.sampled_from(["# note", "", "end"])))
    text = draw(st.sampled_from(["\n", "\r\n", "\r"])).join(lines)
    data = bytearray(text.encode(draw(st.sampled_from(ENCODINGS)), errors="replace"))
    for _ in range(draw(st.sampled_from([0, 0, 0, 1, 3]))):
        if data:
            data[draw(st.integers(0, len(data) - 1))] = draw(st.integers(0, 255))
    return bytes(data)


@st.composite
def long_cells(draw: st.DrawFn) -> bytes:
    """A small table with one cell of up to 100,000 characters of one kind."""
    piece = draw(st.sampled_from(["9", "9.", "1e", "-", "x", " ", '"', '""', "9,", "é", "1 V "]))
    cell = piece * draw(st.sampled_from([1_000, 30_000, 100_000]))
    cell = cell[:100_000] + draw(st.sampled_from(["", "q", ",5", "\n", '"', " V"]))
    lines = ["x;y", "1.5;2.5", f"{cell};3.5", "4.5;5.5"]
    return "\n".join(draw(st.sampled_from([lines, lines[1:], lines[2:]]))).encode()


ANY_BYTES = st.one_of(tables(), tables(), st.binary(max_size=200))
MAGIC = st.sampled_from(
    [b"PK\x03\x04", b"PAR1", b"\xd0\xcf\x11\xe0", b"\x1f\x8b", b"\xff\xfe", b"\0"]
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("read")


@pytest.mark.parametrize(
    ("name", "read", "share"),
    [
        ("page.csv", read_table, 1),
        ("page.csv", qz.read_readings, 5),
        ("page.csv", lambda path: qz.read_readings(path, value="divisions", state="state"), 5),
        ("run.csv", charge.read_run, 1),
    ],
    ids=["table", "readings", "named columns", "run"],
)
def test_a_text_file(folder: Path, name: str, read, share: int) -> None:
    path = folder / name

    @cases(READER_CASES // share)
    @given(ANY_BYTES)
    def check(data: bytes) -> None:
        path.write_bytes(data)
        found = answer(lambda: read(path))
        if isinstance(found, qz.Readings):
            assert np.isfinite(found.values).all()

    check()


def test_a_cell_of_very_many_characters(folder: Path) -> None:
    path = folder / "long.csv"

    @cases(READER_CASES // 20)
    @given(long_cells())
    def check(data: bytes) -> None:
        path.write_bytes(data)
        found = answer(lambda: qz.read_readings(path, value="y"))
        if isinstance(found, qz.Readings):
            assert np.isfinite(found.values).all()

    check()


PARQUET_COLUMNS = st.lists(
    st.tuples(
        st.sampled_from(["q", "q", "state", "", "__index_level_0__"]),
        st.sampled_from(
            [
                [1.5, 2.5, 4.5],
                [1.5, None, float("nan")],
                [[1.0], [], None],
                [{"a": 1}, None, {}],
                [2**53, 2**53 + 1, -(2**63)],
                [True, None, False],
                ["3.1", "6.2x", None],
                [b"a", b"\xff", None],
                [None, None, None],
                ["x" * 1000] * 3,
            ]
        ),
    ),
    max_size=4,
)


def test_parquet_of_lists_and_equal_names(folder: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    pq = pytest.importorskip("pyarrow.parquet")
    path = folder / "odd.parquet"

    @cases(READER_CASES // 20)
    @given(PARQUET_COLUMNS)
    def check(columns: list[tuple[str, list[object]]]) -> None:
        arrays = [pa.array(cells) for _, cells in columns]
        pq.write_table(pa.Table.from_arrays(arrays, names=[name for name, _ in columns]), path)
        answer(lambda: read_table(path))
        answer(lambda: qz.read_readings(path, value="q", state="state"))

    check()


@pytest.mark.parametrize("suffix", [".xlsx", ".parquet", ".csv"])
def test_a_file_that_only_begins_like_a_container(folder: Path, suffix: str) -> None:
    path = folder / f"table{suffix}"

    @cases(READER_CASES // 10)
    @given(MAGIC, st.binary(max_size=100))
    def check(magic: bytes, rest: bytes) -> None:
        path.write_bytes(magic + rest)
        answer(lambda: read_table(path))

    check()


def whole_container(kind: str) -> bytes:
    """A small table in a workbook or in parquet."""
    import pandas as pd

    frame = pd.DataFrame({"divisions": [3.1, 6.2, 9.4], "state": ["a", "b", "c"]})
    stream = io.BytesIO()
    if kind == "xlsx":
        frame.to_excel(stream, index=False)
    else:
        pytest.importorskip("pyarrow")
        frame.to_parquet(stream)
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["xlsx", "parquet"])
def test_a_damaged_container(folder: Path, kind: str) -> None:
    whole = whole_container(kind)
    path = folder / f"damaged.{kind}"

    @cases(READER_CASES // 10)
    @given(
        st.lists(st.tuples(st.integers(0, len(whole) - 1), st.integers(0, 255)), max_size=6),
        st.integers(0, len(whole)),
    )
    def check(changes: list[tuple[int, int]], length: int) -> None:
        data = bytearray(whole)
        for place, value in changes:
            data[place] = value
        path.write_bytes(bytes(data[:length] if length % 2 else data))
        answer(lambda: read_table(path))

    check()


KEYS = st.sampled_from(
    ["plates", "reticle", "air", "sphere", "separation", "value", "unit", "x", ""]
)
TOML_VALUES = st.one_of(
    st.sampled_from(
        ["1", "-1e400", "nan", "'5 mm'", "'5.0 ± 0.1 mm'", "'mm'", "[]", "{}", "true", "1979-05-27"]
    ),
    st.text(max_size=5).map(json.dumps),
)


@cases(READER_CASES)
@given(
    st.lists(
        st.one_of(KEYS.map("[{}]".format), st.tuples(KEYS, TOML_VALUES).map(" = ".join)), max_size=8
    )
)
def test_an_apparatus_file(tmp_path_factory: pytest.TempPathFactory, lines: list[str]) -> None:
    path = tmp_path_factory.getbasetemp() / "bench.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    answer(lambda: charge.load_apparatus(path))


def test_a_damaged_journal_loses_no_whole_line(folder: Path) -> None:
    path = folder / "kept.jsonl"
    made = Journal(path)
    header = {"schema": Journal.schema, "question": 1}
    made.begin(header, lambda old, new: [], dict)
    for piece in range(3):
        made.add({"piece": piece})
    made.close()
    whole = path.read_bytes()

    @cases(READER_CASES // 10)
    @given(st.integers(0, len(whole)), st.binary(max_size=12))
    def check(length: int, end: bytes) -> None:
        path.write_bytes(whole[:length] + end)
        again = Journal(path)
        found = answer(lambda: again.begin(header, lambda old, new: [], dict))
        again.close()
        if not isinstance(found, str):
            lines = whole[:length].count(b"\n") - 1
            assert len(found) >= lines

    check()


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-5, 5), st.text(max_size=3)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(["schema", "seed", "entropy", "spawn_key", "versions", "settings"]),
            inner,
        ),
    ),
    max_leaves=6,
)


@cases(READER_CASES // 40)
@given(JSON, st.lists(JSON, max_size=2), st.integers(0, 3))
def test_a_journal_of_odd_json(
    tmp_path_factory: pytest.TempPathFactory, first: object, lines: list[object], depth: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "odd.jsonl"
    if isinstance(first, dict):
        first = first | {"schema": Journal.schema}
    deep = "[" * 10**depth + "]" * 10**depth
    path.write_text("\n".join([json.dumps(item) for item in [first, *lines]] + [deep, ""]))
    wanted = {"schema": Journal.schema, "seed": None, "versions": {"numpy": "1"}}
    made = Journal(path)
    answer(lambda: made.begin(wanted, lambda old, new: changed(old, new, {}), dict))
    made.close()


@cases(READER_CASES // 10)
@given(
    st.dictionaries(
        st.sampled_from(["schema", "edges", "counts", "x"]),
        st.one_of(st.lists(ODD_NUMBERS, max_size=4), ODD_NUMBERS),
    )
)
def test_a_histogram_read_back(state: dict[str, object]) -> None:
    answer(lambda: qz.counts.Histogram.from_dict(state))
