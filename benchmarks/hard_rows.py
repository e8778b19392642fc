"""What rows off the scale, changes of charge and a residual voltage do to a run; seed 4321.

The same simulated benches are analysed with such rows used for what they tell, left out, and taken
at face value.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

import numpy as np
from scipy.stats import t

from benchmarks.runner import benchmark, head, row
from quantize import InputError
from quantize.charge import Run, SimulatedBench

STATES = ((6, 4), (4, 4), (7, 4), (3, 4), (13, 8), (9, 4), (12, 4), (8, 4))
BENCHES = {
    "half of the fastest leave the scale": SimulatedBench(
        states=STATES, scale=70.5, diameter_spread=0.0
    ),
    "charge changed in 12 % of the readings": SimulatedBench(changes=0.12),
}
Found = list[tuple[float, float, bool]]
"""Errors, stated standard uncertainties, and whether 95 % hold the truth."""


def readings(bench: SimulatedBench, n: int) -> dict[str, Found]:
    """Relative errors of the unit with special rows used, left out, and taken at face value."""
    out: dict[str, Found] = {}
    for seed in np.random.SeedSequence(4321).spawn(n):
        page, apparatus, truth = bench.simulate(rng=np.random.default_rng(seed))
        run, unit = Run(page, apparatus), truth["unit"]
        plain = (run.table["off_scale"] == 0) & ~run.table["changed"]
        ways = {"used": run, "left out": run.select(plain)}
        if "event" in page:
            ways["taken at face value"] = Run(page.drop(columns="event"), apparatus)
        for name, one in ways.items():
            rows = out.setdefault(name, [])
            # Readings of one state that cannot have one whole number are refused.
            with contextlib.suppress(InputError):
                fit = one.fit((0.6 * unit, 1.6 * unit), sigma="predicted")
                low, high = fit.interval(0.95)[0]
                rows.append((fit.unit / unit - 1, fit.unit_err / unit, bool(low <= unit <= high)))
    return out


def falls(volts: float, n: int) -> dict[str, Found]:
    """Errors of voltage, corrected fall and fall as read."""
    out: dict[str, Found] = {}
    for seed in np.random.SeedSequence(4321).spawn(n):
        bench = SimulatedBench(residual=volts)
        page, apparatus, truth = bench.simulate(rng=np.random.default_rng(seed))
        found = Run(page, apparatus).residual_voltage()
        for name, told, true in (
            ("voltage, V", found.voltage, volts),
            ("fall corrected, divisions", found.fall, truth["fall"]),
            ("fall as read, divisions", found.measured, truth["fall"]),
        ):
            off, error = told.value - true, told.standard_uncertainty
            limit = float(t.ppf(0.975, told.degrees_of_freedom)) * error
            out.setdefault(name, []).append((off, error, abs(off) <= limit))
    return out


def line(what: str, found: Found, factor: float) -> str:
    """Mean error with its own, stated uncertainty and coverage."""
    if not found:
        return row(what, 0, "–", "–", "–")
    off, stated, held = (np.array(column) for column in zip(*found, strict=True))
    error = float(np.std(factor * off)) / np.sqrt(len(found))
    mean = f"{(factor * off).mean():+.2f} ± {error:.2f}"
    return row(what, len(found), mean, f"{factor * stated.mean():.2f}", f"{held.mean():.2f}")


@benchmark("Rows that tell less, and a residual voltage", quiet=True)
def main(options: Any) -> Iterator[str]:
    few, many = (2, 4) if options.tiny else (40, 300)
    yield (
        "Mean error, mean stated standard uncertainty and share of the intervals of 95 % that "
        "hold the"
    )
    yield f"truth: {few} benches for readings, {many} for falls."
    yield from ("", *head("simulated bench", "answered", "mean error", "stated", "held"))
    for title, bench in BENCHES.items():
        for way, found in readings(bench, few).items():
            yield line(f"{title}: unit, %, such rows {way}", found, 100)
    for volts in (0.0, 3.0):
        for way, found in falls(volts, many).items():
            yield line(f"{volts:g} V left on the plates: {way}", found, 1)


if __name__ == "__main__":
    main()
