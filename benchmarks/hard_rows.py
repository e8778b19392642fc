"""What rows off the scale, changes of charge and a residual voltage do to a run.

Mean error, mean stated standard uncertainty and share of the intervals of 95 % that hold the truth:
{few} benches for readings, {many} for falls, seed 4321. The same simulated benches are analysed
with such rows used for what they tell, left out, and taken at face value.
"""

from __future__ import annotations

import contextlib
from collections import defaultdict

import numpy as np
from scipy.stats import t

from benchmarks.benches import drawn
from benchmarks.runner import Lines, Options, benchmark, child, row, told
from quantize import InputError
from quantize.charge import Run, SimulatedBench

STATES = ((6, 4), (4, 4), (7, 4), (3, 4), (13, 8), (9, 4), (12, 4), (8, 4))
OFF_SCALE = SimulatedBench(states=STATES, scale=70.5, diameter_spread=0.0)
BENCHES = {
    "half of the fastest leave the scale": OFF_SCALE,
    "charge changed in 12 % of the readings": SimulatedBench(changes=0.12),
}
Found = dict[str, list[tuple[float, float, bool]]]
"""Errors, stated standard uncertainties, and whether 95 % hold the truth, by what they are of."""


def readings(bench: SimulatedBench, n: int) -> Found:
    """Relative errors of the unit with special rows used, left out, and taken at face value."""
    out: Found = defaultdict(list)
    for seed in range(n):
        page, apparatus, truth = bench.simulate(rng=child(4321, seed))
        run, unit = Run(page, apparatus), truth["unit"]
        plain = (run.table["off_scale"] == 0) & ~run.table["changed"]
        ways = {"used": run, "left out": run.select(plain)}
        if "event" in page:
            ways["taken at face value"] = Run(page.drop(columns="event"), apparatus)
        for name, one in ways.items():
            rows = out[name]
            # Readings of one state that cannot have one whole number are refused.
            with contextlib.suppress(InputError):
                fit = one.fit((0.6 * unit, 1.6 * unit), sigma="predicted")
                low, high = fit.interval(0.95)[0]
                held = bool(low <= unit <= high)
                rows.append((fit.unit / unit - 1, fit.unit_err / unit, held))
    return out


def falls(volts: float, n: int) -> Found:
    """Errors of voltage, corrected fall and fall as read."""
    out: Found = defaultdict(list)
    for seed in range(n):
        run, truth = drawn(SimulatedBench(residual=volts), child(4321, seed))
        found = run.residual_voltage()
        for name, one, true in (
            ("voltage, V", found.voltage, volts),
            ("fall corrected, divisions", found.fall, truth["fall"]),
            ("fall as read, divisions", found.measured, truth["fall"]),
        ):
            off, error = one.value - true, one.standard_uncertainty
            limit = float(t.ppf(0.975, one.degrees_of_freedom)) * error
            out[name].append((off, error, abs(off) <= limit))
    return out


def lines(what: str, ways: Found, factor: float) -> Lines:
    """Mean error with its own, stated uncertainty and coverage."""
    for way, found in ways.items():
        shown: list[object] = ["–"] * 3
        if found:
            off, stated, held = np.array(found, float).T
            error = float(np.std(factor * off)) / np.sqrt(len(found))
            mean = f"{(factor * off).mean():+.2f} ± {error:.2f}"
            shown = [mean, factor * stated.mean(), held.mean()]
        yield row(f"{what}{way}", len(found), *shown, digits=2)


@benchmark("Rows that tell less, and a residual voltage", quiet=True)
def main(options: Options) -> Lines:
    few, many = (2, 4) if options.tiny else (40, 300)
    names = ("simulated bench", "answered", "mean error", "stated", "held")
    yield from told(__doc__, options, *names, few=few, many=many)
    for title, bench in BENCHES.items():
        yield from lines(f"{title}: unit, %, such rows ", readings(bench, few), 100)
    for volts in (0.0, 3.0):
        yield from lines(f"{volts:g} V left on the plates: ", falls(volts, many), 1)
