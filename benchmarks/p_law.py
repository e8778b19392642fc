"""Whether p-values keep their word, and what is lost against the likelihood ratio.

``python -m benchmarks.p_law`` measures

- how often p is at or below 0.1, 0.01 and 0.001 under a null that is handed in (it must be as often
  as it says) and under nulls fitted to each sample (never more often);
- the fitted tail beyond what the resamples can count, against ten million direct draws;
- the power at 5 % against uniform data alone, unit_range 0.4 to 2.5 units: of the evidence with
  the same envelope on both sides, and of the largest likelihood ratio over unit and sigma.

``--write docs/tables`` keeps the table.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from benchmarks.families import NAMED, whole_uniform
from benchmarks.tables import keep
from quantize import Readings, compare_null, fit_mixture
from quantize._support.validation import FloatArray
from quantize.comb.unit_range import unit_range_for
from quantize.comb.wrapped import log_wrapped_normal
from quantize.null.evidence import level_evidence
from quantize.null.hypotheses import SAME_ENVELOPE
from quantize.null.statistics import LargestScore
from quantize.null.tails import Tail

SEED = 81
LEVELS = (0.1, 0.01, 0.001)
UNIT_RANGE = (0.4, 2.5)
POWERS = ((10, 0.10), (20, 0.15), (30, 0.20), (50, 0.25))
"""Readings and sigma/unit at which the two powers are compared."""


def normal(size: int, rng: np.random.Generator) -> FloatArray:
    """Fifteen readings from a normal law."""
    return rng.normal(0.0, 5.0, size=(size, 15))


def law(samples: int, resamples: int) -> list[str]:
    """Shares of p-values at or below each level."""
    lines = [
        f"Shares of samples with p at or below the level; {samples} samples, {resamples} resamples "
        "each.",
        "",
        "| null | samples from | " + " | ".join(f"{level:g}" for level in LEVELS) + " |",
        "|---|---|" + "---|" * len(LEVELS),
    ]
    cases: list[tuple[str, str, object, Callable[[np.random.Generator], FloatArray]]] = [
        ("handed in: normal", "the same normal", normal, lambda rng: normal(1, rng)[0]),
        ("normal, fitted", "normal", "normal", lambda rng: NAMED["continuous"]["normal"](rng, 15)),
        ("uniform, fitted", "uniform", "uniform", lambda rng: rng.uniform(0, 10, 15)),
        ("smooth", "gamma", "smooth", lambda rng: NAMED["continuous"]["gamma"](rng, 15)),
        ("smooth", "Laplace", "smooth", lambda rng: NAMED["continuous"]["Laplace"](rng, 15)),
    ]
    for number, (name, source, null, draw) in enumerate(cases):
        p = []
        for sample in range(samples):
            rng = np.random.default_rng([SEED, number, sample])
            values = draw(rng)
            unit_range = (1.0, 6.0) if callable(null) else None
            found = compare_null(values, unit_range, null=null, n_resamples=resamples, rng=rng)
            p.append(found.p_value)
        shares = [float(np.mean(np.array(p) <= level)) for level in LEVELS]
        errors = [np.sqrt(max(level * (1 - level), 0) / samples) for level in LEVELS]
        shown = [f"{s:.4f} ± {e:.4f}" for s, e in zip(shares, errors, strict=True)]
        lines.append(f"| {name} | {source} | " + " | ".join(shown) + " |")
    return lines


def tail(draws: int, samples: int) -> list[str]:
    """The fitted tail against direct draws."""
    sample = Readings(normal(1, np.random.default_rng(SEED))[0])
    measure = LargestScore.of(sample, unit_range_for(sample, (1.0, 6.0)), 0.0, False)
    rng = np.random.default_rng([SEED, 99])
    piece = min(draws, 100_000)
    direct = np.sort(np.concatenate([measure(normal(piece, rng)) for _ in range(draws // piece)]))
    levels = [level for level in (1e-3, 1e-4, 1e-5) if level * draws >= 10]
    lines = [
        f"Direct draws: {direct.size:,}. For the statistic that they pass with the chance in the",
        f"first column, {samples} sets of 9,999 resamples each give by their fitted tail:",
        "",
        "| chance | count of direct draws | median p of the tail | within a factor of two |",
        "|---|---|---|---|",
    ]
    for level in levels:
        height = float(direct[direct.size - round(level * direct.size)])
        ratio = []
        for number in range(samples):
            some = measure(normal(9999, np.random.default_rng([SEED, 100, number])))
            ratio.append(Tail.of(some, measure.scale).p_value(height) / level)
        close = float(np.mean((np.array(ratio) > 0.5) & (np.array(ratio) < 2)))
        lines.append(
            f"| {level:g} | {round(level * direct.size)} | {level * np.median(ratio):.2g} | "
            f"{100 * close:.0f} % |"
        )
    return lines


def largest_ratio(values: FloatArray) -> float:
    """Largest log likelihood ratio of comb over uniform phases, over unit and sigma."""
    step = 0.05 / np.sqrt(np.sum(values**2))
    frequency = np.arange(1 / UNIT_RANGE[1], 1 / UNIT_RANGE[0], step)
    turns = values * frequency[:, None]
    phase = np.abs(turns - np.rint(turns))
    return max(
        float(log_wrapped_normal(phase, np.array(spread)).sum(axis=1).max())
        for spread in (0.03, 0.05, 0.07, 0.10, 0.13, 0.16, 0.20, 0.25, 0.30)
    )


def same_envelope(values: FloatArray) -> float:
    """Comb against continuum, the same envelope on both sides."""
    return level_evidence(fit_mixture(values, UNIT_RANGE).posterior).log_bayes_factors[
        SAME_ENVELOPE
    ]


def power(samples: int) -> list[str]:
    """Power of both statistics at a level of 5 %, each with its own threshold."""
    lines = [
        "",
        f"Power at 5 % against uniform data alone (whole numbers −4..4, units {UNIT_RANGE}; "
        f"{samples} samples",
        "for the threshold and as many for the power):",
        "",
        "| readings | sigma/unit | comb, same envelope | largest likelihood ratio | difference |",
        "|---|---|---|---|---|",
    ]
    for n, spread in POWERS:
        shares = []
        for statistic in (same_envelope, largest_ratio):
            null, comb = [], []
            for sample in range(samples):
                rng = np.random.default_rng([SEED, 200, n, sample])
                null.append(statistic(rng.uniform(-4.5, 4.5, n)))
                comb.append(statistic(whole_uniform(rng, n) + rng.normal(0, spread, n)))
            shares.append(float(np.mean(np.array(comb) > np.quantile(null, 0.95))))
        error = np.sqrt(2 * 0.25 / samples)
        lines.append(
            f"| {n} | {spread:.2f} | {shares[0]:.3f} | {shares[1]:.3f} | "
            f"{shares[0] - shares[1]:+.3f} ± {error:.3f} |"
        )
    return lines


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=2000)
    parser.add_argument("--tiny", action="store_true", help="a few samples; nothing is kept")
    parser.add_argument("--write", type=Path, help="folder for the table")
    options = parser.parse_args(arguments)
    if options.tiny:
        lines = [*law(2, 99), "", *tail(20_000, 2), *power(4)]
    else:
        number = options.samples
        lines = [*law(number, 1999), "", *tail(10_000_000, 20), *power(number // 4)]
    print("\n".join(lines))
    keep(options.write, "p_law", "Whether p-values keep their word", lines)


if __name__ == "__main__":
    main()
