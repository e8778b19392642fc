"""Make the table that turns the score of the level placement into p-values.

``python -m benchmarks.calibrate`` draws families without steps (`NAMED`, `MORE`, and `CENTRED`
for a free offset, `KNOWN` for a known sigma), weighs every page at its default band, and writes
quantize/null/calibration.json:

- the hurdles, one for each kind of null and each size: found by a random search for the largest
  mean power on a few combs while no family has more than 4.5 %, those over clusters at 60
  readings never below odds of e to 1;
- for each kind of family, each size and each mode the largest share, over its families, of scores
  at or above each value. The same pages serve both; `benchmarks.false_alarms` checks on fresh ones.

Pages are kept in benchmarks/results as they come, and a run goes on where the last one stopped.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.families import NAMED, comb, whole_geometric, whole_poisson, whole_three
from benchmarks.families import whole_uniform as whole
from benchmarks.more_families import CENTRED, KNOWN, MORE
from quantize import InputError, Readings
from quantize._support.validation import FloatArray
from quantize._support.workers import ordered_map
from quantize.comb.band import band_for
from quantize.null.calibration import KINDS, least_by_kind, mode
from quantize.null.verdict import SURE
from quantize.null.weighing import weigh

ROOT = Path(__file__).resolve().parents[1]
TABLE = ROOT / "quantize" / "null" / "calibration.json"
KEPT = ROOT / "benchmarks" / "results" / "calibration_pages.jsonl"
SEED = 20240611
SIZES = (8, 20, 60, 200)
SCORES = np.round(np.arange(-4.0, 8.01, 0.25), 2)
NEVER, ALWAYS = -99.0, 99.0
COUNTED = 6
LEVEL = 0.045
LEAST = {8: -np.inf, 20: -np.inf, 60: 1.0}
"""With sixty readings a comb must be likelier than clusters by e to 1, however rarely the families
drawn come near that: open data that have clusters and no unit do. Fewer readings cannot show it."""
PAGES = {
    "offset zero, sigma unknown": 1.0,
    "offset zero, sigma known": 0.75,
    "offset free, sigma unknown": 0.6,
    "offset free, sigma known": 0.6,
}
"""Pages of a family in each mode, in parts of `--replicates`."""
AT_SIZE = {8: 1.0, 20: 1.0, 60: 0.5, 200: 0.0}
"""The same by size. None at 200: false alarms fall from 60 on, whose tails hold for all above."""


def one_to_eight(rng: np.random.Generator, n: int) -> FloatArray:
    """Uniform on 1..8."""
    return rng.integers(1, 9, n).astype(float)


TRAINING: dict[int, tuple[tuple[Callable[..., FloatArray], float], ...]] = {
    8: ((whole, 0.05), (whole, 0.08), (whole, 0.10), (one_to_eight, 0.08)),
    20: (
        (whole, 0.10),
        (whole, 0.15),
        (whole, 0.20),
        (whole_poisson, 0.10),
        (whole_three, 0.08),
        (whole_geometric, 0.08),
        (one_to_eight, 0.15),
    ),
    60: (
        (whole, 0.18),
        (whole, 0.20),
        (whole, 0.25),
        (whole_poisson, 0.18),
        (one_to_eight, 0.20),
        (whole_geometric, 0.12),
    ),
}
"""Combs that the hurdles are searched for, by size: whole numbers and sigma/unit."""


def jobs() -> Iterator[tuple[str, str, str, int]]:
    """(mode, kind, label, size) of every cell."""
    for part in PAGES:
        known, free = part.endswith("sigma known"), "free" in part
        sources = [KNOWN] if known else [NAMED, MORE]
        if free and not known:
            sources.append(CENTRED)
        for n in SIZES:
            if n == 200 and part != mode(sigma_known=False, free=False):
                continue
            for source in sources:
                for kind, families in source.items():
                    for label in families:
                        yield part, kind, label, n
    for n, combs in TRAINING.items():
        for number in range(len(combs)):
            yield mode(sigma_known=False, free=False), "comb", str(number), n


def page(task: tuple[str, str, str, int, int, int]) -> dict[str, float] | None:
    """Log Bayes factors over each kind of null of one page, None where no comb can show."""
    part, kind, label, n, cell, number = task
    rng = np.random.default_rng([SEED, cell, n, number])
    sigma = None
    if kind == "comb":
        integers, spread = TRAINING[n][int(label)]
        values = comb(integers, spread)(rng, n)
    elif part.endswith("sigma known"):
        values, sigma = KNOWN[kind][label](rng, n)
    else:
        families = NAMED[kind] | MORE[kind] | CENTRED[kind]
        values = families[label](rng, n)
    readings = Readings(values, sigma=sigma)
    try:
        found = weigh(
            readings, band_for(readings).limits, offset="free" if "free" in part else "zero"
        )
    except InputError:
        return None
    if found.enough_levels < SURE:
        return None
    return {name: round(value, 3) for name, value in least_by_kind(found.log_ratios).items()}


Pages = dict[tuple[str, str, str, int], dict[int, dict[str, float] | None]]


def draw(
    replicates: int, keep: Path, workers: int, only: str = "", sizes: Sequence[int] = SIZES
) -> Pages:
    """Weigh the pages that are wanted and not kept yet."""
    pages: Pages = defaultdict(dict)
    if keep.exists():
        for line in keep.read_text().splitlines():
            *cell, number, found = json.loads(line)
            pages[tuple(cell)][number] = found
    with keep.open("a") as sink:
        for place, cell in enumerate(jobs()):
            part, kind, _, n = cell
            if (only and part != only) or n not in sizes:
                continue
            wanted = round(replicates * PAGES[part] * AT_SIZE[n])
            if kind == "comb":
                wanted //= 4
            missing = [i for i in range(wanted) if i not in pages[cell]]
            tasks = [(*cell, place, number) for number in missing]
            for number, found in zip(missing, ordered_map(page, tasks, workers), strict=True):
                pages[cell][number] = found
                sink.write(json.dumps([*cell, number, found]) + "\n")
            sink.flush()
            print(*cell, len(pages[cell]), file=sys.stderr, flush=True)
    return pages


def ratios(pages: dict[int, dict[str, float] | None]) -> FloatArray:
    """The kept factors as rows, kinds in the order of `KINDS`."""
    rows = [[NEVER if r is None else r.get(kind, ALWAYS) for kind in KINDS] for r in pages.values()]
    return np.array(rows).reshape(-1, len(KINDS))


def search_hurdles(
    nulls: list[FloatArray], combs: list[FloatArray], seed: int, least: float = -np.inf
) -> FloatArray:
    """Hurdles with the largest mean power while no family has more than `LEVEL` above zero.

    Those over the nulls with clusters are at least `least`.
    """
    rng = np.random.default_rng(seed)
    floor = np.array([-np.inf if kind == "continuous" else least for kind in KINDS])

    def common(hurdles: FloatArray) -> float:
        """What has to be added to all of them so that every family keeps the level."""
        return max(float(np.quantile((x - hurdles).min(axis=1), 1 - LEVEL)) for x in nulls)

    def settled(hurdles: FloatArray) -> FloatArray:
        return np.maximum(hurdles + common(hurdles), floor)

    def power(hurdles: FloatArray) -> float:
        heights = settled(hurdles)
        return float(np.mean([np.mean((x - heights).min(axis=1) > 0) for x in combs]))

    best = np.zeros(len(KINDS))
    reached = power(best)
    for _ in range(600):
        trial = best.copy()
        moved = rng.integers(0, len(KINDS), rng.integers(1, 3))
        trial[moved] += rng.normal(0, 0.6, moved.size)
        found = power(trial)
        if found > reached:
            best, reached = trial, found
    return settled(best)


def tail(leads: FloatArray) -> FloatArray:
    """Share of pages at or above each of `SCORES`.

    It is counted while at least `COUNTED` pages are left. Beyond, it falls as exp(-score): that
    is the slowest fall that evidence against the right null can have in the long run.
    """
    above = (leads[:, None] >= SCORES).sum(axis=0)
    counted = np.flatnonzero(above >= COUNTED)
    last = int(counted[-1]) if counted.size else 0
    share = np.maximum(above, COUNTED) / max(leads.size, COUNTED)
    beyond = np.exp(-np.maximum(SCORES - SCORES[last], 0.0))
    return np.where(np.arange(SCORES.size) <= last, share, share[last] * beyond)


def make(pages: Pages) -> dict[str, Any]:
    """The table."""
    plain = mode(sigma_known=False, free=False)
    sizes = list(TRAINING)
    hurdles = np.zeros((len(sizes), len(KINDS)))
    for row, n in enumerate(sizes):
        of_size = {key: kept for key, kept in pages.items() if key[0] == plain and key[3] == n}
        nulls = [ratios(kept) for key, kept in of_size.items() if key[1] != "comb"]
        combs = [ratios(kept) for key, kept in of_size.items() if key[1] == "comb"]
        hurdles[row] = search_hurdles(nulls, combs, SEED + n, LEAST[n])
    tails: dict[str, Any] = {part: {kind: {} for kind in NAMED} for part in PAGES}
    for (part, kind, _, n), kept in pages.items():
        if kind != "comb" and kept:
            lead = (ratios(kept) - hurdles[sizes.index(n)]).min(axis=1)
            by_size = tails[part][kind]
            by_size[str(n)] = np.maximum(by_size.get(str(n), 0.0), tail(lead))
    return {
        "schema": "quantize.calibration/2",
        "seed": SEED,
        "numpy": np.__version__,
        "sizes": sizes,
        "pages": {part: _most_pages(pages, part) for part in PAGES},
        "hurdles": {kind: np.round(hurdles[:, i], 3).tolist() for i, kind in enumerate(KINDS)},
        "scores": SCORES.tolist(),
        "tails": {
            part: {
                kind: {n: np.round(np.minimum(t, 1.0), 6).tolist() for n, t in by_size.items()}
                for kind, by_size in by_kind.items()
                if by_size
            }
            for part, by_kind in tails.items()
        },
    }


def _most_pages(pages: Pages, part: str) -> dict[str, int]:
    """Pages of a family at each size."""
    out: dict[str, int] = {}
    for (its_part, kind, _, n), kept in pages.items():
        if its_part == part and kind != "comb" and kept:
            out[str(n)] = max(out.get(str(n), 0), len(kept))
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=400)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", default="", help="one mode")
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES, help="some sizes")
    parser.add_argument("--table", action="store_true", help="only make the table of kept pages")
    parser.add_argument("--tiny", action="store_true", help="a few pages a family; nothing is kept")
    options = parser.parse_args()
    if options.tiny:
        with tempfile.TemporaryDirectory() as folder:
            made = make(draw(8, Path(folder) / "pages.jsonl", 1))
            print({part: list(kinds) for part, kinds in made["tails"].items()})
        return
    KEPT.parent.mkdir(parents=True, exist_ok=True)
    wanted = 0 if options.table else options.replicates
    pages = draw(wanted, KEPT, options.workers, options.only, options.sizes)
    TABLE.write_text(json.dumps(make(pages), indent=1) + "\n")


if __name__ == "__main__":
    main()
