"""Pages with one planted fault: found, rightly named, the unit right; and pages without steps.

    python -m benchmarks.bench_faults                        20 pages a fault, 60 clean, 300 without
    python -m benchmarks.bench_faults --tiny                 a smoke run
    python -m benchmarks.bench_faults --write docs/tables    also write the table

The pages come from the plain simulator of the tests, which shares no code with the package. One
row has the label of another state, the wrong sign, ten divisions too many or too few, or a charge
that changed within the interval by one unit, which moves the reading by any part of a unit, or by
half of one at least; or the sphere loses 8 % of its weight from the first row to the last. "As
written" is the same page with every row taken as it stands. Clean pages go through every check.
Pages without steps, clean and spoilt, go through `Run.analyze` with rows put right and as written,
which shows whether putting rows right makes steps. Finished pages are kept in
benchmarks/results/bench_faults.json; ``--afresh`` begins again.
"""

from __future__ import annotations

import argparse
import json
import sys
import warnings
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.tables import keep
from quantize.charge import Run
from quantize.charge.faults import believed
from quantize.charge.levels import levels_of, steadied
from quantize.charge.run_analysis import RunAnalysis
from quantize.studies.families import are_multiples

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))
from plain_bench import Bench, simulate

Sizes = npt.NDArray[np.float64]
Record = dict[str, Any]
ROOT = Path(__file__).resolve().parents[1]
RESULTS = ROOT / "benchmarks" / "results" / "bench_faults.json"
SEED = 1414
HALF = "changed charge, half a unit or more"
KINDS = (
    "label", "sign", "sign of a fall", "ten divisions", "changed charge", HALF, "drift of 8 %",
)  # fmt: skip
WORDS = {
    "label": "fits state",
    "sign": "reversing the sign",
    "sign of a fall": "reversing the sign",
    "ten divisions": "ten divisions",
    "changed charge": "lies apart",
    HALF: "lies apart",
}
"""What the sentence about each kind says."""
_WRONG = 0.05  # of the unit; further off it is another one
_RESAMPLES = 99
_LEAST_SPAN = 5.0  # divisions: twice the smallest unit that shows in whole ones


SPOILT = ("clean", "label", "sign", "ten divisions")
UNITS, NOISE = (1.0, 3.0), 0.05
"""Two units between these are summed up, in true units, unless all sums are multiples of one within
the noise of a state."""
READS, STATES, SMALLEST, LARGEST = 4, 8, 2.0, 9.0


def _continuous(rng: np.random.Generator) -> Sizes:
    return rng.uniform(SMALLEST, LARGEST, STATES)


