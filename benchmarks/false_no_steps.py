"""How often "no steps" is said of combs, and how often of data without steps.

Share of samples called "no steps", and "steps" after the stroke; {runs} samples a cell, seed 41.
The scatter is given: as it is, or too small by a factor. First with the default range of units,
then with the range 0.7 to 5, as it would be given by somebody who expects a unit of one.
"""

from __future__ import annotations

import zlib
from collections import Counter

import numpy as np

import quantize as qz
from benchmarks.runner import Array, Family, Lines, Options, Rng, benchmark, head, number, row, told

SEED = 41
SIZES = (8, 12, 20, 40)
RANGE = (0.7, 5.0)


def comb(first: int, last: int, spread: float, *, drift: float = 0, slip: bool = False) -> Family:
    """Whole numbers from `first` to `last`, perhaps with a drift or one decimal point misplaced."""

    def draw(rng: Rng, n: int) -> Array:
        scale = 1 + drift * np.arange(n) / n
        x = rng.integers(first, last + 1, n) * scale + spread * rng.normal(size=n)
        if slip:
            x[rng.integers(n)] *= 10
        return x

    return draw


CASES: dict[str, tuple[Family, float]] = {
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
    f"comb 1 … 10, sigma/u {spread:g}, given {said}": (spread, spread / factor)
    for factor, said in ((1, "as it is"), (1.4, "1.4 times too small"), (2, "2 times too small"))
    for spread in (0.1, 0.15, 0.2)
}
"""Cases with each state read twice: the scatter of a reading, and what is given."""


def verdicts(
    name: str, n: int, runs: int, unit_range: tuple[float, float] | None, *, twice: bool = False
) -> Counter[str]:
    """Verdicts on samples of `n` readings or, of the cases of `TWICE`, of `n` states read twice.

    A range in which nothing can show is refused. Where one state alone contradicts the sigma beyond
    doubt, `analyze` refuses it in words: that is a warning, too.
    """
    found: Counter[str] = Counter()
    for i in range(runs):
        rng = np.random.default_rng([SEED, zlib.crc32(name.encode()), n, i])
        if twice:
            spread, sigma = TWICE[name]
            label = np.repeat(np.arange(n), 2)
            values = rng.integers(1, 11, n)[label] + spread * rng.normal(size=label.size)
            readings = qz.Readings(values, sigma=sigma, state=label)
        else:
            draw, sigma = CASES[name]
            readings = qz.Readings(draw(rng, n), sigma=sigma)
        try:
            analysis = qz.analyze(readings, unit_range, n_resamples=99, rng=1)
        except qz.InputError as refusal:
            found["warned"] += "mend the label or the sigma" in str(refusal)
            continue
        found[analysis.verdict] += 1
        found["warned"] += any(finding.name == "repeats" for finding in analysis.findings)
    return found


def shares(found: Counter[str], runs: int, *names: str) -> str:
    """What part of the samples each is."""
    return " / ".join(f"{found[name] / runs:.2f}" for name in names)


@benchmark('False "no steps"', number("--runs", 50, 2))
def main(options: Options) -> Lines:
    """The lines of the page; a tiny run has a few cases."""
    runs, names, sizes, twice = options.runs, list(CASES), SIZES, list(TWICE)
    if options.tiny:
        names, sizes, twice = names[::15], (12,), twice[::4]
    asked = [(how, n) for how in ("default", "given") for n in sizes]
    yield from told(__doc__, options, "case", *(f"{n}, {how}" for how, n in asked))
    denied = Counter[str]()
    for name in names:
        kind, cells = "combs" if name.startswith("comb") else "others", []
        for how, n in asked:
            found = verdicts(name, n, runs, None if how == "default" else RANGE)
            cells.append(shares(found, runs, "no steps", "steps"))
            denied[f"{kind}, {how}"] += found["no steps"]
            denied[f"{kind} in all"] += runs
        yield row(name, *cells)
    yield "\nNo steps in all: " + "; ".join(f"{k} {v}" for k, v in sorted(denied.items()))
    yield (
        '\n## States read twice\n\nShares called "no steps" and "steps", and warned that the '
        f"repeats scatter more than the sigma given, of {runs} samples a cell; the range of units "
        f"{RANGE[0]:g} to {RANGE[1]:g}. A refusal of a state that contradicts the sigma by itself "
        "is a warning, too.\n"
    )
    yield from head("case", *(f"{n} states" for n in sizes))
    for name in twice:
        found_by_size = (verdicts(name, n, runs, RANGE, twice=True) for n in sizes)
        yield row(name, *(shares(f, runs, "no steps", "steps", "warned") for f in found_by_size))
