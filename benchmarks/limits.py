"""Memory and time of input that is built to cost both: answered, or refused in one sentence.

The budget of any input is {gibibytes:g} GiB and {seconds:g} s. Processor seconds and the largest
resident set, imports counted in; each row in a fresh interpreter with one thread. Readings are
whole numbers from 1 to 8 with a normal error, seed 1.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

from benchmarks.runner import Lines, Option, Options, benchmark, row, told
from benchmarks.speed_parts import measured

SECONDS, GIBIBYTES = 60.0, 2.0
_PATIENCE = 300.0
_SETUP = '''
import os, zipfile
from pathlib import Path
folder = Path(folder)
def steps(n, s=0.1):
    return rng.integers(1, 9, n) + s * rng.normal(size=n)
def text(data):
    (folder / "a.csv").write_bytes(data)
    return folder / "a.csv"
def apart(code):
    # Another process makes the file, so that its memory does not count.
    subprocess.run([sys.executable, "-c", code], check=True, cwd=folder)
def parquet(make, times):
    apart(f"""
import numpy as np, pyarrow as pa, pyarrow.parquet as pq
table = {make}
with pq.ParquetWriter("a.parquet", table.schema) as file:
    for _ in range({times}):
        file.write_table(table)
""")
    return folder / "a.parquet"
def workbook(rows):
    apart("import openpyxl; openpyxl.Workbook().save('empty.xlsx')")
    name = "xl/worksheets/sheet1.xml"
    with (
        zipfile.ZipFile(folder / "empty.xlsx") as empty,
        zipfile.ZipFile(folder / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as book,
    ):
        for part in set(empty.namelist()) - {name}:
            book.writestr(part, empty.read(part))
        with book.open(name, "w", force_zip64=True) as sheet:
            sheet.write(b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/'
                        b'main"><sheetData>')
            for row in rows:
                sheet.write(row)
            sheet.write(b"</sheetData></worksheet>")
    return folder / "a.xlsx"
def row(number, cells=1):
    return f'<row r="{number}">'.encode() + b"<c><v>1</v></c>" * cells + b"</row>"
'''


def _plain(n: int, s: float = 0.1, options: str = "rng=1", readings: str = "{}") -> str:
    x = readings.format(f"steps(size({n}), {s})")
    return f"x = {x}\ncall = lambda: qz.analyze(x, {options})"


def _read(make: str) -> str:
    return f"file = {make}\ncall = lambda: qz.read_readings(file)"


def _two_voltages(repeats: int) -> str:
    return f"""
