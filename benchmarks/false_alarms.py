"""False "steps" on data without steps, and power on combs.

Fresh samples of every family of `benchmarks.families` go through `analyze`; verdicts of "steps" are
counted at the levels 0.05 and 0.01, every guard in force. Samples come in blocks, a few of every
cell in each, so that a run may stop at any time. Counts go to benchmarks/results/false_alarms.json
as they come. The exit status is 1 where a rate is found above its limit.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import hashlib
import json
import sys
import time
import zlib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks import false_alarms_page
from benchmarks.combs import COMBS, COMBS_KNOWN, comb
from benchmarks.families import (
    CENTRED,
    HELD_OUT,
    HELD_OUT_KNOWN,
    KNOWN,
    LARGER,
    LARGER_KNOWN,
    MORE,
    NAMED,
    NEAR_COMBS,
    Known,
)
from benchmarks.runner import RESULTS, WORKERS, Family, Option, benchmark, flag, merged
from quantize import InputError, MixtureModel, Readings, analyze
from quantize._support.journal import versions
from quantize._support.parallel import ordered_map, own_pool
from quantize._support.writing import write_whole

KEPT = RESULTS / "false_alarms.json"
SCHEMA = "quantize.false_alarms/4"
SEED = 1907
BLOCKS = 400
"""Blocks of a run that nothing stops."""
OF_SIZE = {5: 4.0, 8: 4.0, 10: 2.0, 20: 4.0, 35: 1.0, 60: 1.0, 200: 0.15}
"""Samples of a held-out family in a block, by size; two lie between those of the calibration."""
LESS = 0.25
"""The families of the calibration have so much of it."""
WIDE = (0.2, 5.0)
"""The range of units that is given where one is."""
MODES: dict[str, dict[str, Any]] = {
    "default": {},
    "sigma given": {},
    "units .2 to 5": {"unit_range": WIDE},
    "free offset": {"offset": "free"},
    "signs reversed": {},
    "whole numbers from 1": {"integers": "positive"},
    "outliers allowed": {"model": MixtureModel(outliers="free")},
    "growing noise": {"model": MixtureModel(noise="proportional")},
    "2,000 readings": {},
}
AT_20 = {
    "units .2 to 5": 2.0,
    "free offset": 0.8,
    "signs reversed": 1.0,
    "whole numbers from 1": 0.6,
    "outliers allowed": 0.4,
    "growing noise": 0.2,
}
"""Samples of a held-out family in a block, 20 readings each, asked otherwise."""
LARGE = {
    "logistic": 0.03,
    "levels at logarithms": 0.1,
    "six levels, Dirichlet gaps": 0.1,
    "sums of two units, four in all": 0.1,
    "log-logistic, three digits": 0.05,
}
"""Families of which samples of 2,000 are drawn, and how many in a block."""


@dataclasses.dataclass(frozen=True)
class Cell:
    """Samples of one family and size, asked in one way; `rate` of them in a block."""

    group: str
    mode: str
    label: str
    n: int
    rate: float
    draw: Known

    @property
    def key(self) -> str:
        """The name under which its counts are kept."""
        return f"{self.group}/{self.mode}/{self.label}/{self.n}"

    def last(self, block: int) -> int:
        """Samples in all when `block` is done."""
        return int((block + 1) * self.rate + 0.5)


def _plain(family: Family, sigma: float | None = None) -> Known:
    return lambda rng, n: (family(rng, n), sigma)  # type: ignore[return-value]


def _every_cell() -> Iterator[Cell]:
    groups = {"held out": merged(HELD_OUT), "named": merged(NAMED, MORE, CENTRED, LARGER)}
    known = {"held out": merged(HELD_OUT_KNOWN), "named": merged(KNOWN, LARGER_KNOWN)}
    parts = {"held out": 1.0, "named": LESS}
    for group, families in groups.items():
        for n, rate in OF_SIZE.items():
            for label, family in families.items():
                yield Cell(group, "default", label, n, parts[group] * rate, _plain(family))
    for mode, combs in (("default", COMBS), ("sigma given", COMBS_KNOWN)):
        for label, (integers, spread, n, _) in combs.items():
            draw = _plain(comb(integers, spread), spread if mode == "sigma given" else None)
            yield Cell("power", mode, label, n, 8.0, draw)
    for group, families in groups.items():
        for label, draw in known[group].items():
            yield Cell(group, "sigma given", label, 20, 4 * parts[group], draw)
        for mode, rate in AT_20.items():
            for label, family in families.items():
                yield Cell(group, mode, label, 20, parts[group] * rate, _plain(family))
    for n in (8, 20, 60):
        for label, family in NEAR_COMBS.items():
            yield Cell("near", "default", label, n, 0.7, _plain(family))
    for label, rate in LARGE.items():
        draw = _plain(groups["held out"][label])
        yield Cell("held out", "2,000 readings", label, 2000, rate, draw)


@functools.cache
def cells() -> dict[str, Cell]:
    """Every cell by its key, in the order of a block."""
    return {cell.key: cell for cell in _every_cell()}


def verdicts(cell: Cell, number: int) -> dict[str, int]:
    """What `analyze` says of one sample: "steps" at 0.05 and at 0.01, "no steps", or a refusal."""
    rng = np.random.default_rng([SEED, zlib.crc32(cell.key.encode()), number])
    values, sigma = cell.draw(rng, cell.n)
    sign = -1 if cell.mode == "signs reversed" else 1
    readings, options = Readings(sign * values, sigma=sigma), MODES[cell.mode]
    try:
        found = analyze(readings, n_resamples=19, rng=0, **options)
    except InputError:
        return {"refused": 1}
    sure = found.p_value <= 0.01 and (
        analyze(readings, alpha=0.01, n_resamples=99, rng=0, **options).verdict == "steps"
    )
    said = {"0.05": found.verdict == "steps", "0.01": sure, "no steps": found.verdict == "no steps"}
    return {name: int(true) for name, true in said.items()}


def count(task: tuple[str, int, int]) -> dict[str, Any]:
    """Counts of the samples first to last of one cell, and which were called steps at 0.05."""
    key, first, last = task
    counted: dict[str, Any] = {"samples": last - first, "0.05": 0, "0.01": 0}
    counted |= {"no steps": 0, "refused": 0, "steps are": []}
    for number in range(first, last):
        for name, hit in verdicts(cells()[key], number).items():
            counted[name] += hit
            if name == "0.05" and hit:
                counted["steps are"].append(number)
    return counted


def tasks_of(block: int, kept: dict[str, Any]) -> list[tuple[str, int, int]]:
    """What is left to do of a block."""
    starts = {key: kept[key]["samples"] if key in kept else 0 for key in cells()}
    return [
        (key, starts[key], cell.last(block))
        for key, cell in cells().items()
        if starts[key] < cell.last(block)
    ]


def run(results: dict[str, Any], keep: Path, *, minutes: float, workers: Any = None) -> None:
    """Count block by block until the time is over; what is there already is kept."""
    kept, end = results.setdefault("cells", {}), time.monotonic() + 60 * minutes
    for block in range(BLOCKS):
        tasks = tasks_of(block, kept)
        saved = time.monotonic()
        for task, counted in zip(tasks, ordered_map(count, tasks, workers), strict=True):
            add(kept, task[0], counted)
            if time.monotonic() > saved + 20:
                save(results, keep)
                saved = time.monotonic()
            if time.monotonic() > end:
                save(results, keep)
                return
        if tasks:
            save(results, keep)
            print(f"block {block + 1} is done", file=sys.stderr, flush=True)


def add(kept: dict[str, Any], key: str, counted: dict[str, Any]) -> None:
    """Add counts of further samples of a cell."""
    before = kept.get(key)
    kept[key] = {name: before[name] + counted[name] for name in before} if before else counted


def save(results: dict[str, Any], keep: Path) -> None:
    """Write the counts with what reproduces them."""
    results.update(origin() | {"versions": versions()})
    keep.parent.mkdir(parents=True, exist_ok=True)
    write_whole(keep, json.dumps(results, indent=1).encode() + b"\n")


def origin() -> dict[str, Any]:
    """What counts must share to be added up."""
    calibration = (files("quantize.null") / "calibration.json").read_bytes()
    return {
        "schema": SCHEMA,
        "seed": SEED,
        "calibration": hashlib.sha256(calibration).hexdigest()[:16],
    }


def kept_results(keep: Path) -> dict[str, Any]:
    """The counts of an earlier run, if they are of this calibration."""
    results: dict[str, Any] = json.loads(keep.read_text())
    now = origin()
    if {name: results.get(name) for name in now} != now:
        raise SystemExit(f"{keep} holds counts of another calibration, seed or form; begin again.")
    return results


@benchmark(
    "False alarms and power",
    flag("--resume", "go on with the kept counts"),
    flag("--table", "only the page of kept counts"),
    Option("--minutes", type=float, default=30.0, help="when to stop"),
    WORKERS,
    Option("--keep", type=Path, default=KEPT, help="where the counts are"),
)
def main(options: Any) -> Iterator[str]:
    """The lines of the page; a tiny run has one sample a way of asking and keeps nothing."""
    results: dict[str, Any] = {}
    if options.tiny:
        few = {(cell.group, cell.mode): key for key, cell in cells().items() if cell.n <= 20}
        results["cells"] = {key: count((key, 0, 1)) for key in few.values()}
    elif options.resume or options.table:
        results = kept_results(options.keep)
    if not options.tiny and not options.table:
        several = options.workers > 1
        with own_pool(options.workers) if several else contextlib.nullcontext() as pool:
            run(results, options.keep, minutes=options.minutes, workers=pool)
    lines, above = false_alarms_page.page(results["cells"])
    yield from lines
    for sentence in above:
        print(sentence, file=sys.stderr)
    options.status = int(bool(above))
