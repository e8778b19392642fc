"""What is said where zero, sigma or the states are not what they were said to be.

Shares of {replicates} samples a line: how they are judged, and of what the findings say that it
contradicts the readings. Whole numbers are uniform on -3 to 7, or with states twelve different ones
from -3 to 12, each read twice; the unit is one. Where all is right, and where there are no steps,
nothing is to be named. Seed 1917.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from benchmarks.runner import KEEP, Array, Lines, Options, Rng, benchmark, number, row
from quantize import Readings, analyze
from quantize.studies.families import NAMED

N = 24
SPREADS = (0.06, 0.12)
NAMES = ("offset", "scatter", "labels")
VERDICTS = ("steps", "cannot tell", "no steps")


def _comb(rng: Rng, spread: float, zero: float = 0.0) -> Array:
    return np.asarray(zero + rng.integers(-3, 8, N) + rng.normal(0, spread, N))


def _states(rng: Rng, spread: float, *, mixed: bool = False) -> Readings:
    """Twelve states read twice each; two readings of different ones may have exchanged labels."""
    state, size = np.repeat(np.arange(N // 2), 2), rng.permutation(np.arange(-3.0, 13.0))
    x = size[state] + rng.normal(0, spread, N)
    if mixed:
        state[[1, 2]] = state[[2, 1]]
    return Readings(x, state=state)


CASES: dict[str, Any] = {
    "all right": lambda rng, s: (_comb(rng, s), {}),
    "sigma right": lambda rng, s: (_comb(rng, s), {"sigma_range": s}),
    "states right": lambda rng, s: (_states(rng, s), {}),
    "zero off by 0.05": lambda rng, s: (_comb(rng, s, 0.05), {}),
    "zero off by 0.1": lambda rng, s: (_comb(rng, s, 0.1), {}),
    "zero off by 0.3": lambda rng, s: (_comb(rng, s, 0.3), {}),
    "a third of sigma said": lambda rng, s: (_comb(rng, s), {"sigma_range": s / 3}),
    "twice sigma said": lambda rng, s: (_comb(rng, s), {"sigma_range": 2 * s}),
    "four times sigma said": lambda rng, s: (_comb(rng, s), {"sigma_range": 4 * s}),
    "two labels exchanged": lambda rng, s: (_states(rng, s, mixed=True), {}),
    "no steps: values of any size": lambda rng, s: (rng.uniform(-3, 7, N), {"sigma_range": s}),
    "no steps: six levels anywhere": lambda rng, s: (
        rng.choice(rng.uniform(-3, 7, 6), N) + rng.normal(0, s, N),
        {"sigma_range": s},
    ),
    "no steps: sums of two units": lambda rng, _: (NAMED["sums"]["sums of two units"](rng, N), {}),
}


def counted(case: str, spread: float, replicates: int) -> list[float]:
    """Shares of each verdict and of each finding."""
    out = np.zeros(len(VERDICTS) + len(NAMES))
    for seed in range(replicates):
        rng = np.random.default_rng([1917, list(CASES).index(case), round(100 * spread), seed])
        sample, said = CASES[case](rng, spread)
        found = analyze(sample, n_resamples=19, rng=0, **said)
        named = {finding.name for finding in found.findings if finding.warns}
        out += [found.verdict == verdict for verdict in VERDICTS] + [
            name in named for name in NAMES
        ]
    shares: list[float] = (out / replicates).tolist()
    return shares


@benchmark(
    "What was said of the readings",
    number("--replicates", 100, 1, "samples in each line"),
    KEEP,
    columns=("what is so", "sigma/unit", *VERDICTS, "zero named", "sigma named", "states named"),
)
def main(options: Options) -> Lines:
    n = options.replicates
    for case in options.first(tuple(CASES)):
        for spread in SPREADS:
            found = options.kept.get(f"{case} {spread} {n}", counted, case, spread, n)
            yield row(case, spread, *found, digits=2)
