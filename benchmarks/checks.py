"""Clean pages through every check: how uniform the p-values are, and how often any check doubts.

Clean pages of a bench through every check that `Run.checks` makes with the result of `Run.fit`. On
so many pages of each kind any check says doubt, or bad. A sound run should be doubted by any check
at 5 % at most. Where the fall drifts, the sphere loses 3 % of its weight from the first row to the
last; “the fall stays the same: with time” and “all inputs agree on one sphere” speak with reason
there and are not counted.

The pages come from the plain simulator, and of one kind from `SimulatedBench`; those without a
weight are those of the usual bench, the weight left out. Page s of a kind has the seed 5000 + s.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from benchmarks.benches import DROPS, USUAL, Bench, PlainBench, page_of
from benchmarks.runner import KEEP, Lines, Options, benchmark, head, number, row
from quantize.charge import Run

Record = dict[str, Any]
DRIFTING = "drifting fall"
RIGHTLY = ("the fall stays the same: with time", "all inputs agree on one sphere")
"""What may be said where the fall drifts."""
KINDS: dict[str, Any] = {
    "usual bench": Bench(),
    "no weight": Bench(),
    "weight of the batch": PlainBench(),
    "half divisions": PlainBench(step=0.5, weight_of="this sphere"),
    "three falls": Bench(falls=3),
    DRIFTING: Bench(evaporated=0.03),
    "timed passages": DROPS,
    "two voltages": PlainBench(weaker=0.7, weight_of="this sphere"),
    "`SimulatedBench`": USUAL,
}


def checked(kind: str, seed: int) -> Record:
    """The p-values of one page, and the checks that are not good."""
    page, apparatus, _ = page_of(KINDS[kind], 5000 + seed)
    if kind == "no weight":
        del apparatus["sphere"]["weight"]
    run = Run(page, apparatus)
    checks = run.checks(run.fit()).checks
    p = {check.name: check.p_value for check in checks if not np.isnan(check.p_value)}
    doubt = [check.name for check in checks if check.level in ("doubt", "bad")]
    return {"p": p, "doubt": doubt, "bad": [c.name for c in checks if c.level == "bad"]}


def counted(names: list[list[str]]) -> str:
    """Which checks spoke on how many pages, by the first words of their names."""
    by_name = Counter(name.split(":")[0] for each in names for name in each)
    return ", ".join(f"{name} ({k})" for name, k in by_name.most_common()) or "none"


def doubts(records: dict[str, list[Record]]) -> Lines:
    """The rows of the kinds of pages."""
    total = np.zeros(3, int)
    for kind, rows in records.items():
        excused = RIGHTLY if kind == DRIFTING else ()
        doubt, bad = (
            [[name for name in each[level] if name not in excused] for each in rows]
            for level in ("doubt", "bad")
        )
        one = np.array([len(rows), sum(map(bool, doubt)), sum(map(bool, bad))])
        total += one
        yield row(kind, *one[:2], one[1] / one[0], one[2], counted(doubt), digits=3)
    yield row("all", *total[:2], total[1] / total[0], total[2], "", digits=3)


def small_p(records: dict[str, list[Record]]) -> Lines:
    """The rows of the checks."""
    steady = [each for kind, rows in records.items() if kind != DRIFTING for each in rows]
    for name in dict.fromkeys(name for each in steady for name in each["p"]):
        p, other = (
            np.array([each["p"][name] for each in rows if name in each["p"]])
            for rows in (steady, records.get(DRIFTING, []))
        )
        shares = (np.mean(p < limit) for limit in (0.01, 0.05, 0.2, 0.5))
        last: Any = "–––"
        if other.size:
            last = (other.size, np.mean(other < 0.01), np.mean(other < 0.05))
        yield row(name, p.size, *shares, *last, digits=3)


@benchmark(
    "False doubts of the checks",
    number("--pages", 100, 2, "pages of each kind"),
    KEEP,
    columns=("pages", "number", "in doubt or bad", "share", "bad", "by"),
    quiet=True,
)
def main(options: Options) -> Lines:
    kinds = options.first(KINDS)
    records = {kind: options.kept.of(checked, kind, options.pages) for kind in kinds}
    yield from doubts(records)
    yield from (
        "",
        "Shares of the p-values of each check that are small, over all pages but those whose fall "
        "drifts, and over those. Uniform ones have 0.01, 0.05, 0.2 and 0.5.",
        "",
    )
    drifting = ("drifting: pages", "below 0.01", "0.05")
    yield from head("check", "pages", "below 0.01", "0.05", "0.2", "0.5", *drifting)
    yield from small_p(records)
