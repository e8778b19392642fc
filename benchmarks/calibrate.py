"""Make the table that turns the score of the level placement into p-values.

``python -m benchmarks.calibrate`` draws the families of `benchmarks.families.NAMED`, scores every
page, and writes quantize/null/calibration.json: for each kind of null and each size the largest
share, over its families, of scores at or above each value. `--replicates` sets the pages of a
family at 8 and 20 readings; half as many are drawn at 60. `--rescore` uses the pages kept by the
last run.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.families import NAMED, Family
from quantize import InputError, Readings
from quantize._support.validation import FloatArray
from quantize.comb.grid import band_for
from quantize.null.calibration import SIZES, score
from quantize.null.verdict import SURE, log_ratios

ROOT = Path(__file__).resolve().parents[1]
TABLE = ROOT / "quantize" / "null" / "calibration.json"
SEED = 20240611
SCORES = np.round(np.arange(-4.0, 6.01, 0.25), 2)
NEVER = -99.0
COUNTED = 6


def page_ratios(family: Family, n: int, seed: list[int]) -> dict[str, float] | None:
    """Log Bayes factors of one page at the default band, or None where no comb can show."""
    values = family(np.random.default_rng(seed), n)
    readings = Readings(values)
    try:
        ratios, enough, teeth = log_ratios(readings, band_for(readings).limits)
    except InputError:
        return None
    kept = {name: round(value, 3) for name, value in ratios.items()}
    kept["teeth"] = teeth
    return kept if enough >= SURE else None


def draw(replicates: int, keep: Path) -> dict[str, Any]:
    """Score-independent part: the log Bayes factors of every page."""
    pages: dict[str, Any] = json.loads(keep.read_text()) if keep.exists() else {}
    jobs: list[tuple[str, Family, int]] = []
    for n in SIZES:
        for kind, families in NAMED.items():
            for label, family in families.items():
                jobs.append((f"{kind}/{label}/{n}", family, n))
    for number, (key, family, n) in enumerate(jobs):
        wanted = max(replicates // {8: 1, 20: 1, 60: 2}[n], 2)
        done = pages.setdefault(key, [])
        while len(done) < wanted:
            done.append(page_ratios(family, n, [SEED, number, n, len(done)]))
        keep.write_text(json.dumps(pages))
        print(key, len(done), file=sys.stderr, flush=True)
    return pages


def tail(leads: FloatArray) -> FloatArray:
    """Share of pages at or above each of `SCORES`.

    It is counted while at least `COUNTED` pages are left. Beyond, it falls as exp(-score): that
    is the slowest fall that evidence against the right null can have in the long run.
    """
    above = (leads[:, None] >= SCORES).sum(axis=0)
    counted = np.flatnonzero(above >= COUNTED)
    last = int(counted[-1]) if counted.size else 0
    share = np.maximum(above, COUNTED) / leads.size
    beyond = np.exp(-np.maximum(SCORES - SCORES[last], 0.0))
    return np.where(np.arange(SCORES.size) <= last, share, share[last] * beyond)


def tails(pages: dict[str, Any]) -> dict[str, dict[str, list[float]]]:
    """For each kind and size, the largest tail among the named families."""
    out: dict[str, dict[str, list[float]]] = {}
    for kind in NAMED:
        out[kind] = {}
        for n in SIZES:
            largest = np.zeros(SCORES.size)
            for label in NAMED[kind]:
                kept = pages[f"{kind}/{label}/{n}"]
                leads = np.array(
                    [
                        NEVER if r is None else score(r, n, teeth=int(r.get("teeth", 0)))
                        for r in kept
                    ]
                )
                largest = np.maximum(largest, tail(leads))
            out[kind][str(n)] = [round(float(v), 6) for v in np.minimum(largest, 1.0)]
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=400)
    parser.add_argument("--rescore", action="store_true")
    parser.add_argument("--tiny", action="store_true", help="two pages a family; nothing is kept")
    parser.add_argument(
        "--pages", type=Path, default=ROOT / "benchmarks" / "results" / "calibration_pages.json"
    )
    options = parser.parse_args()
    if options.tiny:
        with tempfile.TemporaryDirectory() as folder:
            print(len(tails(draw(2, Path(folder) / "pages.json"))), "tails")
        return
    options.pages.parent.mkdir(parents=True, exist_ok=True)
    pages = (
        json.loads(options.pages.read_text())
        if options.rescore
        else draw(options.replicates, options.pages)
    )
    table = {
        "schema": "quantize.calibration/1",
        "seed": SEED,
        "numpy": np.__version__,
        "pages": {str(n): len(pages[f"continuous/uniform/{n}"]) for n in SIZES},
        "scores": SCORES.tolist(),
        "tails": tails(pages),
    }
    TABLE.write_text(json.dumps(table, indent=1) + "\n")


if __name__ == "__main__":
    main()
