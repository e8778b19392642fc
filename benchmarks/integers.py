"""What it is worth to say beforehand which whole numbers are possible, and that it costs nothing.

Readings go to `analyze` as they are, the range left to the library and sigma unknown, and to
`fit_mixture` with the range and the tolerance of ``benchmarks.accuracy``; seed 17.

False steps: share of {twice} samples without steps that are called steps at the 5 % level with
`integers=(1, 8)` said; standard error {of_false:.3f} where the share is 0.05.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from benchmarks.combs import one_to_eight, whole_geometric
from benchmarks.runner import WORKERS, Family, Lines, Options, benchmark, head, number, row, told
from quantize import analyze, fit_mixture
from quantize._support.parallel import ordered_map
from quantize.studies.families import NAMED

Cell = tuple[str, str, int, float, Any, int]
"""What is asked, of which data, readings, sigma, whole numbers said, samples."""
UNIT_RANGE = (0.3, 3.0)


WITHOUT: dict[str, Family] = {
    "uniform, 0 to 9": lambda rng, n: rng.uniform(0, 9, n),
    "exponential": lambda rng, n: rng.exponential(3, n),
    "gamma, shape 3": lambda rng, n: rng.gamma(3, 1.5, n),
    "five levels anywhere": lambda rng, n: (
        rng.choice(rng.uniform(0, 10, 5), n) + 0.1 * rng.normal(size=n)
    ),
    "sums of two units": NAMED["sums"]["sums of two units"],
}
NUMBERS: dict[str, Family] = {
    "1 to 8": one_to_eight,
    "3 to 8": lambda rng, n: rng.integers(3, 9, n),
    "geometric, 0.4": whole_geometric,
}
SAID = {'"any"': "any", '"positive"': "positive", "(1, None)": (1, None), "(1, 8)": (1, 8)}
SHARES = (("1 to 8", 10, 0.20), ("1 to 8", 20, 0.25), ("1 to 8", 40, 0.30))
OTHERS = (("3 to 8", 20, 0.20), ("geometric, 0.4", 20, 0.20))
POWER = tuple((n, spread) for spread in (0.15, 0.20, 0.25) for n in (10, 20))


def cells(runs: int) -> list[Cell]:
    """Every cell of the tables."""
    few = ("any", (1, None))
    return [
        *(("false", name, n, 0.0, (1, 8), 2 * runs) for name in WITHOUT for n in (8, 20)),
        *(("power", "1 to 8", *at, said, runs) for at in POWER for said in ("any", (1, 8))),
        *(("share", *at, said, runs) for at in SHARES for said in SAID.values()),
        *(("share", *at, said, runs) for at in OTHERS for said in few),
    ]


def share(cell: Cell) -> float:
    """Part of the samples that are called "steps", or whose unit is within 5 % of the true one."""
    kind, name, n, spread, said, runs = cell
    every = WITHOUT | NUMBERS
    rng = np.random.default_rng([17, list(every).index(name), n, round(1000 * spread)])
    hits = 0
    for _ in range(runs):
        x = every[name](rng, n)
        if kind != "false":
            x = x + spread * rng.normal(size=n)
        if kind == "share":
            hits += abs(fit_mixture(x, UNIT_RANGE, integers=said).unit - 1) < 0.05
        else:
            hits += analyze(x, integers=said, n_resamples=19, rng=0).verdict == "steps"
    return hits / runs


@benchmark("Whole numbers that are possible", number("--runs", 50, 1), WORKERS)
def main(options: Options) -> Lines:
    """The three tables; a tiny run has those of few readings."""
    runs = options.runs
    about = {"twice": 2 * runs, "of_false": np.sqrt(0.0475 / (2 * runs))}
    yield from told(__doc__, options, "data", "readings", "share", **about)
    every = [cell for cell in cells(runs) if not options.tiny or cell[2] <= 10]
    shares = ordered_map(share, every, options.workers)
    found = {cell[:5]: value for cell, value in zip(every, shares, strict=True)}
    for (kind, name, n, *_), value in found.items():
        if kind == "false":
            yield row(name, n, value, digits=3)
    error = f"standard error at most {0.5 / np.sqrt(runs):.3f}"
    yield (
        f"\nPower: share of {runs} samples with whole numbers uniform on 1 to 8 that are called "
        f"steps; {error}. Both columns are of the same samples.\n"
    )
    yield from head("sigma/unit", "readings", "nothing said", "`integers=(1, 8)`")
    for n, spread in POWER:
        pair = [found.get(("power", "1 to 8", n, spread, said)) for said in ("any", (1, 8))]
        if None not in pair:
            yield row(spread, n, *pair, digits=2)
    yield (
        f"\nRight units: share of {runs} samples whose best unit by `fit_mixture` is within 5 % of "
        f"the true one, by what `integers` says; {error}. A dash is not measured.\n"
    )
    yield from head("whole numbers", "readings", "sigma/unit", *SAID)
    for place in (*SHARES, *OTHERS):
        said = [found.get(("share", *place, said), "–") for said in SAID.values()]
        if said[0] != "–":
            yield row(*place, *said, digits=2)
