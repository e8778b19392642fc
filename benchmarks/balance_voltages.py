"""Balance voltages alone: verdicts, units and coverage on simulated pages of known truth.

{replicates} pages a cell, in brackets how many. Ten states are balanced twice each by a hand that
scatters by a share of the voltage of ten charges; the pages without steps have charges of any size
between two and nine units. Seeds are those of the cells.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchmarks.runner import KEEP, Lines, Options, benchmark, holds, number, row
from quantize.charge import BalanceVoltages

STATES, REPEATS, UNIT = 10, 2, 0.8  # per kilovolt
SCATTERS = (0.5, 1.5, 3.0)  # volts, beside 250 V for five charges
THERE = ("steps said where there are", "right unit", "interval of 95 % holds")
KNOWN = ("stated", "from repeats", "averaged")


def judged(scatter: float, known: str, steps: bool, seed: int) -> tuple[bool, bool, bool]:
    """Whether the verdict was steps, the unit right, and whether its interval holds the truth."""
    rng = np.random.default_rng([seed, int(10 * scatter), steps])
    size = rng.integers(2, 10, STATES) if steps else rng.uniform(2, 9, STATES)
    states = np.repeat(np.arange(STATES), REPEATS)
    volts = 1e3 / (UNIT * size[states]) + scatter * rng.standard_normal(states.size)
    given: dict[str, Any] = {"stated": {"setting": scatter}, "averaged": {"repeats": "averaged"}}
    found = BalanceVoltages({"state": states, "V": volts.round(1)}).analyze(
        n_resamples=19, rng=seed, **given.get(known, {})
    )
    return found.verdict == "steps", abs(math.log(found.unit / UNIT)) < 0.05, holds(found, UNIT)


def counted(scatter: float, known: str, pages: int) -> list[int]:
    """The counts of a line, of pages with steps and without."""
    with_steps = [judged(scatter, known, True, seed) for seed in range(pages)]
    without = [judged(scatter, known, False, seed)[0] for seed in range(pages)]
    return [*np.sum(with_steps, axis=0).tolist(), int(np.sum(without))]


@benchmark(
    "Balance voltages alone",
    number("--replicates", 40, 1, "pages in each cell"),
    KEEP,
    columns=("scatter of a setting", "how it is known", *THERE, "steps said where there are none"),
)
def main(options: Options) -> Lines:
    pages = options.replicates
    for scatter in options.first(SCATTERS):
        for known in KNOWN:
            found = options.kept.get(f"{scatter} {known} {pages}", counted, scatter, known, pages)
            yield row(f"{scatter} V", known, *(f"{n / pages:.2f} ({n})" for n in found))
