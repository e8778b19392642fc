"""Clean pages through every check: how uniform the p-values are, and how often any check doubts.

The pages come from the plain simulator, and of one kind from `SimulatedBench`; those without a
weight are those of the usual bench, the weight left out. Each goes through `Run`, `Run.fit` and
`Run.checks`. Where the fall drifts, the sphere loses 3 % of its weight from the first row to the
last. Page s of a kind has the seed 5000 + s. Finished pages are kept in
benchmarks/results/checks.json.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from benchmarks.plain import DROPS, Bench, PlainBench, simulate
from benchmarks.runner import (
    AFRESH,
    RESULTS,
    Array,
    Kept,
    benchmark,
    figures,
    head,
    number,
    row,
)
from quantize.charge import Run, SimulatedBench

Page = tuple[Any, dict[str, Any]]
Record = dict[str, Any]
DRIFTING = "drifting fall"
RIGHTLY = ("the fall stays the same: with time", "all inputs agree on one sphere")
"""What may be said where the fall drifts."""


def _usual(seed: int, **bench: Any) -> Page:
    return simulate(Bench(**bench), seed)[:2]


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
    run = Run(*KINDS[kind](5000 + seed))
    checks = run.checks(run.fit()).checks
    p = {check.name: check.p_value for check in checks if not np.isnan(check.p_value)}
    said = {
        level: [check.name for check in checks if check.level in levels]
        for level, levels in (("doubt", ("doubt", "bad")), ("bad", ("bad",)))
    }
    return {"p": p} | said


def spoken(record: Record, level: str, kind: str) -> list[str]:
    """The checks that speak without reason."""
    return [name for name in record[level] if kind != DRIFTING or name not in RIGHTLY]


def doubts(records: dict[str, list[Record]]) -> Iterator[str]:
    """The table of kinds of pages."""
    total: Counter[str] = Counter()
    for kind, rows in records.items():
        names = Counter(n.split(":")[0] for each in rows for n in spoken(each, "doubt", kind))
        one = Counter(number=len(rows)) + Counter(
            level for level in ("doubt", "bad") for each in rows if spoken(each, level, kind)
        )
        total += one
        said = ", ".join(f"{name} ({k})" for name, k in names.most_common()) or "none"
        yield row(kind, _cells(one), said)
    yield f"| all | {_cells(total)} | |"


def _cells(one: Counter[str]) -> str:
    share = one["doubt"] / one["number"]
    return f"{one['number']} | {one['doubt']} | {share:.3f} | {one['bad']}"


def small_p(records: dict[str, list[Record]]) -> Iterator[str]:
    """The table of checks."""
    steady = [each for kind, rows in records.items() if kind != DRIFTING for each in rows]
    for name in dict.fromkeys(name for each in steady for name in each["p"]):
        p, other = _values(steady, name), _values(records.get(DRIFTING, []), name)
        last = f"{other.size} | {_shares(other, 0.01, 0.05)}" if other.size else "– | – | –"
        yield row(name, p.size, _shares(p, 0.01, 0.05, 0.2, 0.5), last)


def _values(rows: list[Record], name: str) -> Array:
    return np.array([each["p"][name] for each in rows if name in each["p"]])


def _shares(p: Array, *limits: float) -> str:
    return figures((np.mean(p < limit) for limit in limits), 3)


@benchmark(
    "False doubts of the checks",
    number("--pages", 100, 2, "pages of each kind"),
    AFRESH,
    quiet=True,
)
def main(options: Any) -> Iterator[str]:
    kept = Kept(None if options.tiny else RESULTS / "checks.json", afresh=options.afresh)
    records = {}
    for kind in list(KINDS)[: 1 if options.tiny else None]:
        records[kind] = kept.of(checked, kind, options.pages)
        print(kind, file=sys.stderr, flush=True)
    yield from (
        "Clean pages of a bench through every check that `Run.checks` makes with the result of "
        "`Run.fit`. On so many",
        "pages of each kind any check says doubt, or bad. A sound run should be doubted by any "
        "check at 5 % at most.",
        f"Where the fall drifts, {' and '.join(f'“{name}”' for name in RIGHTLY)} speak with reason",
        "and are not counted.",
        "",
        *head("pages", "number", "in doubt or bad", "share", "bad", "by"),
        *doubts(records),
        "",
        "Shares of the p-values of each check that are small, over all pages but those whose fall "
        "drifts, and over",
        "those. Uniform ones have 0.01, 0.05, 0.2 and 0.5.",
        "",
    )
    drifting = ("drifting: pages", "below 0.01", "0.05")
    yield from head("check", "pages", "below 0.01", "0.05", "0.2", "0.5", *drifting)
    yield from small_p(records)


if __name__ == "__main__":
    main()
