"""Error of the log evidence by quadrature, against the same lattice many times finer.

Combs of unit 1, whole numbers uniform on −4 … 4, seeded by their size.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any
from unittest import mock

import numpy as np

import quantize as qz
from benchmarks.runner import Array, benchmark, head, row
from quantize.model import lattice

SIZES = (3, 5, 8, 20, 40)
SPREADS = (0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
REFERENCE_STEP = 0.04
Task = tuple[Array, tuple[float, float]]


def samples(n: int, known: bool, each: int) -> list[Task]:
    """Readings, and what sigma is."""
    rng, out = np.random.default_rng([1, n]), []
    for spread in np.repeat(SPREADS, each):
        x = rng.integers(-4, 5, size=n) + spread * rng.normal(size=n)
        x[0] = x.min() - 1
        out.append((x, (spread, spread) if known else (0.02, 1.0)))
    return out


def evidences(tasks: list[Task], step: Callable[[int], float]) -> Array:
    """Log evidence of each sample with lattice steps of `step`."""
    with mock.patch.object(lattice, "lattice_step", step):
        fits = [qz.fit_mixture(x, (0.4, 2.5), sigma_range=sigma) for x, sigma in tasks]
    return np.array([fit.log_bayes_factor for fit in fits])


@benchmark("Error of the log evidence")
def main(options: Any) -> Iterator[str]:
    each = 1 if options.tiny else 6
    yield (
        f"Largest error of the log evidence over {each * len(SPREADS)} samples, against a lattice "
        f"step of {REFERENCE_STEP} standard deviations."
    )
    yield from ("", *head("readings", "sigma unknown", "sigma known"))
    for n in SIZES[: 2 if options.tiny else None]:
        errors = []
        for known in (False, True):
            tasks = samples(n, known, each)
            reference = evidences(tasks, lambda _: REFERENCE_STEP)
            errors.append(np.abs(evidences(tasks, lattice.lattice_step) - reference).max())
        yield row(n, *(f"{error:.1e}" for error in errors))


if __name__ == "__main__":
    main()
