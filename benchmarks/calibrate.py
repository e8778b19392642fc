"""Make the table that turns the score of the level placement into p-values.

``python -m benchmarks.calibrate`` draws the families of `benchmarks.families.NAMED`, scores every
page, and writes quantize/null/calibration.json: for each kind of null and each size the largest
share, over its families, of scores above each value. `--replicates` sets the pages for a family at
8 and 20 readings; half as many are drawn at 60 and a quarter at 200. `--rescore` uses the pages
kept by the last run.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.families import COMBS, HELD_OUT, NAMED, Family
from benchmarks.families import comb as make_comb
from quantize import InputError, Readings
from quantize.comb.grid import band_for
from quantize.null.calibration import SIZES, score
from quantize.null.verdict import SURE, log_ratios

ROOT = Path(__file__).resolve().parents[1]
TABLE = ROOT / "quantize" / "null" / "calibration.json"
SEED = 20240611
SCORES = np.round(np.arange(-4.0, 6.01, 0.25), 2)
NEVER = -99.0


def page_ratios(family: Family, n: int, seed: list[int]) -> dict[str, float] | None:
    """Log Bayes factors of one page at the default band, or None where no comb can show."""
    values = family(np.random.default_rng(seed), n)
    readings = Readings(values)
    try:
        ratios, enough = log_ratios(readings, band_for(readings).limits)
    except InputError:
        return None
    kept = {name: round(value, 3) for name, value in ratios.items()}
    return kept if enough >= SURE else None


def draw(replicates: int, keep: Path) -> dict[str, Any]:
    """Score-independent part: the log Bayes factors of every page."""
    pages: dict[str, Any] = json.loads(keep.read_text()) if keep.exists() else {}
    jobs: list[tuple[str, Family, int]] = []
    for label, (integers, spread, n, _) in COMBS.items():
        jobs.append((f"comb/{label}/{n}", make_comb(integers, spread), n))
    for n in SIZES:
        for group, collection in (("named", NAMED), ("held", HELD_OUT)):
            for kind, families in collection.items():
                for label, family in families.items():
                    jobs.append((f"{group}/{kind}/{label}/{n}", family, n))
    for number, (key, family, n) in enumerate(jobs):
        wanted = max(replicates // {8: 1, 20: 1, 40: 1, 60: 2, 200: 4}[n], 2)
        done = pages.setdefault(key, [])
        while len(done) < wanted:
            done.append(page_ratios(family, n, [SEED, number, n, len(done)]))
        keep.write_text(json.dumps(pages))
        print(key, len(done), file=sys.stderr, flush=True)
    return pages


def tails(pages: dict[str, Any]) -> dict[str, dict[str, list[float]]]:
    """For each kind and size, the largest tail among the named families."""
    out: dict[str, dict[str, list[float]]] = {}
    for kind in NAMED:
        out[kind] = {}
        for n in SIZES:
            share = np.zeros(SCORES.size)
            least = 1.0
            for key, ratios in pages.items():
                group, of_kind, _, size = (
                    key.split("/") if key.count("/") == 3 else ("", "", "", "0")
                )
                if group != "named" or of_kind != kind or int(size) != n or not ratios:
                    continue
                leads = np.array([NEVER if r is None else score(r, n) for r in ratios])
                above = (leads[:, None] >= SCORES).sum(axis=0) + 1
                share = np.maximum(share, above / (leads.size + 1))
                least = min(least, 1 / (leads.size + 1))
            if share[0] == 0:
                raise SystemExit(f"no pages of kind {kind} at {n} readings")
            out[kind][str(n)] = [round(float(v), 5) for v in np.clip(share, least, 1.0)]
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=400)
    parser.add_argument("--rescore", action="store_true")
    parser.add_argument(
        "--pages", type=Path, default=ROOT / "benchmarks" / "results" / "calibration_pages.json"
    )
    options = parser.parse_args()
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
        "replicates": {
            str(n): max(
                (len(v) for k, v in pages.items() if k.endswith(f"/{n}") and k.startswith("named")),
                default=0,
            )
            for n in SIZES
        },
        "scores": SCORES.tolist(),
        "tails": tails(pages),
    }
    TABLE.write_text(json.dumps(table, indent=1) + "\n")


if __name__ == "__main__":
    main()
