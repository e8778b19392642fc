"""Rows of unequal error: each counted in proportion to its prediction, or all alike; seed 2718.

Oil drops whose passages over a fixed length are timed, and fixed times with every second state at
a third of the voltage: within one run the predicted standard deviations differ several times over.
The common factor of the sigmas is believed within the same range of 1.5. The benches come from the
plain simulator. The last lines are samples without steps through `analyze`, 20 readings each.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np

import quantize as qz
from benchmarks.plain import DROPS, Drawn, PlainBench
from benchmarks.runner import Array, benchmark, head, holds, number, row
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
_SPAN = 9.0  # of the sigmas of samples without steps


def one_bench(drawn: Drawn, stated: float) -> list[tuple[bool, float, bool]]:
    """Whether there are steps, the relative error of the unit, and whether 95 % hold it."""
    press = float(drawn.apparatus["watch"]["press"].split()[0])
    drawn.apparatus["watch"]["press"] = f"{press * stated} s"
    run = Run(drawn.page, drawn.apparatus)
    unit = drawn.truth["A"]["unit"] * run.interval / DROPS.interval
    given, out = run.readings(), []
    for data in (given, given.replace(relative_sigma=None)):
        found = qz.analyze(data, sigma_range=run.sigma_range(), n_resamples=99, rng=1)
        out.append((found.verdict == "steps", found.unit / unit - 1, holds(found, unit)))
    return out


def summed(n: int, found: Array) -> str:
    """The cells of a row."""
    steps, off, held = found.T
    right = off[np.abs(off) <= 0.05]  # further off it is another unit
    sd = float(np.sqrt(np.mean(right**2))) if right.size else float("nan")
    return f"{n} | {steps.sum():.0f} | {n - right.size} | {held.mean():.3f} | {sd:.4f}"


def false_steps(n: int, *, believed: bool, states: int = 0) -> int:
    """Samples of 20 sizes without steps that are called steps, sigmas over a factor of nine."""
    count = 0
    for child in np.random.SeedSequence([SEED, 77, believed, states]).spawn(n):
        rng = np.random.default_rng(child)
        relative = _SPAN ** rng.uniform(-0.5, 0.5, 20)
        relative /= np.sqrt(np.mean(relative**2))
        size = rng.uniform(-5, 5, states or 20)
        label = np.arange(20) % states if states else None
        values = (size if label is None else size[label]) + 0.15 * relative * rng.normal(size=20)
        data = qz.Readings(np.round(values, 4), relative_sigma=relative, state=label)
        known = (0.1, 0.225) if believed else None
        found = qz.analyze(data, (0.5, 4.0), sigma_range=known, n_resamples=99, rng=1)
        count += found.verdict == "steps"
    return count


@benchmark(
    "Rows of unequal error",
    number("--benches", 60, 1, "benches a line"),
    number("--samples", 300, 1),
    quiet=True,
    partly=True,
)
def main(options: Any) -> Iterator[str]:
    n, samples = options.benches, options.samples
    yield from (
        'Benches with the verdict "steps", with a unit more than 5 % off, with the unit in their '
        "95 % set, and",
        "the root mean square error of the others. Below, samples of any size that are called "
        "steps at 5 %.",
        "",
        *head("scenario", "sigmas", "benches", "steps", "wrong unit", "holds it", "error"),
    )
    for i, (name, (bench, stated)) in enumerate(SCENARIOS.items()):
        if i == 0 or not options.tiny:
            seeds = np.random.SeedSequence([SEED, i]).spawn(n)
            drawn = (bench.draw(np.random.default_rng(seed)) for seed in seeds)
            found = np.array([one_bench(each, stated) for each in drawn], float)
            for way, ones in zip(WAYS, found.swapaxes(0, 1), strict=True):
                yield row(name, way, summed(n, ones))
    yield from ("", *head("sizes without steps", "samples", "called steps"))
    for words, known, states in WITHOUT:
        yield row(words, samples, false_steps(samples, believed=known, states=states))


if __name__ == "__main__":
    main()
