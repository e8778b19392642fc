"""Whether p-values keep their word, and what is lost against the likelihood ratio.

Shares of samples with p at or below the level; {samples} samples, {resamples} resamples each, seed
81. Under a null that is handed in that must be as often as it says, under nulls fitted to each
sample never more often.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks.combs import whole_uniform
from benchmarks.runner import Array, Lines, Options, Rng, benchmark, head, number, row, told
from quantize import Readings, compare_null, fit_mixture
from quantize.comb.unit_range import unit_range_for
from quantize.comb.wrapped import log_wrapped_normal
from quantize.null.evidence import level_evidence
from quantize.null.hypotheses import SAME_ENVELOPE
from quantize.null.statistics import LargestScore
from quantize.null.tails import Tail
from quantize.studies.families import NAMED

SEED = 81
LEVELS = (0.1, 0.01, 0.001)
UNIT_RANGE = (0.4, 2.5)
POWERS = ((10, 0.10), (20, 0.15), (30, 0.20), (50, 0.25))
"""Readings and sigma/unit at which the two powers are compared."""


def normal(size: int, rng: Rng) -> Array:
    """Fifteen readings from a normal law."""
    return rng.normal(0.0, 5.0, size=(size, 15))


def _named(label: str) -> Callable[[Rng], Array]:
    return lambda rng: NAMED["continuous"][label](rng, 15)


CASES: tuple[tuple[str, str, Any, Callable[[Rng], Array]], ...] = (
    ("handed in: normal", "the same normal", normal, lambda rng: normal(1, rng)[0]),
    ("normal, fitted", "normal", "normal", _named("normal")),
    ("uniform, fitted", "uniform", "uniform", lambda rng: rng.uniform(0, 10, 15)),
    ("smooth", "gamma", "smooth", _named("gamma")),
    ("smooth", "Laplace", "smooth", _named("Laplace")),
)


def law(samples: int, resamples: int) -> Lines:
    """Shares of p-values at or below each level."""
    for case, (name, source, null, draw) in enumerate(CASES):
        units, p = (1.0, 6.0) if callable(null) else None, []
        for sample in range(samples):
            rng = np.random.default_rng([SEED, case, sample])
            found = compare_null(draw(rng), units, null=null, n_resamples=resamples, rng=rng)
            p.append(found.p_value)
        shares = ((level, float(np.mean(np.array(p) <= level))) for level in LEVELS)
        shown = (f"{s:.4f} ± {np.sqrt(level * (1 - level) / samples):.4f}" for level, s in shares)
        yield row(name, source, *shown)


def tail(draws: int, samples: int) -> Lines:
    """The fitted tail beyond what the resamples can count, against direct draws."""
    sample = Readings(normal(1, np.random.default_rng(SEED))[0])
    measure = LargestScore.of(sample, unit_range_for(sample, (1.0, 6.0)), 0.0, False)
    rng, piece = np.random.default_rng([SEED, 99]), min(draws, 100_000)
    direct = np.sort(np.concatenate([measure(normal(piece, rng)) for _ in range(draws // piece)]))
    yield (
        f"\nDirect draws: {direct.size:,}. For the statistic that they pass with the chance in the "
        f"first column, {samples} sets of 9,999 resamples each give by their fitted tail:\n"
    )
    yield from head(
        "chance", "count of direct draws", "median p of the tail", "within a factor of two"
    )
    for level in (level for level in (1e-3, 1e-4, 1e-5) if level * draws >= 10):
        count = round(level * direct.size)
        height = float(direct[direct.size - count])
        some = (
            measure(normal(9999, np.random.default_rng([SEED, 100, seed])))
            for seed in range(samples)
        )
        ratio = np.array([Tail.of(s, measure.scale).p_value(height) for s in some]) / level
        close = float(np.mean((ratio > 0.5) & (ratio < 2)))
        yield row(f"{level:g}", count, f"{level * np.median(ratio):.2g}", f"{100 * close:.0f} %")


def largest_ratio(values: Array) -> float:
    """Largest log likelihood ratio of comb over uniform phases, over unit and sigma."""
    step = 0.05 / np.sqrt(np.sum(values**2))
    turns = values * np.arange(1 / UNIT_RANGE[1], 1 / UNIT_RANGE[0], step)[:, None]
    phase = np.abs(turns - np.rint(turns))
    return max(
        float(log_wrapped_normal(phase, np.array(spread)).sum(axis=1).max())
        for spread in (0.03, 0.05, 0.07, 0.10, 0.13, 0.16, 0.20, 0.25, 0.30)
    )


def same_envelope(values: Array) -> float:
    """Comb against continuum, the same envelope on both sides."""
    found = level_evidence(fit_mixture(values, UNIT_RANGE).posterior)
    return found.log_bayes_factors[SAME_ENVELOPE]


def power(samples: int) -> Lines:
    """Power at 5 %: the same envelope on both sides, and the largest ratio over unit and sigma."""
    yield (
        f"\nPower at 5 % against uniform data alone (whole numbers −4..4, units {UNIT_RANGE}; "
        f"{samples} samples for the threshold and as many for the power):\n"
    )
    two = ("comb, same envelope", "largest likelihood ratio", "difference")
    yield from head("readings", "sigma/unit", *two)
    for n, spread in POWERS:
        shares = []
        for statistic in (same_envelope, largest_ratio):
            null, comb = [], []
            for sample in range(samples):
                rng = np.random.default_rng([SEED, 200, n, sample])
                null.append(statistic(rng.uniform(-4.5, 4.5, n)))
                comb.append(statistic(whole_uniform(rng, n) + rng.normal(0, spread, n)))
            shares.append(float(np.mean(np.array(comb) > np.quantile(null, 0.95))))
        difference = f"{shares[0] - shares[1]:+.3f} ± {np.sqrt(0.5 / samples):.3f}"
        yield row(n, f"{spread:.2f}", *shares, difference, digits=3)


@benchmark("Whether p-values keep their word", number("--samples", 2000, 16))
def main(options: Options) -> Lines:
    n, tiny = options.samples, options.tiny
    options.samples, resamples = (2, 99) if tiny else (n, 1999)
    names = ("null", "samples from", *(f"{level:g}" for level in LEVELS))
    yield from told(__doc__, options, *names, resamples=resamples)
    yield from law(options.samples, resamples)
    yield from tail(*((20_000, 2) if tiny else (10_000_000, 20)))
    yield from power(n // 4)
