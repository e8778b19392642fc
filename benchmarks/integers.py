"""What it is worth to say beforehand which whole numbers are possible, and that it costs nothing.

Run with ``python -m benchmarks.integers``; ``--write docs/tables`` writes the table. Readings go to
`analyze` as they are, the range left to the library and sigma unknown, and to `fit_mixture` with
the range and the tolerance of ``benchmarks.accuracy``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.families import NAMED
from benchmarks.tables import keep
from quantize import analyze, fit_mixture
from quantize._support.parallel import ordered_map

Array = np.ndarray
Draw = Callable[[np.random.Generator, int], Array]
Cell = tuple[str, str, int, float, Any, int]
"""What is asked, of which data, readings, sigma, whole numbers said, samples."""

UNIT_RANGE = (0.3, 3.0)
"""Units tried for the shares of right units, the same as in ``benchmarks.accuracy``."""
_NEAR = 0.05


def _levels(rng: np.random.Generator, n: int) -> Array:
    return rng.choice(rng.uniform(0, 10, 5), n) + 0.1 * rng.normal(size=n)


WITHOUT: dict[str, Draw] = {
    "uniform, 0 to 9": lambda rng, n: rng.uniform(0, 9, n),
    "exponential": lambda rng, n: rng.exponential(3, n),
    "gamma, shape 3": lambda rng, n: rng.gamma(3, 1.5, n),
    "five levels anywhere": _levels,
    "sums of two units": NAMED["sums"]["sums of two units"],
}
NUMBERS: dict[str, Draw] = {
    "1 to 8": lambda rng, n: rng.integers(1, 9, n),
    "3 to 8": lambda rng, n: rng.integers(3, 9, n),
    "geometric, 0.4": lambda rng, n: rng.geometric(0.4, n),
}
SAID = ("any", "positive", (1, None), (1, 8))
SHARES = (("1 to 8", 10, 0.20), ("1 to 8", 20, 0.25), ("1 to 8", 40, 0.30))
OTHERS = (("3 to 8", 20, 0.20), ("geometric, 0.4", 20, 0.20))
POWER = tuple((n, spread) for spread in (0.15, 0.20, 0.25) for n in (10, 20))


def cells(runs: int) -> Iterator[Cell]:
    """Every cell of the tables."""
    for name in WITHOUT:
        yield from (("false", name, n, 0.0, (1, 8), 2 * runs) for n in (8, 20))
    for n, spread in POWER:
        yield from (("power", "1 to 8", n, spread, said, runs) for said in ("any", (1, 8)))
    for name, n, spread in SHARES:
        yield from (("share", name, n, spread, said, runs) for said in SAID)
    for name, n, spread in OTHERS:
        yield from (("share", name, n, spread, said, runs) for said in ("any", (1, None)))


def share(cell: Cell) -> float:
    """Part of the samples that are called "steps", or whose unit is within 5 % of the true one."""
    kind, name, n, spread, said, runs = cell
    source = [*WITHOUT, *NUMBERS].index(name)
    rng = np.random.default_rng([17, source, n, round(1000 * spread)])
    hits = 0
    for _ in range(runs):
        if kind == "false":
            x = WITHOUT[name](rng, n)
        else:
            x = NUMBERS[name](rng, n) + spread * rng.normal(size=n)
        if kind == "share":
            hits += abs(fit_mixture(x, UNIT_RANGE, integers=said).unit - 1) < _NEAR
        else:
            hits += analyze(x, integers=said, n_resamples=19, rng=0).verdict == "steps"
    return hits / runs


def _row(found: dict[Cell, float], name: str, n: int, spread: float) -> str:
    shares = {c[4]: value for c, value in found.items() if c[:4] == ("share", name, n, spread)}
    values = " | ".join(f"{shares[said]:.2f}" if said in shares else "–" for said in SAID)
    return f"| {name} | {n} | {spread:.2f} | {values} |"


def tables(found: dict[Cell, float], runs: int) -> list[str]:
    """The three tables."""
    error = 0.5 / np.sqrt(runs)
    lines = [
        f"False steps: share of {2 * runs} samples without steps that are called steps at the 5 % "
        f"level with `integers=(1, 8)` said; standard error {np.sqrt(0.0475 / (2 * runs)):.3f} "
        "where the share is 0.05.",
        "",
        "| data | readings | share |",
        "|---|---|---|",
    ]
    lines += [f"| {c[1]} | {c[2]} | {v:.3f} |" for c, v in found.items() if c[0] == "false"]
    lines += [
        "",
        f"Power: share of {runs} samples with whole numbers uniform on 1 to 8 that are called "
        f"steps; standard error at most {error:.3f}. Both columns are of the same samples.",
        "",
        "| sigma/unit | readings | nothing said | `integers=(1, 8)` |",
        "|---|---|---|---|",
    ]
    for n, spread in POWER:
        pair = [v for c, v in found.items() if c[0] == "power" and c[2:4] == (n, spread)]
        if pair:
            lines.append(f"| {spread:.2f} | {n} | " + " | ".join(f"{v:.2f}" for v in pair) + " |")
    lines += [
        "",
        f"Right units: share of {runs} samples whose best unit by `fit_mixture` is within 5 % of "
        f"the true one, by what `integers` says; standard error at most {error:.3f}. A dash is not "
        "measured.",
        "",
        '| whole numbers | readings | sigma/unit | "any" | "positive" | (1, None) | (1, 8) |',
        "|---|---|---|---|---|---|---|",
    ]
    done = {c[1:4] for c in found if c[0] == "share"}
    lines += [_row(found, *row) for row in (*SHARES, *OTHERS) if row in done]
    return lines


def main(arguments: list[str] | None = None) -> None:
    """Simulate, and print or write the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one sample a cell, the quick cells")
    parser.add_argument("--runs", type=int, default=50, help="samples a cell")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    runs = 1 if options.tiny else options.runs
    every = [c for c in cells(runs) if not options.tiny or c[2] <= 10]
    found = {}
    for cell, value in zip(every, ordered_map(share, every, options.workers), strict=True):
        found[cell] = value
        print(*cell, value, flush=True)
    lines = tables(found, runs)
    print("\n".join(lines))
    keep(options.write, "integers", "Whole numbers that are possible", lines)


if __name__ == "__main__":
    main()