def _levels(rng: np.random.Generator) -> Sizes:
    return rng.choice(rng.uniform(SMALLEST, LARGEST, STATES // 2), STATES)


def _sums(rng: np.random.Generator) -> Sizes:
    while True:
        first, second = rng.uniform(*UNITS, 2)
        sizes = first * rng.integers(0, 3, STATES) + second * rng.integers(1, 3, STATES)
        if not are_multiples(np.unique(sizes), NOISE):
            return sizes


WITHOUT: dict[str, Callable[[np.random.Generator], Sizes]] = {
    "continuous charges": _continuous,
    "four levels anywhere": _levels,
    "sums of two units": _sums,
}
"""Sizes of the charge states of pages without steps, in true units."""


def page(kind: str, seed: int, without: str | None = None) -> tuple[Run, dict[str, Any], int]:
    """A page with its fault, the truth, and the number of the faulty row (0 for none).

    `without` names the kind of sizes that are no steps.
    """
    rng = np.random.default_rng([SEED, seed])
    bench = Bench(evaporated=0.08 * ("drift" in kind))
    if without is not None:
        sizes = WITHOUT[without](np.random.default_rng([SEED, seed, 1]))
        bench = Bench(states=tuple((float(size), READS) for size in sizes))
    rows, apparatus, truth = simulate(bench, SEED + seed)
    driven = [v != 0 for v in rows["V"]]
    moved = np.where(driven, np.abs(rows["divisions"]), 0)
    rising = np.flatnonzero(moved > min(3, moved.max() - 1)).tolist()
    i = int(rng.choice([i for i, up in enumerate(driven) if not up] if "fall" in kind else rising))
    if kind == "label":
        others = sorted(set(rows["state"]) - {rows["state"][i]})
        rows["state"][i] = str(rng.choice(others))
    elif kind.startswith("sign"):
        rows["divisions"][i] *= -1
    elif kind == "ten divisions":
        rows["divisions"][i] += 10.0 * rng.choice([-1, 1])
    elif kind.startswith("changed charge"):
        least = 0.5 if kind == HALF else 0.0
        part = truth["unit"] * rng.choice([-1, 1]) * (least + (1 - least) * rng.random())
        rows["divisions"][i] = float(round(rows["divisions"][i] + part))
    else:
        i = -1  # clean, or the fall of all rows
    return Run(rows, apparatus), truth, i + 1


def right(run: Run, truth: dict[str, Any], *, mend: bool) -> tuple[bool, bool]:
    """Whether the unit is right, and whether its 95 % hold it."""
    fit = run.fit(mend=mend)
    low_high = fit.interval(0.95)
    held = any(low <= truth["unit"] <= high for low, high in low_high)
    return bool(abs(fit.unit / truth["unit"] - 1) <= _WRONG), bool(held)


def planted(kind: str, seed: int) -> Record:
    """What comes of one page with a fault."""
    run, truth, row = page(kind, seed)
    faults = believed(run)[1]
    if row:
        mine = [fault.sentence for fault in faults if fault.row == row]
        check = run.checks().of("the charge stayed the same")
        if (
            kind.startswith("changed charge")
            and check.level != "good"
            and f"row {row} lies" in check.sentence
        ):
            mine.append(f"lies apart: {check.sentence}")
        found = bool(mine)
        named = any(WORDS[kind] in sentence.lower() for sentence in mine)
    else:
        found = named = steadied(run, levels_of(run)).drift is not None
    unit, held = right(run, truth, mend=True)
    before = right(run, truth, mend=False)[0] if faults else unit
    return {"found": found, "named": named, "unit": unit, "held": held, "before": before}


def clean(kind: str, seed: int) -> Record:
    """What is said against one clean page: rows called wrong, a line in time, checks not good."""
    run = page(kind, 10_000 + seed)[0]
    found = analyzed(run, mend=True)
    doubts = [c.name for c in found.checks.checks if c.level in ("doubt", "bad")]
    line = steadied(run, levels_of(run)).drift is not None
    return {"wrong": bool(believed(run)[1]), "line": line, "doubts": doubts}


def without_steps(kind: str, seed: int) -> Record:
    """The verdict on one page without steps, rows put right and as written.

    Where all levels are within some divisions, no unit could show and the page is refused.
    """
    sizes, spoilt = kind.split(": ")
    run = page(spoilt, 20_000 + seed, sizes)[0]
    if np.ptp(run.joined()[0]) < _LEAST_SPAN:
        return {"faults": 0, "mended": "refused", "written": "refused"}
    faults = len(believed(run)[1])
    found = analyzed(run, mend=True).verdict
    written = analyzed(run, mend=False).verdict if faults else found
    return {"faults": faults, "mended": found, "written": written}


def analyzed(run: Run, *, mend: bool) -> RunAnalysis:
    """The answer that a user gets."""
    return run.analyze(mend=mend, n_resamples=_RESAMPLES, rng=1)


class Kept:
    """Records of finished pages, kept in a file as they come."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        exists = path is not None and path.exists()
        self.records: dict[str, Record] = json.loads(path.read_text()) if path and exists else {}

    def of(self, page_of: Callable[[str, int], Record], kind: str, n: int) -> list[Record]:
        """The first `n` records of a kind of pages, and those after them that are kept already."""
        first = f"{page_of.__name__}/{kind}/"
        names = [f"{first}{seed}" for seed in range(n)]
        names += [name for name in self.records if name.startswith(first) and name not in names]
        for seed, name in enumerate(names):
            if name not in self.records:
                self.records[name] = page_of(kind, seed)
                if self.path is not None:
                    self.path.parent.mkdir(parents=True, exist_ok=True)
                    self.path.write_text(json.dumps(self.records) + "\n")
        return [self.records[name] for name in names]


def faulty_rows(kept: Kept, kinds: Sequence[str], n: int) -> list[str]:
    """The table of planted faults."""
    lines = [
        "Pages of 40 rows with one fault each: on how many it is found, the sentence says what it "
        "is, the unit is",
        "right within 5 %, its 95 % set holds the truth, and the unit is right with every row "
        "taken as written.",
        "A drift is found where the fall is taken as a line in time, and named where that is said.",
        "",
        "| fault | pages | found | named | unit right | holds it | right as written |",
        "|---|---|---|---|---|---|---|",
    ]
    names = ("found", "named", "unit", "held", "before")
    for kind in kinds:
        rows = kept.of(planted, kind, n)
        counts = " | ".join(str(sum(row[name] for row in rows)) for name in names)
        lines.append(f"| {kind} | {len(rows)} | {counts} |")
        print(lines[-1], flush=True)
    return lines


def clean_rows(kept: Kept, n: int) -> list[str]:
    """What is said against clean pages."""
    rows = kept.of(clean, "clean", n)
    doubts = Counter(name.split(":")[0] for row in rows for name in set(row["doubts"]))
    said = ", ".join(f"{name} ({k})" for name, k in doubts.most_common()) or "none"
    lines = [
        "",
        f"On {len(rows)} clean pages a row is called wrong on {sum(row['wrong'] for row in rows)}, "
        f"the fall is taken as a line in time on {sum(row['line'] for row in rows)},",
        f'and any check says "doubt" or "bad" on {sum(bool(row["doubts"]) for row in rows)}: '
        f"{said}.",
    ]
    print("\n".join(lines), flush=True)
    return lines


def rows_without(kept: Kept, n: int, tiny: bool) -> list[str]:
    """False "steps" of pages without steps."""
    lines = [
        "",
        "Pages of 40 rows without steps that are called steps at 5 %, with the rows put right "
        "that are believed",
        "to be wrong and with every row as written; sums of two units are not held against steps "
        "that a unit",
        "common to them would make. Rows are put right on so many pages.",
        "",
        "| sizes | fault | pages | rows put right | steps, put right | steps, as written |",
        "|---|---|---|---|---|---|",
    ]
    total = Counter[str]()
    for sizes in list(WITHOUT)[: 1 if tiny else None]:
        for spoilt in SPOILT[: 2 if tiny else None]:
            rows = kept.of(without_steps, f"{sizes}: {spoilt}", n)
            counts = Counter(
                pages=len(rows),
                faults=sum(bool(row["faults"]) for row in rows),
                mended=sum(row["mended"] == "steps" for row in rows),
                written=sum(row["written"] == "steps" for row in rows),
            )
            total.update(counts)
            lines.append(f"| {sizes} | {spoilt} | {_cells(counts)} |")
            print(lines[-1], flush=True)
    lines.append(f"| all | | {_cells(total)} |")
    print(lines[-1], flush=True)
    return lines


def _cells(counts: Counter[str]) -> str:
    return " | ".join(str(counts[name]) for name in ("pages", "faults", "mended", "written"))


def main(arguments: list[str] | None = None) -> None:
    """Print the tables, and write them when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--pages", type=int, default=20)
    parser.add_argument("--clean", type=int, default=60)
    parser.add_argument("--without", type=int, default=25, help="pages without steps of each kind")
    parser.add_argument("--afresh", action="store_true", help="leave out what was kept")
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    tiny = options.tiny
    if options.afresh:
        RESULTS.unlink(missing_ok=True)
    kept = Kept(None if tiny else RESULTS)
    warnings.simplefilter("ignore")
    kinds = KINDS[:1] if tiny else KINDS
    without = rows_without(kept, 1 if tiny else options.without, tiny)
    lines = faulty_rows(kept, kinds, 1 if tiny else options.pages)
    lines += clean_rows(kept, 1 if tiny else options.clean) + without
    keep(options.write, "bench_faults", "Planted faults", lines)


if __name__ == "__main__":
    main()
