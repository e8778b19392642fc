"""Rows of unequal error: each counted in proportion to its prediction, or all alike.

    python -m benchmarks.unequal_rows                        60 benches a line, 300 samples
    python -m benchmarks.unequal_rows --tiny                 a smoke run
    python -m benchmarks.unequal_rows --write docs/tables    also write the table

Oil drops whose passages over a fixed length are timed, and fixed times with every second state at
a third of the voltage: within one run the predicted standard deviations differ several times over.
The same readings are analysed with sigmas in the proportions predicted and with one sigma for all,
the common factor believed within the same range of 1.5. The benches come from the plain simulator
of the tests. The last lines are samples without steps through `analyze`, 20 readings each.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import warnings
from pathlib import Path

import numpy as np

import quantize as qz
from benchmarks.tables import keep
from quantize.charge import Run

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))
from plain_bench import DROPS, Drawn, PlainBench

SEED = 2718
VOLTAGES = dataclasses.replace(
    DROPS, diameter=2.0e-6, gate=0.0, press=0.1, weaker=1 / 3, states=(4, 7, 3, 5, 9, 2, 8, 6)
)
SCENARIOS = {
    "timed passages": (DROPS, 1.0),
    "timed passages, watch stated twice as good": (DROPS, 0.5),
    "timed passages, watch stated half as good": (DROPS, 2.0),
    "half of the states at a third of the voltage": (VOLTAGES, 1.0),
}
"""Bench, and the press of the watch that is stated over the true one."""
WAYS = ("in proportion", "one sigma")
_WRONG = 0.05  # of the unit; further off it is another one
_SPAN = 9.0  # of the sigmas of samples without steps


def one_bench(drawn: Drawn, stated: float) -> dict[str, tuple[bool, float, bool]]:
    """Whether there are steps, the relative error of the unit, and whether 95 % hold it."""
    press = float(drawn.apparatus["watch"]["press"].split()[0])
    drawn.apparatus["watch"]["press"] = f"{press * stated} s"
    run = Run(drawn.page, drawn.apparatus)
    unit = drawn.truth["A"]["unit"] * run.interval / DROPS.interval
    given = run.readings()
    readings = {WAYS[0]: given, WAYS[1]: given.replace(relative_sigma=None)}
    out = {}
    for way, data in readings.items():
        found = qz.analyze(data, sigma_range=run.sigma_range(), n_resamples=99, rng=1)
        held = any(low <= unit <= high for low, high in found.interval(0.95))
        out[way] = (found.verdict == "steps", found.unit / unit - 1, held)
    return out


def benches(bench: PlainBench, stated: float, n: int, seed: int) -> list[str]:
    """Rows of the table."""
    found: dict[str, list[tuple[bool, float, bool]]] = {way: [] for way in WAYS}
    for child in np.random.SeedSequence([SEED, seed]).spawn(n):
        for way, one in one_bench(bench.draw(np.random.default_rng(child)), stated).items():
            found[way].append(one)
    rows = []
    for way, ones in found.items():
        off = np.array([error for _, error, _ in ones])
        right = off[np.abs(off) <= _WRONG]
        steps, held = sum(one[0] for one in ones), sum(one[2] for one in ones)
        sd = float(np.sqrt(np.mean(right**2))) if right.size else float("nan")
        rows.append(f"{way} | {n} | {steps} | {n - right.size} | {held / n:.3f} | {sd:.4f} |")
    return rows


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


def main(arguments: list[str] | None = None) -> None:
    """Print a table, and write it when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--benches", type=int, default=60)
    parser.add_argument("--samples", type=int, default=300)
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    n, samples = (1, 1) if options.tiny else (options.benches, options.samples)
    lines = [
        'Benches with the verdict "steps", with a unit more than 5 % off, with the unit in their '
        "95 % set, and",
        "the root mean square error of the others. Below, samples of any size that are called "
        "steps at 5 %.",
        "",
        "| scenario | sigmas | benches | steps | wrong unit | holds it | error |",
        "|---|---|---|---|---|---|---|",
    ]
    warnings.simplefilter("ignore")
    scenarios = list(SCENARIOS.items())[: 1 if options.tiny else None]
    for i, (name, (bench, stated)) in enumerate(scenarios):
        lines += [f"| {name} | {row}" for row in benches(bench, stated, n, i)]
        print("\n".join(lines[-2:]), flush=True)
        keep(options.write, "unequal_rows", "Rows of unequal error", lines)
    lines += ["", "| sizes without steps | samples | called steps |", "|---|---|---|"]
    for words, known, states in (
        ("sigma unknown", False, 0),
        ("sigma within 1.5", True, 0),
        ("sigma unknown, ten states read twice", False, 10),
    ):
        lines.append(
            f"| {words} | {samples} | {false_steps(samples, believed=known, states=states)} |"
        )
        print(lines[-1], flush=True)
        keep(options.write, "unequal_rows", "Rows of unequal error", lines)


if __name__ == "__main__":
    main()
