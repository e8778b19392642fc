"""The unit of many blurred readings: how far off it is, in its own errors, and how often they hold.

``python -m benchmarks.blurred`` draws whole numbers from −4 to 4, unit 1, normal errors, and asks
`fit_mixture`, which takes readings one by one, and `fit_counts`, which takes them in bins;
``--write docs/tables`` writes the table.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

import quantize as qz
from benchmarks.families import comb, whole_uniform
from benchmarks.tables import keep
from quantize._support.parallel import ordered_map
from quantize.model.mixture import MixtureFit

CELLS = tuple((n, spread) for n in (100, 400, 1000, 2000) for spread in (0.1, 0.2, 0.25))
UNIT_RANGE = (0.9, 1.2)
SEED = 5


def one(task: tuple[int, float, int]) -> tuple[float, ...]:
    """Errors of the unit in standard errors, and whether the 95 % hold it, of both estimators.

    The third is the error of the first with the bias that is taken off (`quantize.model.bias`).
    """
    n, spread, number = task
    values = comb(whole_uniform, spread)(np.random.default_rng([SEED, number]), n)
    found: list[float] = []
    for fit in (qz.fit_mixture(values, UNIT_RANGE), qz.counts.fit_counts(values, UNIT_RANGE)):
        held = any(low <= 1 <= high for low, high in fit.interval(0.95))
        found += [(fit.unit - 1) / fit.unit_err, float(held)]
        if isinstance(fit, MixtureFit):
            nodes = fit.posterior._nodes
            before = float(nodes.share @ np.exp(nodes.log_unit) / nodes.share.sum())
            found.append((before - 1) / fit.unit_err)
    return tuple(found)


def main(arguments: list[str] | None = None) -> None:
    """Draw, fit, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="one sample of the two smallest cells")
    parser.add_argument("--samples", type=int, default=60, help="samples a cell")
    parser.add_argument("--workers", type=int, help="processes")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the page to this folder")
    options = parser.parse_args(arguments)
    cells, samples = (CELLS[:2], 1) if options.tiny else (CELLS, options.samples)
    tasks = [(n, spread, number) for n, spread in cells for number in range(samples)]
    found = np.array(list(ordered_map(one, tasks, options.workers)))
    error = 1 / np.sqrt(samples)
    lines = [
        f"{samples} samples a cell, whole numbers from −4 to 4, units from {UNIT_RANGE[0]} to "
        f"{UNIT_RANGE[1]} tried. The mean error of the unit is in its stated standard errors, "
        f"± {error:.2f}; then the share of 95 % sets that hold it, and the error with the bias "
        "left in.",
        "",
        "| readings | sigma/unit | mean error, one by one | they hold | bias left in | "
        "mean error, in bins | they hold |",
        "|---|---|---|---|---|---|---|",
    ]
    for (n, spread), rows in zip(cells, found.reshape(len(cells), samples, -1), strict=True):
        off, held, before, off_binned, held_binned = rows.mean(axis=0)
        lines.append(
            f"| {n} | {spread:g} | {off:+.2f} | {held:.2f} | {before:+.2f} | {off_binned:+.2f} | "
            f"{held_binned:.2f} |"
        )
    print("\n".join(lines))
    keep(options.write, "blurred", "Many blurred readings", lines)


if __name__ == "__main__":
    main()