from quantize.charge import Run, SimulatedBench
states = tuple((k, {repeats}) for k in (6, 4, 7, 3, 5, 9, 2, 8))
page, bench, _ = SimulatedBench(falls=3, states=states).simulate(rng=4)
fallen, moved = -page.loc[page["V"] == 0, "divisions"].mean(), page["divisions"].astype(float)
half = (page["V"] != 0) & (np.arange(len(page)) % 2 == 1)
page["divisions"] = moved.where(~half, ((moved + fallen) / 2 - fallen).round())
page.loc[half, "V"] /= 2
call = lambda: Run(page, bench).analyze((4.9, 19.7), rng=1)
"""


_FREE = "offset='free', rng=1"
_GROWING = "model=qz.MixtureModel(noise='proportional'), rng=1"
_GIVEN = "qz.Readings({}, sigma=0.1)"

ROWS = {
    **{f"analyze, {n:,} readings": _plain(n) for n in (1000, 5000, 5001, 10_000, 20_000, 50_000)},
    "analyze, 100,000 readings with sigma": "x = qz.Readings(steps(100_000), sigma=0.1)\n"
    "call = lambda: qz.analyze(x, rng=1)",
    "analyze, 10,000 readings with sigma": _plain(10_000, readings=_GIVEN),
    "analyze, 1,000 readings, sigma/u 0.25": _plain(1000, 0.25),
    "analyze, 1,000 readings, sigma/u 0.4": _plain(1000, 0.4),
    "analyze, 200 readings, sigma/u 0.25, free offset": _plain(200, 0.25, _FREE),
    "analyze, 1,000 readings, sigma/u 0.25, free offset": _plain(1000, 0.25, _FREE),
    "analyze, 200 readings, growing noise": _plain(200, options=_GROWING),
    "analyze, 1,000 readings, growing noise": _plain(1000, options=_GROWING),
    "analyze, 1,000 readings, last whole number unknown": _plain(
        1000, options="integers=(1, None), rng=1", readings="5 + {}"
    ),
    "analyze, 1,000 readings, exponential envelope": _plain(
        1000, options="model=qz.MixtureModel(envelope='exponential'), rng=1"
    ),
    "analyze, 14 readings from 1e9 on, free offset": "x = 1e9 + steps(14)\n"
    "call = lambda: qz.analyze(x, offset='free', rng=1)",
    **{
        f"a run of {8 * n + 3} rows, two voltages in each state, three falls": _two_voltages(n)
        for n in (4, 24)
    },
    "analyze, units from 1 to 1e70": "x = steps(14)\ncall = lambda: qz.analyze(x, (1, 1e70))",
    "analyze, 1e9 resamples": "x = steps(14)\ncall = lambda: qz.analyze(x, n_resamples=10**9)",
    "a pipe without a writer": "os.mkfifo(folder / 'p')\n"
    "call = lambda: qz.read_readings(folder / 'p')",
    "csv, a cell of 30,000 digits": _read("text(b'x\\n' + b'9' * 30_000 + b'q\\n1\\n2\\n')"),
    "csv, 200 MB of one line": _read("text(b'1,' * size(10**8))"),
    "csv, 200 MB of one cell": _read("text(b'x' * size(2 * 10**8))"),
    "csv, 100 MB of short lines": _read("text(b'1\\n' * size(5 * 10**7))"),
    "csv, 3.9 million short lines": _read("text(b'x\\n' + b'1.5\\n' * size(3_900_000))"),
    "parquet, 7 GB of repeated text": _read(
        "parquet(\"pa.table({'q': np.arange(100.), 's': ['x' * 2**20] * 100})\", size(70))"
    ),
    "parquet, lists of 2e8 zeros": _read(
        "parquet(\"pa.table({'q': pa.array([np.zeros(10**7, 'i1')])})\", size(20))"
    ),
    "xlsx, row number 1e9": _read("workbook([row(1), row(10**9)])"),
    "xlsx, one wide row and 300,000 short ones": _read(
        "workbook([row(1, 16_000), *map(row, range(2, size(300_000)))])"
    ),
    "xlsx, 1e7 rows of one cell": _read("workbook(map(row, range(1, size(10**7))))"),
}
TINY = (
    "analyze, 1,000 readings",
    "analyze, 100,000 readings with sigma",
    "analyze, 200 readings, sigma/u 0.25, free offset",
    "analyze, 1e9 resamples",
    "csv, 100 MB of short lines",
    "parquet, lists of 2e8 zeros",
    "xlsx, row number 1e9",
)


@benchmark(
    "Memory and time at the limits",
    Option("--only", metavar="WORD", default="", help="rows that hold the word"),
)
def main(options: Options) -> Lines:
    budget = {"gibibytes": GIBIBYTES, "seconds": SECONDS}
    yield from told(__doc__, options, "input", "seconds", "GiB", "what comes of it", **budget)
    for name, code in ROWS.items():
        if options.only not in name or (options.tiny and name not in TINY):
            continue
        with tempfile.TemporaryDirectory() as folder:
            try:
                code, part = f"{_SETUP}{code}\nlimit(call)", 0.01 if options.tiny else 1
                seconds, mebibytes, said = measured(code, part, Path(folder), timeout=_PATIENCE)
            except subprocess.TimeoutExpired:
                seconds, mebibytes = _PATIENCE, float("nan")
                said = f"stopped after {_PATIENCE:g} s"
        within = seconds < SECONDS and mebibytes < 1024 * GIBIBYTES
        over = "" if within else " **over the budget**"
        yield row(name, f"{seconds:.2g}", f"{mebibytes / 1024:.2f}", said + over)
