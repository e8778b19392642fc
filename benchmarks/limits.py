"""Memory and time of input that is built to cost both: answered, or refused in one sentence.

    python -m benchmarks.limits                        every row, some minutes
    python -m benchmarks.limits --tiny                 a row of each kind, a hundredth as large
    python -m benchmarks.limits --write docs/tables    also write the table

Each row runs in a fresh interpreter with one thread. The budget of any input is 2 GiB and 60 s on
two cores; seconds of processor time and the largest resident set are those of the call alone, the
imports counted in. Readings are whole numbers from 1 to 8 with a normal error, seed 1.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path

from benchmarks.tables import keep

SECONDS, GIBIBYTES = 60.0, 2.0
_PATIENCE = 300.0
_SETUP = '''
import json, os, resource, sys, tempfile, time, warnings, zipfile
from pathlib import Path
import numpy as np
import quantize as qz
warnings.simplefilter("ignore")
rng = np.random.default_rng(1)
folder = Path(tempfile.mkdtemp())
def size(n):
    return max(int(n * part), 20)
def steps(n, s=0.1):
    return rng.integers(1, 9, n) + s * rng.normal(size=n)
def text(data):
    (folder / "a.csv").write_bytes(data)
    return folder / "a.csv"
def parquet(make, times):
    # Another process makes the file, so that its memory does not count.
    import subprocess
    path = folder / "a.parquet"
    code = f"""
import numpy as np, pyarrow as pa, pyarrow.parquet as pq
table = {make}
with pq.ParquetWriter({str(path)!r}, table.schema) as file:
    for _ in range({times}):
        file.write_table(table)
"""
    subprocess.run([sys.executable, "-c", code], check=True)
    return path
def workbook(rows):
    with zipfile.ZipFile(folder / "a.xlsx", "w", zipfile.ZIP_DEFLATED) as book:
        for name, xml in PARTS.items():
            book.writestr(name, xml)
        with book.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet:
            sheet.write(HEAD)
            for row in rows:
                sheet.write(row)
            sheet.write(b"</sheetData></worksheet>")
    return folder / "a.xlsx"
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/"
KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml."
HEAD = f'<worksheet xmlns="{MAIN}"><sheetData>'.encode()
PARTS = {
    "[Content_Types].xml": f'<Types xmlns="{PACKAGE}content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    f'<Override PartName="/xl/workbook.xml" ContentType="{KIND}sheet.main+xml"/>'
    f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{KIND}worksheet+xml"/></Types>',
    "_rels/.rels": f'<Relationships xmlns="{PACKAGE}relationships">'
    f'<Relationship Id="r1" Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/>'
    "</Relationships>",
    "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}">'
    '<sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}relationships">'
    f'<Relationship Id="r1" Type="{OFFICE}/worksheet" Target="worksheets/sheet1.xml"/>'
    "</Relationships>",
}
def row(number, cells=1):
    return f'<row r="{number}">'.encode() + b"<c><v>1</v></c>" * cells + b"</row>"
'''
_CALL = """
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
start = time.process_time()
try:
    found = call()
    said = getattr(found, "verdict", None) or f"{len(found)} readings"
except qz.InputError as error:
    said = "refused: " + str(error).replace(str(folder) + os.sep, "")
seconds = time.process_time() - start
print(json.dumps([seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20, said]))
"""


def _plain(n: int, s: float = 0.1, options: str = "") -> str:
    return f"x = steps(size({n}), {s})\ncall = lambda: qz.analyze(x, rng=1, {options})"


_GROWING = "model=qz.MixtureModel(noise='proportional')"


def _read(make: str) -> str:
    return f"file = {make}\ncall = lambda: qz.read_readings(file)"


ROWS = {
    "analyze, 1,000 readings": _plain(1000),
    "analyze, 5,000 readings": _plain(5000),
    "analyze, 5,001 readings": _plain(5001),
    "analyze, 10,000 readings": _plain(10_000),
    "analyze, 20,000 readings": _plain(20_000),
    "analyze, 50,000 readings": _plain(50_000),
    "analyze, 100,000 readings with sigma": "x = qz.Readings(steps(100_000), sigma=0.1)\n"
    "call = lambda: qz.analyze(x, rng=1)",
    "analyze, 10,000 readings with sigma": "x = qz.Readings(steps(size(10_000)), sigma=0.1)\n"
    "call = lambda: qz.analyze(x, rng=1)",
    "analyze, 1,000 readings, sigma/u 0.25": _plain(1000, 0.25),
    "analyze, 1,000 readings, sigma/u 0.4": _plain(1000, 0.4),
    "analyze, 200 readings, sigma/u 0.25, free offset": _plain(200, 0.25, "offset='free'"),
    "analyze, 1,000 readings, sigma/u 0.25, free offset": _plain(1000, 0.25, "offset='free'"),
    "analyze, 200 readings, growing noise": _plain(200, 0.1, _GROWING),
    "analyze, 1,000 readings, growing noise": _plain(1000, 0.1, _GROWING),
    "analyze, 1,000 readings, last whole number unknown": "x = 5 + steps(size(1000))\n"
    "call = lambda: qz.analyze(x, integers=(1, None), rng=1)",
    "analyze, 1,000 readings, exponential envelope": _plain(
        1000, 0.1, "model=qz.MixtureModel(envelope='exponential')"
    ),
    "analyze, 14 readings from 1e9 on, free offset": "x = 1e9 + steps(14)\n"
    "call = lambda: qz.analyze(x, offset='free', rng=1)",
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
"""A row of each kind: `--tiny` sees that they can still be made."""


def measure(code: str, part: float) -> tuple[float, float, str]:
    """Processor seconds, largest GiB, and what came of it, in a fresh interpreter."""
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    try:
        done = subprocess.run(
            [sys.executable, "-c", f"part = {part}\n{_SETUP}{code}{_CALL}"],
            capture_output=True,
            text=True,
            env=os.environ | threads,
            timeout=_PATIENCE,
        )
    except subprocess.TimeoutExpired:
        return _PATIENCE, float("nan"), f"stopped after {_PATIENCE:g} s"
    if done.returncode:
        return float("nan"), float("nan"), done.stderr.strip().splitlines()[-1][:100]
    seconds, gibibytes, said = json.loads(done.stdout)
    return float(seconds), float(gibibytes), str(said)


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="sizes a hundredth as large")
    parser.add_argument("--only", metavar="WORD", default="", help="rows that hold the word")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    lines = [
        f"The budget of any input is {GIBIBYTES:g} GiB and {SECONDS:g} s. Processor seconds and "
        "the largest resident set, imports counted in; each row in a fresh interpreter.",
        "",
        "| input | seconds | GiB | what comes of it |",
        "|---|---|---|---|",
    ]
    for name, code in ROWS.items():
        if options.only not in name or (options.tiny and name not in TINY):
            continue
        seconds, gibibytes, said = measure(code, 0.01 if options.tiny else 1)
        within = seconds < SECONDS and gibibytes < GIBIBYTES
        over = "" if within else " **over the budget**"
        lines.append(f"| {name} | {seconds:.2g} | {gibibytes:.2f} | {said}{over} |")
        print(lines[-1], flush=True)
    keep(options.write, "limits", "Memory and time at the limits", lines)


if __name__ == "__main__":
    main()
