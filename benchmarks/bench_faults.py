"""Pages with one planted fault: found, rightly named, the unit right; and pages without steps.

Pages of 40 rows with one fault each: on how many it is found, the sentence says what it is, the
unit is right within 5 %, its 95 % set holds the truth, and the unit is right with every row taken
as written. One row has the label of another state, the wrong sign, ten divisions too many or too
few, or a charge that changed within the interval by one unit, which moves the reading by any part
of a unit, or by half of one at least; or the sphere loses 8 % of its weight from the first row to
the last. That is found where the fall is taken as a line in time, and named where that is said. The
pages come from the plain simulator; seed 1414.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import norm

from benchmarks.benches import Bench, page_of
from benchmarks.checks import Record, counted
from benchmarks.runner import KEEP, Lines, Options, benchmark, head, holds, number, row
from quantize._support.errors import InputError
from quantize.charge import Run
from quantize.charge.checks import DOUBT
from quantize.charge.faults import believed
from quantize.charge.levels import levels_of, steadied
from quantize.charge.run_analysis import RunAnalysis
from quantize.studies.families import are_multiples

SEED = 1414
HALF = "changed charge, half a unit or more"
WORDS = {
    "label": "fits state",
    "sign": "reversing the sign",
    "sign of a fall": "reversing the sign",
    "ten divisions": "ten divisions",
    "changed charge": "lies apart",
    HALF: "lies apart",
}
"""What the sentence about each kind says."""
KINDS = (*WORDS, "drift of 8 %")
SPOILT = ("clean", "label", "sign", "ten divisions")
UNITS, NOISE = (1.0, 3.0), 0.05
"""Two units between these are summed up, in true units, unless all sums are multiples of one within
the noise of a state."""
READS, STATES, ENDS = 4, 8, (2.0, 9.0)


def _sums(rng: np.random.Generator) -> np.ndarray:
    while True:
        first, second = rng.uniform(*UNITS, 2)
        sizes = first * rng.integers(0, 3, STATES) + second * rng.integers(1, 3, STATES)
        if not are_multiples(np.unique(sizes), NOISE):
            return sizes


WITHOUT = {
    "continuous charges": lambda rng: rng.uniform(*ENDS, STATES),
    "four levels anywhere": lambda rng: rng.choice(rng.uniform(*ENDS, STATES // 2), STATES),
    "sums of two units": _sums,
}
"""Sizes of the charge states of pages without steps, in true units."""


def page(kind: str, seed: int, without: str | None = None) -> tuple[Run, Record, int]:
    """A page with its fault, the truth, and the number of the faulty row (0 for none).

    `without` names the kind of sizes that are no steps.
    """
    rng = np.random.default_rng([SEED, seed])
    bench = Bench(evaporated=0.08 * ("drift" in kind))
    if without is not None:
        sizes = WITHOUT[without](np.random.default_rng([SEED, seed, 1]))
        bench = Bench(states=tuple((float(size), READS) for size in sizes))
    rows, apparatus, truth = page_of(bench, SEED + seed)
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


def line_in_time(run: Run) -> bool:
    """Whether the fall is taken as a line in time."""
    return steadied(run, levels_of(run)).drift is not None


def planted(kind: str, seed: int) -> Record:
    """What comes of one page with a fault: a column each, in the order of the table."""
    run, truth, faulty = page(kind, seed)
    faults = believed(run)[1]
    if faulty:
        mine = [fault.sentence for fault in faults if fault.row == faulty]
        check = run.checks().of("the charge stayed the same")
        apart = check.level != "good" and f"row {faulty} lies" in check.sentence
        if kind.startswith("changed charge") and apart:
            mine.append(f"lies apart: {check.sentence}")
        found, named = bool(mine), any(WORDS[kind] in sentence.lower() for sentence in mine)
    else:
        found = named = line_in_time(run)
    fit, unit = run.fit(), truth["unit"]
    before = run.fit(mend=False) if faults else fit
    right, as_written = (bool(abs(each.unit / unit - 1) <= 0.05) for each in (fit, before))
    out = {"found": found, "named": named, "unit": right, "held": holds(fit, unit)}
    return out | {"before": as_written}


def told_by_an_oracle(kind: str, seed: int, chance: float) -> bool:
    """Whether who knows all but the row would see a charge that changed.

    Expectation and scatter of every row are known; on `chance` of clean pages a row is called.
    """
    run, truth, faulty = page(kind, seed)
    bench = Bench()
    expected = truth["unit"] * np.array(truth["units"]) - truth["fall"]
    sigma = np.array([bench.deviation(bench.diameter, moved) for moved in expected])
    rows = run.driven
    away = np.abs(rows["divisions"].to_numpy(float) - expected) / sigma
    p = 2 * norm.sf(away[rows["row"].tolist().index(faulty)])
    return bool(1 - (1 - p) ** away.size < chance)


def clean(kind: str, seed: int) -> Record:
    """What is said against one clean page: rows called wrong, a line in time, checks not good."""
    run = page(kind, 10_000 + seed)[0]
    checks = analyzed(run).checks.checks
    doubts = [check.name for check in checks if check.level in ("doubt", "bad")]
    return {"wrong": bool(believed(run)[1]), "line": line_in_time(run), "doubts": doubts}


def without_steps(kind: str, seed: int) -> Record:
    """The verdict on one page without steps, rows put right and as written.

    Where all levels are within some divisions, no unit could show and the page is refused.
    """
    sizes, spoilt = kind.split(": ")
    run = page(spoilt, 20_000 + seed, sizes)[0]
    put = bool(believed(run)[1])
    try:
        found = analyzed(run).verdict == "steps"
        written = analyzed(run, mend=False).verdict == "steps" if put else found
    except InputError:
        found = written = False
    return {"put": put, "mended": found, "written": written}


def analyzed(run: Run, *, mend: bool = True) -> RunAnalysis:
    """The answer that a user gets."""
    return run.analyze(mend=mend, n_resamples=99, rng=1)


def summed(rows: list[Record]) -> list[int]:
    """How many pages there are, and on how many each holds."""
    return [len(rows), *(sum(each[name] for each in rows) for name in rows[0])]


def in_words(options: Options) -> Lines:
    """What could be seen at all of a changed charge, and what is said against clean pages."""
    pages, kind = options.pages, "changed charge"
    told = [
        sum(told_by_an_oracle(kind, i, chance) for i in range(pages)) for chance in (DOUBT, 0.05)
    ]
    yield (
        "Who knew the expectation and the scatter of every row would see the changed charge on "
        f"{told[0]} of the {pages} pages\nif a row is to be called wrong on {100 * DOUBT:g} % of "
        f"clean pages, as this check does, and on {told[1]} if on 5 %;\nthe rest moved by less "
        "than the scatter.\n"
    )
    rows = options.kept.of(clean, "clean", options.clean)
    wrong, line = (sum(each[name] for each in rows) for name in ("wrong", "line"))
    doubts = [each["doubts"] for each in rows]
    yield (
        f"On {len(rows)} clean pages a row is called wrong on {wrong}, the fall is taken as a line "
        f'in time on {line},\nand any check says "doubt" or "bad" on {sum(map(bool, doubts))}: '
        f"{counted(doubts)}.\n"
    )


@benchmark(
    "Planted faults",
    number("--pages", 20, 1, "pages of each fault"),
    number("--clean", 60, 1, "clean pages"),
    number("--without", 25, 1, "pages without steps of each kind"),
    KEEP,
    columns=("fault", "pages", "found", "named", "unit right", "holds it", "right as written"),
    quiet=True,
)
def main(options: Options) -> Lines:
    for kind in options.first(KINDS):
        yield row(kind, *summed(options.kept.of(planted, kind, options.pages)))
    yield from ("", *in_words(options))
    yield (
        "Pages of 40 rows without steps that are called steps at 5 %, with the rows put right "
        "that are believed\nto be wrong and with every row as written; sums of two units are not "
        "held against steps that a unit\ncommon to them would make. Rows are put right on so many "
        "pages.\n"
    )
    put = ("rows put right", "steps, put right", "steps, as written")
    yield from head("sizes", "fault", "pages", *put)
    every = []
    for sizes in options.first(WITHOUT):
        for spoilt in options.first(SPOILT, 2):
            rows = options.kept.of(without_steps, f"{sizes}: {spoilt}", options.without)
            yield row(sizes, spoilt, *summed(rows))
            every += rows
    yield row("all", "", *summed(every))
