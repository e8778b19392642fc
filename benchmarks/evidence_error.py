"""Error of the log evidence by quadrature, against the same lattice many times finer.

Run with ``python -m benchmarks.evidence_error``; ``--write docs/tables`` writes the table. Each row
is the largest difference over 36 samples, sigma/unit from 0.05 to 0.30.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import numpy as np

import quantize as qz
from benchmarks.tables import keep
from quantize.model import lattice

SIZES = (3, 5, 8, 20, 40)
SPREADS = (0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
REFERENCE_STEP = 0.04


Task = tuple[np.ndarray, tuple[float, float]]


def samples(n: int, known: bool, each: int) -> list[Task]:
    """Combs of unit 1, whole numbers uniform on −4 … 4, seeded by their size; and what sigma is."""
    rng = np.random.default_rng([1, n])
    out = []
    for spread in SPREADS:
        for _ in range(each):
            x = rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)
            x[0] = x.min() - 1
            out.append((x, (spread, spread) if known else (0.02, 1.0)))
    return out


def evidences(tasks: list[Task], step: Callable[[int], float]) -> np.ndarray:
    """Log evidence of each sample with lattice steps of `step`."""
    with mock.patch.object(lattice, "lattice_step", step):
        fits = [qz.fit_mixture(x, (0.4, 2.5), sigma_range=sigma) for x, sigma in tasks]
    return np.array([fit.log_bayes_factor for fit in fits])


def main(arguments: list[str] | None = None) -> None:
    """Measure, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true", help="six samples a row, two sizes")
    parser.add_argument("--write", metavar="DIR", type=Path, help="write the table to this folder")
    options = parser.parse_args(arguments)
    each = 1 if options.tiny else 6
    lines = [
        f"Largest error of the log evidence over {each * len(SPREADS)} samples, against a lattice "
        f"step of {REFERENCE_STEP} standard deviations.",
        "",
        "| readings | sigma unknown | sigma known |",
        "|---|---|---|",
    ]
    for n in SIZES[:2] if options.tiny else SIZES:
        errors = []
        for known in (False, True):
            tasks = samples(n, known, each)
            reference = evidences(tasks, lambda _: REFERENCE_STEP)
            errors.append(np.abs(evidences(tasks, lattice.lattice_step) - reference).max())
        lines.append(f"| {n} | {errors[0]:.1e} | {errors[1]:.1e} |")
        print(lines[-1], flush=True)
    keep(options.write, "evidence_error", "Error of the log evidence", lines)


if __name__ == "__main__":
    main()
