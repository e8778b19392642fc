"""Clean benches and spoilt ones, by physics written apart from the library's.

Slip: Kim et al., J. Res. NIST 110:31 (2005), with their mean free path of 67.3 nm at 296.15 K;
viscosity of air: their equation 3. Time of first passage: inverse Gaussian (Folks and Chhikara,
J. R. Stat. Soc. B 40:263, 1978). Everything is invented; no sphere, bench or person stands behind
it.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

ELEMENTARY = 1.602176634e-19  # C, exact (SI Brochure, 9th edition)
BOLTZMANN = 1.380649e-23  # J/K, exact
TEMPERATURE = 296.15  # K, where mean free path and viscosity below are those of the source
FREE_PATH = 67.3e-9
VISCOSITY = 1.83245e-5
GRAVITY = 9.80665
AIR_DENSITY = 1.19


@dataclasses.dataclass(frozen=True, kw_only=True)
class Bench:
    """What is true at the bench; `*_known` are relative standard uncertainties of what is stated.

    `states` are units on the sphere (any size where there are no steps) and readings of each. A
    fall is read in each of the first `falls` states. `evaporated` is the part of the weight that is
    lost from the first row to the last, `scale_stated` the division in the apparatus file over the
    true one. With a `gate`, passages over so many divisions are timed instead.
    """

    diameter: float = 2.1e-6
    diameter_known: float = 0.005
    density: float = 1055.0
    separation: float = 4.2e-3
    separation_known: float = 0.004
    division: float = 25e-6
    division_known: float = 0.002
    voltage_known: float = 0.003
    weight_known: float = 0.015
    interval: float = 10.0
    press: float = 0.05
    held: float = 6.0
    imbalance: float = 0.4
    states: tuple[tuple[float, int], ...] = (
        (6, 4), (4, 4), (7, 4), (3, 4), (5, 4), (9, 4), (2, 4), (8, 4),
    )  # fmt: skip
    falls: int = 8
    evaporated: float = 0.0
    scale_stated: float = 1.0
    gate: float = 0.0


def mobility(diameter: float) -> float:
    """Speed per force, with slip."""
    knudsen = 2 * FREE_PATH / diameter
    slip = 1 + knudsen * (1.165 + 0.483 * math.exp(-0.997 / knudsen))
    return slip / (3 * math.pi * VISCOSITY * diameter)


def simulate(
    bench: Bench, seed: int
) -> tuple[dict[str, list[Any]], dict[str, Any], dict[str, Any]]:
    """One page, the apparatus file of somebody who does not know the truth, and the truth."""
    rng = np.random.default_rng(seed)
    b = mobility(bench.diameter)
    weight = math.pi / 6 * bench.diameter**3 * (bench.density - AIR_DENSITY) * GRAVITY
    fall = b * weight * bench.interval / bench.division
    voltage = weight * bench.separation / (bench.held * ELEMENTARY) * (1 + bench.imbalance / fall)
    unit = b * ELEMENTARY * voltage / bench.separation * bench.interval / bench.division
    plan = []
    for label, (units, repeats) in enumerate(bench.states, start=1):
        plan += [(str(label), units, True)] * repeats
        if label <= bench.falls:
            plan.append((str(label), units, False))
    shown = round(voltage * (1 + bench.voltage_known * rng.normal()), 1)
    page: dict[str, list[Any]] = {"state": [], "V": [], "divisions": [], "t": []}
    for i, (label, units, driven) in enumerate(plan):
        lost = bench.evaporated * i / (len(plan) - 1)
        speed = (unit * units if driven else 0.0) - fall * (1 - lost)  # divisions per interval
        moved, seconds = _passage(bench, b, speed / bench.interval, rng)
        for name, value in zip(
            page, (label, shown if driven else 0.0, moved, seconds), strict=True
        ):
            page[name].append(value)
    truth = {
        "unit": unit,
        "fall": fall,
        "charge": ELEMENTARY,
        "units": [units for _, units, driven in plan if driven],
    }
    return page, _file(bench, weight, shown, rng), truth


def _passage(bench: Bench, b: float, speed: float, rng: np.random.Generator) -> tuple[float, float]:
    """Divisions and seconds of one movement at `speed` divisions per second."""
    diffusion = BOLTZMANN * TEMPERATURE * b / bench.division**2
    hand = bench.press * math.sqrt(2) * rng.normal()
    if bench.gate:
        time = rng.wald(bench.gate / abs(speed), bench.gate**2 / (2 * diffusion))
        return math.copysign(bench.gate, speed), round(time + hand, 3)
    seconds = bench.interval + hand
    moved = speed * seconds + math.sqrt(2 * diffusion * seconds) * rng.normal()
    start = rng.uniform(0, 1)
    return float(round(start + moved) - round(start)), bench.interval


def _file(bench: Bench, weight: float, volts: float, rng: np.random.Generator) -> dict[str, Any]:
    def stated(value: float, relative: float, unit: str) -> str:
        return f"{value * (1 + relative * rng.normal()):.9g} +/- {value * relative:.3g} {unit}"

    run = {"timing": "fixed distance" if bench.gate else "fixed time"}
    if not bench.gate:
        run["interval"] = f"{bench.interval:g} s"
    return {
        "apparatus": {"invented": True},
        "plates": {
            "separation": stated(bench.separation, bench.separation_known, "m"),
            "voltage": f"{volts!r} +/- {volts * bench.voltage_known:.3g} V",
        },
        "sphere": {
            "weight": stated(weight, bench.weight_known, "N"),
            "buoyancy": "already off",
            "diameter": stated(bench.diameter, bench.diameter_known, "m"),
            "density": f"{bench.density:g} kg/m3",
        },
        "reticle": {
            "division": stated(bench.division * bench.scale_stated, bench.division_known, "m"),
        },
        "watch": {"press": f"{bench.press:g} s"},
        "air": {"temperature": f"{TEMPERATURE} K", "pressure": "101325 Pa"},
        "run": run,
    }


def written(page: dict[str, list[Any]], apparatus: dict[str, Any]) -> tuple[str, str]:
    """The page as csv and the apparatus as toml."""
    rows = [
        ",".join(page),
        *(",".join(f"{c}" for c in row) for row in zip(*page.values(), strict=True)),
    ]
    lines = []
    for section, entries in apparatus.items():
        lines.append(f"[{section}]")
        for name, value in entries.items():
            lines.append(f"{name} = {str(value).lower() if value is True else repr(str(value))}")
    return "\n".join(rows) + "\n", "\n".join(lines) + "\n"
