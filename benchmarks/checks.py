"""Clean pages through every check: how uniform the p-values are, and how often any check doubts.

    python -m benchmarks.checks                        100 pages of each kind
    python -m benchmarks.checks --tiny                 a smoke run
    python -m benchmarks.checks --write docs/tables    also write the table

The pages come from the plain simulator of the tests, which shares no code with the package, and of
one kind from `SimulatedBench`; those without a weight are those of the usual bench, the weight left
out. Each goes through `Run`, `Run.fit` and `Run.checks`. Where the fall drifts, the sphere loses
3 % of its weight from the first row to the last: the checks of the fall and of its agreement with
the weight rightly speak there, and are not counted. Page s of a kind has the seed 5000 + s.
Finished pages are kept in benchmarks/results/checks.json; ``--afresh`` begins again.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.bench_faults import Kept, Record
from benchmarks.tables import keep
from quantize.charge import Run, SimulatedBench

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))
from plain_bench import DROPS, Bench, PlainBench, simulate

RESULTS = Path(__file__).resolve().parents[1] / "benchmarks" / "results" / "checks.json"
SEED = 5000
Page = tuple[Any, dict[str, Any]]
DRIFTING = "drifting fall"
RIGHTLY = ("the fall stays the same: with time", "all inputs agree on one sphere")
"""What may be said where the fall drifts."""


def _usual(seed: int, **bench: Any) -> Page:
    rows, apparatus, _ = simulate(Bench(**bench), seed)
    return rows, apparatus


def _without_weight(seed: int) -> Page:
    rows, apparatus = _usual(seed)
    del apparatus["sphere"]["weight"]
    return rows, apparatus


def _drawn(bench: PlainBench) -> Callable[[int], Page]:
    def page(seed: int) -> Page:
        drawn = bench.draw(np.random.default_rng(seed))
        return drawn.page, drawn.apparatus

    return page


KINDS: dict[str, Callable[[int], Page]] = {
    "usual bench": _usual,
    "no weight": _without_weight,
    "weight of the batch": _drawn(PlainBench()),
    "half divisions": _drawn(PlainBench(step=0.5, weight_of="this sphere")),
    "three falls": lambda seed: _usual(seed, falls=3),
    DRIFTING: lambda seed: _usual(seed, evaporated=0.03),
    "timed passages": _drawn(DROPS),
    "two voltages": _drawn(PlainBench(weaker=0.7, weight_of="this sphere")),
    "`SimulatedBench`": lambda seed: SimulatedBench().simulate(rng=seed)[:2],
}


def checked(kind: str, seed: int) -> Record:
    """The p-values of one page, and the checks that are not good."""
    run = Run(*KINDS[kind](SEED + seed))
    checks = run.checks(run.fit()).checks
    p = {check.name: check.p_value for check in checks if not np.isnan(check.p_value)}
    return {
        "p": p,
        "doubt": [check.name for check in checks if check.level in ("doubt", "bad")],
        "bad": [check.name for check in checks if check.level == "bad"],
    }


def spoken(record: Record, level: str, kind: str) -> list[str]:
    """The checks that speak without reason."""
    return [name for name in record[level] if kind != DRIFTING or name not in RIGHTLY]


def table(records: dict[str, list[Record]]) -> list[str]:
    """The lines of the page."""
    lines = [
        "Clean pages of a bench through every check that `Run.checks` makes with the result of "
        "`Run.fit`. On so many",
        "pages of each kind any check says doubt, or bad. A sound run should be doubted by any "
        "check at 5 % at most.",
        f"Where the fall drifts, {' and '.join(f'“{name}”' for name in RIGHTLY)} speak with reason",
        "and are not counted.",
        "",
        "| pages | number | in doubt or bad | share | bad | by |",
        "|---|---|---|---|---|---|",
    ]
    total: Counter[str] = Counter()
    for kind, rows in records.items():
        names = Counter(n.split(":")[0] for row in rows for n in spoken(row, "doubt", kind))
        one = Counter(
            number=len(rows),
            doubt=sum(bool(spoken(row, "doubt", kind)) for row in rows),
            bad=sum(bool(spoken(row, "bad", kind)) for row in rows),
        )
        total.update(one)
        said = ", ".join(f"{name} ({k})" for name, k in names.most_common()) or "none"
        lines.append(f"| {kind} | {_cells(one)} | {said} |")
    lines += [
        f"| all | {_cells(total)} | |",
        "",
        "Shares of the p-values of each check that are small, over all pages but those whose fall "
        "drifts, and over",
        "those. Uniform ones have 0.01, 0.05, 0.2 and 0.5.",
        "",
        "| check | pages | below 0.01 | 0.05 | 0.2 | 0.5 | drifting: pages | below 0.01 | 0.05 |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    steady = [row for kind, rows in records.items() if kind != DRIFTING for row in rows]
    names_of_all = dict.fromkeys(name for row in steady for name in row["p"])
    for name in names_of_all:
        p = _values(steady, name)
        drifting = _values(records.get(DRIFTING, []), name)
        other = (
            f"{drifting.size} | {_shares(drifting, 0.01, 0.05)}" if drifting.size else "– | – | –"
        )
        lines.append(f"| {name} | {p.size} | {_shares(p, 0.01, 0.05, 0.2, 0.5)} | {other} |")
    return lines


def _values(rows: list[Record], name: str) -> np.ndarray:
    return np.array([row["p"][name] for row in rows if name in row["p"]])


def _shares(p: np.ndarray, *limits: float) -> str:
    return " | ".join(f"{np.mean(p < limit):.3f}" for limit in limits)


def _cells(one: Counter[str]) -> str:
    share = one["doubt"] / one["number"]
    return f"{one['number']} | {one['doubt']} | {share:.3f} | {one['bad']}"


def main(arguments: list[str] | None = None) -> None:
    """Print the tables, and write them when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--pages", type=int, default=100, help="pages of each kind")
    parser.add_argument("--afresh", action="store_true", help="leave out what was kept")
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    if options.afresh:
        RESULTS.unlink(missing_ok=True)
    kept = Kept(None if options.tiny else RESULTS)
    warnings.simplefilter("ignore")
    kinds = list(KINDS)[: 1 if options.tiny else None]
    records = {}
    for kind in kinds:
        records[kind] = kept.of(checked, kind, 2 if options.tiny else options.pages)
        print(kind, file=sys.stderr, flush=True)
    lines = table(records)
    print("\n".join(lines))
    keep(options.write, "checks", "False doubts of the checks", lines)


if __name__ == "__main__":
    main()
