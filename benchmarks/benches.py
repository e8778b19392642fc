"""Benches: the library's, and the plain ones of the tests, which share no code with it."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np

from benchmarks.runner import ROOT
from quantize.charge import Run, SimulatedBench

sys.path.append(str(ROOT / "tests" / "helpers"))
from plain_bench import CHARGE, DROPS, Bench, PlainBench, simulate

__all__ = ["DROPS", "OTHERS", "SPREADS", "USUAL", "Bench", "PlainBench", "drawn", "page_of"]
USUAL = SimulatedBench()
OTHERS = {
    "batch spread 3 %": SimulatedBench(diameter_spread=0.063e-6),
    "three falls only": SimulatedBench(falls=3),
}
SPREADS = (0.005, 0.014, 0.029)
"""Relative standard deviations of the diameters in a batch."""


def page_of(bench: Any, rng: Any) -> tuple[Any, Any, dict[str, Any]]:
    """Rows, apparatus file, and what is true of them; of several spheres, of the first."""
    if isinstance(bench, SimulatedBench):
        return bench.simulate(rng=rng)
    if isinstance(bench, Bench):
        return simulate(bench, rng)
    found = bench.draw(np.random.default_rng(rng))
    return found.page, found.apparatus, found.truth["A"] | {"charge": CHARGE}


def drawn(bench: Any, rng: Any) -> tuple[Run, dict[str, Any]]:
    """The run of a bench, and what is true of it."""
    page, apparatus, truth = page_of(bench, rng)
    return Run(page, apparatus), truth
