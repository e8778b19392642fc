"""An open panel: the same samples for every method, our own and those put together from libraries.

``python -m benchmarks.panel`` draws the samples of `CELLS`, asks every method of
`benchmarks.panel_methods` for a unit, an interval and a p-value, and prints one table with errors;
``--write docs/tables`` writes it. ``--with FILE.py:NAME`` adds a method of one's own, a function
like this one::

    from quantize.studies import Answer

    def mine(values, unit_range, rng):
        unit, error, p = my_code(values, *unit_range)
        return Answer(unit=unit, interval=(unit - 2 * error, unit + 2 * error), p_value=p)

The panel is invented: its seeds are fixed, so that two people who run it see the same samples.
A method never sees the truth. What it raises counts as no answer.
"""

from __future__ import annotations

import argparse
import dataclasses
import functools
import importlib.util
import math
import time
from pathlib import Path

import numpy as np

from benchmarks.families import comb, whole_poisson, whole_uniform
from benchmarks.panel_methods import METHODS, Method
from benchmarks.tables import keep
from quantize import __version__
from quantize._support.parallel import ordered_map
from quantize._support.validation import FloatArray
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

    def sample(self, number: int) -> tuple[FloatArray, float]:
        """The readings of sample `number`, and the scale that stands for one."""
        key = [ord(letter) for letter in self.label]
        rng = np.random.default_rng([SEED, VERSION, number, self.n, *key])
        scale = float(np.exp(rng.uniform(-1, 1)))
        return np.round(scale * self.draw(rng, self.n), SHOWN), scale


def _one_to_eight(rng: np.random.Generator, n: int) -> FloatArray:
    return rng.integers(1, 9, n).astype(float)


CELLS = (
    Cell("1..8, 10 at .10", 10, comb(_one_to_eight, 0.10), True),
    Cell("1..8, 20 at .20", 20, comb(_one_to_eight, 0.20), True),
    Cell("1..8, 60 at .25", 60, comb(_one_to_eight, 0.25), True),
    Cell("-4..4, 20 at .15", 20, comb(whole_uniform, 0.15), True),
    Cell("Poisson 2, 40 at .15", 40, comb(whole_poisson, 0.15), True),
    Cell("uniform, 20", 20, family("uniform"), False),
    Cell("normal, 60", 60, family("normal"), False),
    Cell("lognormal, 20", 20, family("lognormal"), False),
    Cell("five levels, 20", 20, family("five levels"), False),
    Cell("four levels, 60", 60, family("four levels"), False),
    Cell("sums of two units, 20", 20, family("sums of two units"), False),
)


@dataclasses.dataclass(frozen=True)
class Entry:
    """What one method made of one sample, held against the truth; NaN where it said nothing."""

    right: float
    holds: float
    width: float
    called_steps: float
    seconds: float


def judged(answer: Answer | None, truth: float, seconds: float) -> Entry:
    """An answer against the truth; no answer is neither right nor steps."""
    if answer is None:
        return Entry(0.0, math.nan, math.nan, 0.0, seconds)
    holds, decision = answer.holds(truth), answer.decision
    width = math.nan
    if answer.interval is not None:
        width = float(np.ptp(np.asarray(answer.interval, float).reshape(-1, 2), axis=1).sum())
    return Entry(
        right=float(abs(answer.unit / truth - 1) <= TOLERANCE),
        holds=math.nan if holds is None else float(holds),
        width=width / truth,
        called_steps=math.nan if math.isnan(decision) else float(decision <= LEVEL),
        seconds=seconds,
    )


def ask(own: tuple[str, ...], task: tuple[int, int]) -> list[Entry]:
    """What each method, those of one's own too, makes of one sample."""
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
        entries.append(judged(answer, scale, time.perf_counter() - begin))
    return entries


def methods(own: tuple[str, ...]) -> dict[str, Method]:
    """Every method by name: those of `METHODS` and each FILE.py:NAME of `own`."""
    found = dict(METHODS)
    for place in own:
        file, _, name = place.rpartition(":")
        spec = importlib.util.spec_from_file_location(Path(file).stem, file)
        if spec is None or spec.loader is None:
            raise SystemExit(f"--with {place}: give a Python file and a function, FILE.py:NAME")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        found[name] = getattr(module, name)
    return found


def share(values: FloatArray) -> str:
    """A share with its standard error, by two of each kind more (Agresti and Coull 1998)."""
    told = values[np.isfinite(values)]
    if not told.size:
        return "–"
    centre = (told.sum() + 2) / (told.size + 4)
    return f"{told.mean():.2f} ± {math.sqrt(centre * (1 - centre) / (told.size + 4)):.2f}"


def page(names: list[str], found: FloatArray, samples: int) -> list[str]:
    """One table: a column for each method; `found` by cell, sample, method and field."""
    fields = [field.name for field in dataclasses.fields(Entry)]
    part = {name: found[..., at] for at, name in enumerate(fields)}
    combs = [at for at, cell in enumerate(CELLS) if cell.steps]
    rows: list[tuple[str, FloatArray]] = []
    for at, cell in enumerate(CELLS):
        if cell.steps:
            rows.append((f"right unit: {cell.label}", part["right"][at]))
    for at, cell in enumerate(CELLS):
        label = "steps found" if cell.steps else 'false "steps"'
        rows.append((f"{label}: {cell.label}", part["called_steps"][at]))
    rows.append(("interval holds the unit", part["holds"][combs].reshape(-1, len(names))))
    lines = [
        f"Panel {VERSION}, quantize {__version__}, {samples} samples a cell; shares with their "
        f"standard errors. A unit is right within {100 * TOLERANCE:g} %; steps are called at "
        f"p ≤ {LEVEL:g} or as the method decides; units from {UNITS[0]:g} to {UNITS[1]:g} of the "
        "scale are tried. A dash: the method says nothing of it.",
        "",
        "| | " + " | ".join(names) + " |",
        "|---" * (len(names) + 1) + "|",
    ]
    for label, values in rows:
        cells = [share(values[:, at]) for at in range(len(names))]
        lines.append(f"| {label} | " + " | ".join(cells) + " |")
    for label, of, column in (
        ("median width of the interval, of the unit", combs, "width"),
        ("median seconds", list(range(len(CELLS))), "seconds"),
    ):
        told = [part[column][of, :, at].ravel() for at in range(len(names))]
        medians = [
            float(np.median(v[np.isfinite(v)])) if np.isfinite(v).any() else None for v in told
        ]
        cells = ["–" if value is None else f"{value:.2g}" for value in medians]
        lines.append(f"| {label} | " + " | ".join(cells) + " |")
    return lines


def main(arguments: list[str] | None = None) -> None:
    """Draw, ask, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one sample a cell")
    parser.add_argument("--samples", type=int, default=100, help="samples a cell")
    parser.add_argument("--workers", type=int, help="processes")
    parser.add_argument("--with", dest="own", action="append", default=[], metavar="FILE.py:NAME")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the page to this folder")
    options = parser.parse_args(arguments)
    own = tuple(options.own)
    names = list(methods(own))
    samples = 1 if options.tiny else options.samples
    tasks = [(cell, number) for cell in range(len(CELLS)) for number in range(samples)]
    entries = ordered_map(functools.partial(ask, own), tasks, options.workers)
    found = np.array([[dataclasses.astuple(entry) for entry in row] for row in entries])
    lines = page(names, found.reshape(len(CELLS), samples, len(names), -1), samples)
    print("\n".join(lines))
    keep(options.write, "panel", "An open panel of methods", lines)


if __name__ == "__main__":
    main()
