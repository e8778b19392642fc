"""What it is worth to say beforehand which whole numbers are possible, and that it costs nothing.

Readings go to `analyze` as they are, the range left to the library and sigma unknown, and to
`fit_mixture` with the range and the tolerance of ``benchmarks.accuracy``; seed 17.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from benchmarks.runner import WORKERS, Array, Family, Rng, benchmark, figures, head, number, row
from quantize import analyze, fit_mixture
from quantize._support.parallel import ordered_map
from quantize.studies.families import NAMED

Cell = tuple[str, str, int, float, Any, int]
"""What is asked, of which data, readings, sigma, whole numbers said, samples."""
UNIT_RANGE = (0.3, 3.0)


def _levels(rng: Rng, n: int) -> Array:
    return rng.choice(rng.uniform(0, 10, 5), n) + 0.1 * rng.normal(size=n)


WITHOUT: dict[str, Family] = {
    "uniform, 0 to 9": lambda rng, n: rng.uniform(0, 9, n),
    "exponential": lambda rng, n: rng.exponential(3, n),
    "gamma, shape 3": lambda rng, n: rng.gamma(3, 1.5, n),
    "five levels anywhere": _levels,
    "sums of two units": NAMED["sums"]["sums of two units"],
}
NUMBERS: dict[str, Family] = {
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
def main(options: Any) -> Iterator[str]:
    """The three tables; a tiny run has those of few readings."""
    runs = options.runs
    every = [cell for cell in cells(runs) if not options.tiny or cell[2] <= 10]
    found = dict(zip(every, ordered_map(share, every, options.workers), strict=True))
    error = 0.5 / np.sqrt(runs)
    yield (
        f"False steps: share of {2 * runs} samples without steps that are called steps at the 5 % "
        f"level with `integers=(1, 8)` said; standard error {np.sqrt(0.0475 / (2 * runs)):.3f} "
        "where the share is 0.05."
    )
    yield from ("", *head("data", "readings", "share"))
    yield from (row(c[1], c[2], f"{v:.3f}") for c, v in found.items() if c[0] == "false")
    yield ""
    yield (
        f"Power: share of {runs} samples with whole numbers uniform on 1 to 8 that are called "
        f"steps; standard error at most {error:.3f}. Both columns are of the same samples."
    )
    yield from ("", *head("sigma/unit", "readings", "nothing said", "`integers=(1, 8)`"))
    for n, spread in POWER:
        pair = [v for c, v in found.items() if c[0] == "power" and c[2:4] == (n, spread)]
        if pair:
            yield row(f"{spread:.2f}", n, figures(pair))
    yield ""
    yield (
        f"Right units: share of {runs} samples whose best unit by `fit_mixture` is within 5 % of "
        f"the true one, by what `integers` says; standard error at most {error:.3f}. A dash is not "
        "measured."
    )
    said = ('"any"', '"positive"', "(1, None)", "(1, 8)")
    yield from ("", *head("whole numbers", "readings", "sigma/unit", *said))
    for name, n, spread in (*SHARES, *OTHERS):
        shares = {c[4]: v for c, v in found.items() if c[:4] == ("share", name, n, spread)}
        if shares:
            shown = (f"{shares[said]:.2f}" if said in shares else "–" for said in SAID)
            yield row(name, n, f"{spread:.2f}", *shown)


if __name__ == "__main__":
    main()
