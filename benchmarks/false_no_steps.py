"""How often "no steps" is said of combs, and how often of data without steps.

``python -m benchmarks.false_no_steps`` draws samples of each case, analyses them with `analyze` and
counts the verdicts. The scatter is given: as it is, or too small by a factor. The range of units
is the default one, or given beforehand, as it would be by somebody who expects a unit of one. A
second table has charge states read twice: how often the repeats warn of a scatter said too small.
``--write docs/tables`` writes the table, ``--tiny`` makes two samples a cell.
"""

from __future__ import annotations

import argparse
import zlib
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

import quantize as qz
from benchmarks import tables

SEED = 41
SIZES = (8, 12, 20, 40)
RANGE = (0.7, 5.0)

Draw = Callable[[np.random.Generator, int], np.ndarray]


def comb(first: int, last: int, spread: float, *, drift: float = 0.0, slip: bool = False) -> Draw:
    """Whole numbers from `first` to `last`, perhaps with a drift or one decimal point misplaced."""

    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        scale = 1 + drift * np.arange(n) / n
        x = rng.integers(first, last + 1, n) * scale + spread * rng.normal(size=n)
        if slip:
            x[rng.integers(n)] *= 10
        return x

    return draw


CASES: dict[str, tuple[Draw, float]] = {
    **{
        f"comb {first} … {last}, sigma/u {spread:g}": (comb(first, last, spread), spread)
        for first, last in ((-4, 4), (1, 10), (1, 30), (1, 60))
        for spread in (0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
    },
    **{
        f"comb 1 … 10, sigma/u {spread:g}, given {factor:g} times too small": (
            comb(1, 10, spread),
            spread / factor,
        )
        for factor in (1.4, 2.0)
        for spread in (0.1, 0.15, 0.2, 0.25)
    },
    "comb 1 … 30, sigma/u 0.15, drift of 1 %": (comb(1, 30, 0.15, drift=0.01), 0.15),
    "comb 1 … 10, sigma/u 0.1, one reading times ten": (comb(1, 10, 0.1, slip=True), 0.1),
    "uniform 0 … 18, sigma 0.1": (lambda rng, n: rng.uniform(0, 18, n), 0.1),
    "normal, sd 3, sigma 0.1": (lambda rng, n: rng.normal(0, 3, n), 0.1),
    "exponential, mean 4, sigma 0.1": (lambda rng, n: rng.exponential(4, n), 0.1),
}


TWICE = {
    f"comb 1 … 10, sigma/u {spread:g}, {said}": (spread, spread / factor)
    for factor, said in (
        (1.0, "given as it is"),
        (1.4, "given 1.4 times too small"),
        (2.0, "given 2 times too small"),
    )
    for spread in (0.1, 0.15, 0.2)
}
"""Cases with each state read twice: the scatter of a reading, and what is given."""


def warnings(name: str, states: int, runs: int) -> Counter[str]:
    """Verdicts on states read twice, and how often the scatter of the repeats is warned of.

    Where one state alone contradicts the sigma beyond doubt, `analyze` refuses it in words: that
    is a warning, too.
    """
    spread, sigma = TWICE[name]
    found: Counter[str] = Counter()
    for i in range(runs):
        rng = np.random.default_rng([SEED, zlib.crc32(name.encode()), states, i])
        label = np.repeat(np.arange(states), 2)
        values = rng.integers(1, 11, states)[label] + spread * rng.normal(size=label.size)
        readings = qz.Readings(values, sigma=sigma, state=label)
        try:
            analysis = qz.analyze(readings, RANGE, n_resamples=99, rng=1)
        except qz.InputError as refusal:
            found["warned"] += "mend the label or the sigma" in str(refusal)
            continue
        found[analysis.verdict] += 1
        found["warned"] += any(finding.name == "repeats" for finding in analysis.findings)
    return found


def repeats_table(names: list[str], sizes: tuple[int, ...], runs: int) -> list[str]:
    """The lines of the second table; each is printed when it is done."""
    lines = [
        "## States read twice",
        "",
        f'Shares called "no steps" and "steps", and warned that the repeats scatter more than the '
        f"sigma given, of {runs} samples a cell; the range of units {RANGE[0]:g} to {RANGE[1]:g}. "
        "A refusal of a state that contradicts the sigma by itself is a warning, too.",
        "",
        "| case | " + " | ".join(f"{n} states" for n in sizes) + " |",
        "|---" * (1 + len(sizes)) + "|",
    ]
    for name in names:
        cells = []
        for states in sizes:
            found = warnings(name, states, runs)
            shares = (found[what] / runs for what in ("no steps", "steps", "warned"))
            cells.append(" / ".join(f"{share:.2f}" for share in shares))
        lines.append(f"| {name} | {' | '.join(cells)} |")
        print(lines[-1], flush=True)
    return lines


def verdicts(name: str, n: int, runs: int, unit_range: tuple[float, float] | None) -> Counter[str]:
    """Verdicts on `runs` samples; a range in which nothing can show counts as "refused"."""
    draw, sigma = CASES[name]
    found: Counter[str] = Counter()
    for i in range(runs):
        rng = np.random.default_rng([SEED, zlib.crc32(name.encode()), n, i])
        readings = qz.Readings(draw(rng, n), sigma=sigma)
        try:
            found[qz.analyze(readings, unit_range, n_resamples=99, rng=1).verdict] += 1
        except qz.InputError:
            found["refused"] += 1
    return found


def main(arguments: list[str] | None = None) -> None:
    """Count, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="two samples of three cases")
    parser.add_argument("--runs", type=int, default=50, help="samples a cell")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    runs, names, sizes = options.runs, list(CASES), SIZES
    if options.tiny:
        runs, names, sizes = 2, names[::15], (12,)
    lines = [
        f'Share of samples called "no steps", and "steps" after the stroke; {runs} samples a cell, '
        "the scatter given. First with the default range of units, then with the range "
        f"{RANGE[0]:g} to {RANGE[1]:g}.",
        "",
        "| case | " + " | ".join(f"{n}, default" for n in sizes)
        + " | " + " | ".join(f"{n}, given" for n in sizes) + " |",
        "|---" * (1 + 2 * len(sizes)) + "|",
    ]  # fmt: skip
    denied = Counter[str]()
    for name in names:
        cells = []
        for unit_range in (None, RANGE):
            for n in sizes:
                found = verdicts(name, n, runs, unit_range)
                cells.append(f"{found['no steps'] / runs:.2f} / {found['steps'] / runs:.2f}")
                kind = "combs" if name.startswith("comb") else "others"
                denied[f"{kind}, {'default' if unit_range is None else 'given'}"] += found[
                    "no steps"
                ]
                denied[f"{kind} in all"] += runs
        lines.append(f"| {name} | {' | '.join(cells)} |")
        print(lines[-1], flush=True)
    lines += ["", "No steps in all: " + "; ".join(f"{k} {v}" for k, v in sorted(denied.items()))]
    print(lines[-1])
    twice = list(TWICE)[::4] if options.tiny else list(TWICE)
    lines += ["", *repeats_table(twice, sizes, runs)]
    tables.keep(options.write, "false_no_steps", 'False "no steps"', lines)


if __name__ == "__main__":
    main()
