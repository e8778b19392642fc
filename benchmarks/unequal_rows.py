"""Rows of unequal error: each counted in proportion to its prediction, or all alike.

Benches with the verdict "steps", with a unit more than 5 % off, with the unit in their 95 % set,
and the root mean square error of the others. Oil drops whose passages over a fixed length are
timed, and fixed times with every second state at a third of the voltage: within one run the
predicted standard deviations differ several times over. The common factor of the sigmas is believed
within the same range of 1.5. The benches come from the plain simulator. Below, samples of 20
readings of any size through `analyze`, and how many are called steps at 5 %. Seed 2718.
"""

from __future__ import annotations

import dataclasses

import numpy as np

import quantize as qz
from benchmarks.benches import DROPS, PlainBench, page_of
from benchmarks.runner import Lines, Options, benchmark, child, head, holds, number, row
from quantize.charge import Run

SEED = 2718
VOLTAGES = dataclasses.replace(
    DROPS, diameter=2.0e-6, gate=0.0, press=0.1, weaker=1 / 3, states=(4, 7, 3, 5, 9, 2, 8, 6)
)
SCENARIOS: dict[str, tuple[PlainBench, float]] = {
    "timed passages": (DROPS, 1.0),
    "timed passages, watch stated twice as good": (DROPS, 0.5),
    "timed passages, watch stated half as good": (DROPS, 2.0),
    "half of the states at a third of the voltage": (VOLTAGES, 1.0),
}
"""Bench, and the press of the watch that is stated over the true one."""
WAYS = ("in proportion", "one sigma")
WITHOUT = (
    ("sigma unknown", False, 0),
    ("sigma within 1.5", True, 0),
    ("sigma unknown, ten states read twice", False, 10),
)
"""Samples without steps: whether the sigma is believed, and states that are read twice."""
_SPAN = 9.0  # of the sigmas of samples without steps


def one_bench(scenario: int, seed: int) -> list[tuple[bool, float, bool]]:
    """Whether there are steps, the relative error of the unit, and whether 95 % hold it."""
    bench, stated = list(SCENARIOS.values())[scenario]
    page, apparatus, truth = page_of(bench, child((SEED, scenario), seed))
    apparatus["watch"]["press"] = f"{bench.press * stated} s"
    run = Run(page, apparatus)
    unit = truth["unit"] * run.interval / DROPS.interval
    given, out = run.readings(), []
    for data in (given, given.replace(relative_sigma=None)):
        found = qz.analyze(data, sigma_range=run.sigma_range(), n_resamples=99, rng=1)
        out.append((found.verdict == "steps", found.unit / unit - 1, holds(found, unit)))
    return out


def called_steps(believed: bool, states: int, seed: int) -> bool:
    """Whether 20 sizes without steps are called steps, sigmas over a factor of nine."""
    rng = child((SEED, 77, believed, states), seed)
    relative = _SPAN ** rng.uniform(-0.5, 0.5, 20)
    relative /= np.sqrt(np.mean(relative**2))
    size = rng.uniform(-5, 5, states or 20)
    label = np.arange(20) % states if states else None
    values = (size if label is None else size[label]) + 0.15 * relative * rng.normal(size=20)
    data = qz.Readings(np.round(values, 4), relative_sigma=relative, state=label)
    known = (0.1, 0.225) if believed else None
    found = qz.analyze(data, (0.5, 4.0), sigma_range=known, n_resamples=99, rng=1)
    return found.verdict == "steps"


@benchmark(
    "Rows of unequal error",
    number("--benches", 60, 1, "benches a line"),
    number("--samples", 300, 1),
    columns=("scenario", "sigmas", "benches", "steps", "wrong unit", "holds it", "error"),
    quiet=True,
)
def main(options: Options) -> Lines:
    for i, name in enumerate(options.first(SCENARIOS)):
        found = np.array([one_bench(i, seed) for seed in range(options.benches)], float)
        for way, (steps, off, held) in zip(WAYS, found.transpose(1, 2, 0), strict=True):
            right = off[np.abs(off) <= 0.05]  # further off it is another unit
            error = f"{np.sqrt(np.mean(right**2)) if right.size else np.nan:.4f}"
            counts = (off.size, int(steps.sum()), off.size - right.size)
            yield row(name, way, *counts, held.mean(), error, digits=3)
    yield from ("", *head("sizes without steps", "samples", "called steps"))
    for words, *how in WITHOUT:
        called = sum(called_steps(*how, seed) for seed in range(options.samples))
        yield row(words, options.samples, called)
