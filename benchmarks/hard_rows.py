"""What rows off the scale, changes of charge and a residual voltage do to a run.

    python -m benchmarks.hard_rows                        40 benches a line, 300 for the voltage
    python -m benchmarks.hard_rows --tiny                 a smoke run
    python -m benchmarks.hard_rows --write docs/tables    also write the table

The same simulated benches are analysed with such rows used for what they tell, left out, and taken
at face value.
"""

from __future__ import annotations

import argparse
import contextlib
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.tables import keep
from quantize import InputError
from quantize.charge import Run, SimulatedBench

STATES = ((6, 4), (4, 4), (7, 4), (3, 4), (13, 8), (9, 4), (12, 4), (8, 4))
LOST = SimulatedBench(states=STATES, scale=70.5, diameter_spread=0.0)
CHANGES = SimulatedBench(changes=0.12)
SEED = 4321


def fitted(run: Run, truth: dict[str, Any]) -> tuple[float, float, bool]:
    """Relative error of the unit, its stated standard uncertainty, and whether 95 % hold it."""
    unit = truth["unit"]
    fit = run.fit((0.6 * unit, 1.6 * unit), sigma="predicted")
    low, high = fit.interval(0.95)[0]
    return fit.unit / unit - 1, fit.unit_err / unit, bool(low <= unit <= high)


def readings(bench: SimulatedBench, n: int) -> dict[str, list[tuple[float, float, bool]]]:
    """Units with special rows used, left out, and taken at face value."""
    out: dict[str, list[tuple[float, float, bool]]] = {}
    for seed in np.random.SeedSequence(SEED).spawn(n):
        page, apparatus, truth = bench.simulate(rng=np.random.default_rng(seed))
        run = Run(page, apparatus)
        plain = (run.table["off_scale"] == 0) & ~run.table["changed"]
        ways = {"used": run, "left out": run.select(plain)}
        if "event" in page:
            ways["taken at face value"] = Run(page.drop(columns="event"), apparatus)
        for name, one in ways.items():
            rows = out.setdefault(name, [])
            # Readings of one state that cannot have one whole number are refused.
            with contextlib.suppress(InputError):
                rows.append(fitted(one, truth))
    return out


def falls(volts: float, n: int) -> dict[str, list[tuple[float, float, bool]]]:
    """Error in standard form of voltage, corrected fall and fall as read."""
    from scipy.stats import t

    out: dict[str, list[tuple[float, float, bool]]] = {}
    for seed in np.random.SeedSequence(SEED).spawn(n):
        page, apparatus, truth = SimulatedBench(residual=volts).simulate(
            rng=np.random.default_rng(seed)
        )
        found = Run(page, apparatus).residual_voltage()
        for name, told, true in (
            ("voltage, V", found.voltage, volts),
            ("fall corrected, divisions", found.fall, truth["fall"]),
            ("fall as read, divisions", found.measured, truth["fall"]),
        ):
            limit = float(t.ppf(0.975, told.degrees_of_freedom)) * told.standard_uncertainty
            off = told.value - true
            out.setdefault(name, []).append((off, told.standard_uncertainty, abs(off) <= limit))
    return out


def line(
    what: str, found: list[tuple[float, float, bool]], *, factor: float, digits: int = 2
) -> str:
    """Mean error with its own, stated uncertainty and coverage."""
    off = factor * np.array([f[0] for f in found])
    stated = factor * float(np.mean([f[1] for f in found]))
    if not found:
        return f"| {what} | 0 | – | – | – |"
    held = sum(f[2] for f in found)
    error = float(np.std(off)) / np.sqrt(len(found))
    return (
        f"| {what} | {len(found)} | {off.mean():+.{digits}f} ± {error:.{digits}f} "
        f"| {stated:.{digits}f} | "
        f"{held / len(found):.2f} |"
    )


def main(arguments: list[str] | None = None) -> None:
    """Print a table, and write it when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--tiny", action="store_true")
    parser.add_argument("--write", metavar="DIR", type=Path)
    options = parser.parse_args(arguments)
    few, many = (2, 4) if options.tiny else (40, 300)
    lines = [
        "Mean error, mean stated standard uncertainty and share of the intervals of 95 % that hold "
        "the",
        f"truth: {few} benches for readings, {many} for falls.",
        "",
        "| simulated bench | answered | mean error | stated | held |",
        "|---|---|---|---|---|",
    ]
    print("\n".join(lines), flush=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for title, bench in (
            ("half of the fastest leave the scale", LOST),
            ("charge changed in 12 % of the readings", CHANGES),
        ):
            for way, found in readings(bench, few).items():
                lines.append(line(f"{title}: unit, %, such rows {way}", found, factor=100))
                print(lines[-1], flush=True)
        for volts in (0.0, 3.0):
            for way, found in falls(volts, many).items():
                lines.append(line(f"{volts:g} V left on the plates: {way}", found, factor=1))
                print(lines[-1], flush=True)
    keep(options.write, "hard_rows", "Rows that tell less, and a residual voltage", lines)


if __name__ == "__main__":
    main()
