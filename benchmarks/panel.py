"""An open panel: the same samples for every method, our own and those put together from libraries.

Every method of `benchmarks.panel_methods` is asked for a unit, an interval and a p-value of the
samples of `CELLS`. ``--with FILE.py:NAME`` adds a method of one's own, a function like this one::

    from quantize.studies import Answer

    def mine(values, unit_range, rng):
        unit, error, p = my_code(values, *unit_range)
        return Answer(unit=unit, interval=(unit - 2 * error, unit + 2 * error), p_value=p)

The panel is invented: its seeds are fixed, so that two people who run it see the same samples.
A method never sees the truth. What it raises counts as no answer.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import runpy
import time
from collections.abc import Sequence

import numpy as np

from benchmarks.combs import comb, one_to_eight, whole_poisson, whole_uniform
from benchmarks.panel_methods import METHODS, Method
from benchmarks.runner import WORKERS, Array, Lines, Option, Options, benchmark, head, number, row
from quantize import __version__
from quantize._support.parallel import ordered_map
from quantize.studies import Answer
from quantize.studies.families import Family, family

VERSION = 1
"""Of the panel: it changes with any cell or seed."""
SEED = 20_250
LEVEL = 0.05
TOLERANCE = 0.05
"""A unit is right within so much of the truth."""
UNITS = (0.3, 3.0)
"""Units to be tried, in units of the scale of a sample."""
SHOWN = 4
"""Digits of a reading, so that no method can tell a sample by its last bits."""


@dataclasses.dataclass(frozen=True)
class Cell:
    """One kind of sample: readings, how they are drawn, and whether they have steps of 1."""

    label: str
    n: int
    draw: Family
    steps: bool

    def sample(self, number: int) -> tuple[Array, float]:
        """The readings of sample `number`, and the scale that stands for one."""
        key = [ord(letter) for letter in self.label]
        rng = np.random.default_rng([SEED, VERSION, number, self.n, *key])
        scale = float(np.exp(rng.uniform(-1, 1)))
        return np.round(scale * self.draw(rng, self.n), SHOWN), scale


_COMBS = (
    ("1..8", 10, 0.10, one_to_eight),
    ("1..8", 20, 0.20, one_to_eight),
    ("1..8", 60, 0.25, one_to_eight),
    ("-4..4", 20, 0.15, whole_uniform),
    ("Poisson 2", 40, 0.15, whole_poisson),
)
_WITHOUT = (("uniform", 20), ("normal", 60), ("lognormal", 20), ("five levels", 20),
            ("four levels", 60), ("sums of two units", 20))  # fmt: skip
CELLS = (
    *(
        Cell(f"{name}, {n} at {spread:.2f}".replace("0.", "."), n, comb(whole, spread), True)
        for name, n, spread, whole in _COMBS
    ),
    *(Cell(f"{name}, {n}", n, family(name), False) for name, n in _WITHOUT),
)


def judged(answer: Answer | None, truth: float) -> tuple[float, float, float, float]:
    """Whether the unit is right and the interval holds it, its width, and whether it says steps.

    NaN where nothing was said; no answer is neither right nor steps.
    """
    if answer is None:
        return 0.0, math.nan, math.nan, 0.0
    holds, decision = answer.holds(truth), answer.decision
    ends = np.asarray([] if holds is None else answer.interval, float).reshape(-1, 2)
    return (
        float(abs(answer.unit / truth - 1) <= TOLERANCE),
        math.nan if holds is None else float(holds),
        math.nan if holds is None else float(np.ptp(ends, axis=1).sum()) / truth,
        math.nan if math.isnan(decision) else float(decision <= LEVEL),
    )


def ask(own: tuple[str, ...], task: tuple[int, int]) -> list[tuple[float, ...]]:
    """What each method, those of one's own too, makes of one sample, and the seconds it took."""
    cell, number = CELLS[task[0]], task[1]
    values, scale = cell.sample(number)
    entries = []
    for name, method in methods(own).items():
        rng = np.random.default_rng([SEED, number, *map(ord, name)])
        begin = time.perf_counter()
        try:
            answer = method(values.copy(), (UNITS[0] * scale, UNITS[1] * scale), rng)
        except Exception:
            answer = None
        seconds = time.perf_counter() - begin
        entries.append((*judged(answer, scale), seconds))
    return entries


def methods(own: tuple[str, ...]) -> dict[str, Method]:
    """Every method by name: those of `METHODS` and each FILE.py:NAME of `own`."""
    places = (place.rpartition(":") for place in own)
    return METHODS | {name: runpy.run_path(file)[name] for file, _, name in places}


def share(values: Array) -> str:
    """A share with its standard error, by two of each kind more (Agresti and Coull 1998)."""
    told = values[np.isfinite(values)]
    if not told.size:
        return "–"
    centre = (told.sum() + 2) / (told.size + 4)
    return f"{told.mean():.2f} ± {math.sqrt(centre * (1 - centre) / (told.size + 4)):.2f}"


def median(values: Array) -> str:
    """The median of what was said."""
    told = values[np.isfinite(values)]
    return f"{np.median(told):.2g}" if told.size else "–"


def page(names: list[str], cells: Sequence[Cell], found: Array) -> Lines:
    """The rows, a column for each method; `found` by cell, sample, method and what is judged."""
    right, holds, width, called, seconds = np.moveaxis(found, -1, 0)
    combs = [at for at, cell in enumerate(cells) if cell.steps]
    rows = [(f"right unit: {cells[at].label}", right[at], share) for at in combs]
    for at, cell in enumerate(cells):
        label = "steps found" if cell.steps else 'false "steps"'
        rows.append((f"{label}: {cell.label}", called[at], share))
    rows.append(("interval holds the unit", holds[combs], share))
    rows.append(("median width of the interval, of the unit", width[combs], median))
    rows.append(("median seconds", seconds, median))
    for label, values, of in rows:
        yield row(label, *(of(values[..., at].ravel()) for at in range(len(names))))


@benchmark(
    "An open panel of methods",
    number("--samples", 100, 1),
    WORKERS,
    Option("--with", dest="own", action="append", default=[], metavar="FILE.py:NAME"),
)
def main(options: Options) -> Lines:
    """Draw, ask, and give the lines of the table; a tiny run has three of the cells."""
    own, samples = tuple(options.own), options.samples
    names, cells = list(methods(own)), range(0, len(CELLS), 5 if options.tiny else 1)
    tasks = [(cell, seed) for cell in cells for seed in range(samples)]
    found = np.array(list(ordered_map(functools.partial(ask, own), tasks, options.workers)))
    yield (
        f"Panel {VERSION}, quantize {__version__}, {samples} samples a cell; shares with their "
        f"standard errors. A unit is right within {100 * TOLERANCE:g} %; steps are called at "
        f"p ≤ {LEVEL:g} or as the method decides; units from {UNITS[0]:g} to {UNITS[1]:g} of the "
        "scale are tried. A dash: the method says nothing of it."
    )
    yield from ("", *head("", *names))
    asked = [CELLS[cell] for cell in cells]
    yield from page(names, asked, found.reshape(len(asked), samples, len(names), -1))
