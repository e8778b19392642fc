"""How often readings show steps once as many more have been taken as the advice asks for.

Samples of a comb whose verdict is "cannot tell" are read on from the same comb and analyzed anew:
{samples} samples drawn in each cell, seed 22. Whole numbers are uniform on the range given, errors
normal, the true unit is 1. "Open" is the share of samples that could not tell, "a number" how many
of those were given one (the others are advised something else), "more" the median of it. The
advice promises steps in four cases of five. Last: all of them by the share of the posterior that
the best unit held.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

import numpy as np

import quantize as qz
from benchmarks.runner import WORKERS, Lines, Options, benchmark, child, head, number, row, told
from quantize._support.parallel import ordered_map


class Cell(NamedTuple):
    """One design: states, sigma/unit, readings of each state, whole numbers, samples."""

    states: int
    spread: float
    repeats: int = 1
    integers: tuple[int, int] = (-4, 4)
    samples: int = 1


CELLS = (
    *(Cell(*pair) for pair in ((8, 0.08), (10, 0.10), (20, 0.15), (20, 0.20), (30, 0.20))),
    *(Cell(n, 0.15, 2) for n in (6, 10)),
    *(Cell(n, 0.12, 1, (1, 8)) for n in (10, 20)),
)
SHARES = ((0.0, 0.5), (0.5, 0.9), (0.9, 1.0))
Found = tuple[float, int, str]
"""Of an open sample: share of the best unit, readings advised (0 for none), verdict after them."""


def drawn(cell: Cell, states: int, rng: np.random.Generator) -> qz.Readings:
    """So many states."""
    k = np.repeat(rng.integers(cell.integers[0], cell.integers[1] + 1, states), cell.repeats)
    state = np.repeat(np.arange(states), cell.repeats).astype(str) if cell.repeats > 1 else None
    return qz.Readings(k + cell.spread * rng.normal(size=k.size), state=state)


def both(first: qz.Readings, second: qz.Readings) -> qz.Readings:
    """The readings of two pages as one, the states of the second after those of the first."""
    values = np.concatenate([first.values, second.values])
    if first.state is None or second.state is None:
        return qz.Readings(values)
    return qz.Readings(values, state=[*first.state, *(f"{s} again" for s in second.state)])


def followed(cell: Cell) -> list[Found | None]:
    """What came of each sample; None where the verdict was not open."""
    out: list[Found | None] = []
    for seed in range(cell.samples):
        key = [22, cell.states, round(1000 * cell.spread), cell.repeats, cell.integers[1]]
        rng = child(key, seed)
        page = drawn(cell, cell.states, rng)
        found = qz.analyze(page, n_resamples=19, rng=0)
        if found.verdict != "cannot tell":
            out.append(None)
            continue
        said = re.search(r"about (\d+) more", " ".join(found.advice))
        more, after = int(said[1]) if said else 0, ""
        if more:
            page = both(page, drawn(cell, more, rng))
            after = qz.analyze(page, n_resamples=19, rng=0).verdict
        out.append((float(found.alternatives["share"].iloc[0]), more, after))
    return out


def shown(found: list[Found]) -> tuple[str, ...]:
    """Share called "steps" after the readings advised, with its error, and still open."""
    verdicts = [after for _, more, after in found if more]
    if not verdicts:
        return "", ""
    share = verdicts.count("steps") / len(verdicts)
    error = np.sqrt(share * (1 - share) / len(verdicts))
    return f"{share:.2f} ± {error:.2f}", f"{verdicts.count('cannot tell') / len(verdicts):.2f}"


@benchmark("Following the advice", number("--samples", 200, 4), WORKERS)
def main(options: Options) -> Lines:
    names = ("states", "sigma/unit", "readings of each", "integers")
    counts: tuple[Any, ...] = ("open", "a number", "more", "steps", "still open")
    yield from told(__doc__, options, *names, *counts)
    cells = [c._replace(samples=options.samples) for c in options.first(CELLS, 2)]
    every: list[Found] = []
    for cell, pages in zip(cells, ordered_map(followed, cells, options.workers), strict=True):
        found = [page for page in pages if page is not None]
        every += found
        numbers = [more for _, more, _ in found if more]
        median = f"{np.median(numbers):.0f}" if numbers else ""
        place = (cell.states, f"{cell.spread:.2f}", cell.repeats, "{} … {}".format(*cell.integers))
        part = f"{len(found) / cell.samples:.2f}"
        yield row(*place, part, f"{len(numbers)} of {len(found)}", median, *shown(found))
    yield from ("", *head("best unit holds", "a number", "steps", "still open"))
    for low, high in SHARES:
        some = [one for one in every if low < one[0] <= high]
        given = f"{sum(one[1] > 0 for one in some)} of {len(some)}"
        yield row(f"{low:.1f} to {high:.1f}", given, *shown(some))
