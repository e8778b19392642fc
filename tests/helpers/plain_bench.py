"""Clean benches and spoilt ones from elementary physics, written apart from `quantize.charge`.

Nothing is imported from the package that it judges. A sphere of mobility B, charge n·e and weight
w moves at B·(n·e·V/d - w); it wanders with variance 2kTB·t, a hand presses the watch twice, and
both ends are read to a step of the scale. Slip: Kim et al., J. Res. NIST 110:31 (2005), with their
mean free path of 67.3 nm at 296.15 K; viscosity of air: their equation 3. Time of first passage:
inverse Gaussian (Schrödinger 1915; Folks and Chhikara, J. R. Stat. Soc. B 40:263, 1978).
Everything is invented; no sphere, bench or person stands behind it.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd

CHARGE = 1.602176634e-19  # C, exact (SI Brochure, 9th edition)
BOLTZMANN = 1.380649e-23  # J/K, exact
TEMPERATURE = 296.15  # K, where mean free path and viscosity below are those of the source
FREE_PATH = 67.3e-9
VISCOSITY = 1.83245e-5
GRAVITY = 9.80665
AIR_DENSITY = 1.19


def weight_of(diameter: float, density: float) -> float:
    """Weight less buoyancy."""
    return math.pi / 6 * diameter**3 * (density - AIR_DENSITY) * GRAVITY


def mobility_of(diameter: float) -> float:
    """Speed per force, with slip."""
    knudsen = 2 * FREE_PATH / diameter
    slip = 1 + knudsen * (1.165 + 0.483 * math.exp(-0.997 / knudsen))
    return slip / (3 * math.pi * VISCOSITY * diameter)


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Truth:
    """What both benches share; `*_known` are relative standard uncertainties of what is stated.

    With a `gate`, passages over so many divisions are timed instead.
    """

    diameter: float = 2.1e-6
    density: float = 1055.0
    separation: float = 4.2e-3
    separation_known: float = 0.004
    division: float = 25e-6
    voltage_known: float = 0.003
    interval: float = 10.0
    press: float = 0.05
    held: float = 6.0
    imbalance: float = 0.4
    falls: int = 8
    gate: float = 0.0

    def motion(self, diameter: float) -> tuple[float, float, float, float]:
        """Weight, volts at balance, and fall and unit in divisions an interval, of one sphere."""
        weight, mobility = weight_of(diameter, self.density), mobility_of(diameter)
        per_speed = self.interval / self.division
        fall = mobility * weight * per_speed
        volts = weight * self.separation / (self.held * CHARGE) * (1 + self.imbalance / fall)
        return weight, volts, fall, mobility * CHARGE * volts / self.separation * per_speed

    def passage(
        self, rng: np.random.Generator, diameter: float, moved: float
    ) -> tuple[float, float]:
        """Divisions and seconds of one passage, where `moved` is expected in an interval."""
        diffusion = BOLTZMANN * TEMPERATURE * mobility_of(diameter) / self.division**2
        hand = self.press * math.sqrt(2) * rng.normal()
        speed = moved / self.interval
        if self.gate:
            time = rng.wald(self.gate / abs(speed), self.gate**2 / (2 * diffusion))
            return math.copysign(self.gate, speed), time + hand
        seconds = self.interval + hand
        walk = math.sqrt(2 * diffusion * seconds) * rng.normal()
        return speed * seconds + walk, self.interval

    def deviation(self, diameter: float, moved: float) -> float:
        """Standard deviation of what is read in a fixed time, both ends to a division."""
        diffusion = BOLTZMANN * TEMPERATURE * mobility_of(diameter) / self.division**2
        hand = self.press * math.sqrt(2) * moved / self.interval
        return math.sqrt(2 * diffusion * self.interval + hand**2 + 2 / 12)

    @property
    def timing(self) -> dict[str, str]:
        """What the apparatus file says of it."""
        return {"timing": "fixed distance" if self.gate else "fixed time"}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Bench(_Truth):
    """One sphere on a bench that is clean or spoilt in one way.

    `states` are units on the sphere (any size where there are no steps) and readings of each. A
    fall is read in each of the first `falls` states. `evaporated` is the part of the weight that is
    lost from the first row to the last, `scale_stated` the division in the apparatus file over the
    true one.
    """

    diameter_known: float = 0.005
    division_known: float = 0.002
    weight_known: float = 0.015
    states: tuple[tuple[float, int], ...] = (
        (6, 4), (4, 4), (7, 4), (3, 4), (5, 4), (9, 4), (2, 4), (8, 4),
    )  # fmt: skip
    evaporated: float = 0.0
    scale_stated: float = 1.0


def simulate(
    bench: Bench, seed: int
) -> tuple[dict[str, list[Any]], dict[str, Any], dict[str, Any]]:
    """The rows, the apparatus file of somebody who does not know the truth, and the truth."""
    rng = np.random.default_rng(seed)
    weight, voltage, fall, unit = bench.motion(bench.diameter)
    plan = []
    for label, (units, repeats) in enumerate(bench.states, start=1):
        plan += [(str(label), units, True)] * repeats
        if label <= bench.falls:
            plan.append((str(label), units, False))
    shown = round(voltage * (1 + bench.voltage_known * rng.normal()), 1)
    rows: dict[str, list[Any]] = {"state": [], "V": [], "divisions": [], "t": []}
    for i, (label, units, driven) in enumerate(plan):
        lost = bench.evaporated * i / (len(plan) - 1)
        expected = (unit * units if driven else 0.0) - fall * (1 - lost)
        moved, seconds = bench.passage(rng, bench.diameter, expected)
        if not bench.gate:
            start = rng.uniform(0, 1)
            moved = float(round(start + moved) - round(start))
        row = (label, shown if driven else 0.0, moved, round(seconds, 3))
        for name, value in zip(rows, row, strict=True):
            rows[name].append(value)
    truth = {
        "unit": unit,
        "fall": fall,
        "charge": CHARGE,
        "units": [units for _, units, driven in plan if driven],
    }
    return rows, _file(bench, weight, shown, rng), truth


def _file(bench: Bench, weight: float, volts: float, rng: np.random.Generator) -> dict[str, Any]:
    def stated(value: float, relative: float, unit: str) -> str:
        return f"{value * (1 + relative * rng.normal()):.9g} +/- {value * relative:.3g} {unit}"

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
        "run": bench.timing | ({} if bench.gate else {"interval": f"{bench.interval:g} s"}),
    }


def written(rows: dict[str, list[Any]], apparatus: dict[str, Any]) -> tuple[str, str]:
    """The rows as csv and the apparatus as toml."""
    table = [
        ",".join(rows),
        *(",".join(f"{c}" for c in row) for row in zip(*rows.values(), strict=True)),
    ]
    lines = []
    for section, entries in apparatus.items():
        lines.append(f"[{section}]")
        for name, value in entries.items():
            lines.append(f"{name} = {str(value).lower() if value is True else repr(str(value))}")
    return "\n".join(table) + "\n", "\n".join(lines) + "\n"


@dataclasses.dataclass(frozen=True, kw_only=True)
class PlainBench(_Truth):
    """One or several spheres of a batch, and how well the operator knows it.

    `spread` is the relative standard deviation of the diameters in the batch; `weight_of` says
    whose weight the operator was given; `step` is what both ends are read to. Every second state is
    read at the part `weaker` of the voltage.
    """

    spread: float = 0.014
    weight_of: str | None = "the batch"
    weight_known: float = 0.01
    step: float = 1.0
    weaker: float = 1.0
    states: tuple[float, ...] = (6, 4, 7, 3, 5, 9, 2, 8)
    repeats: int = 3
    spheres: int = 1

    def draw(self, rng: np.random.Generator) -> Drawn:
        """One bench with its spheres."""
        batch = weight_of(self.diameter, self.density)
        gap = self.separation * (1 + self.separation_known * rng.normal())
        gain = 1 + self.voltage_known * rng.normal()
        told = batch * (1 + self.weight_known * rng.normal())
        bench: dict[str, Any] = {
            "apparatus": {"invented": True},
            "plates": {"separation": _stated(gap, gap * self.separation_known, "m")},
            "sphere": {
                "weight": _stated(told, told * self.weight_known, "N"),
                "diameter": f"{self.diameter!r} m",
                "diameter_spread": f"{self.diameter * self.spread!r} m",
                "density": f"{self.density} kg/m3",
            },
            "reticle": {"division": f"{self.division!r} m"},
            "watch": {"press": f"{self.press!r} s"},
            "air": {"temperature": f"{TEMPERATURE} K", "pressure": "101325 Pa"},
            "run": self.timing,
        }
        if self.weight_of:
            bench["sphere"]["weight_of"] = self.weight_of
        pages, truths, own = [], {}, {}
        for label in "ABCDEFGH"[: self.spheres]:
            diameter = self.diameter * (1 + self.spread * rng.normal())
            page, truth = self._rows(rng, diameter, gain)
            pages.append(page.assign(particle=label))
            truths[label] = truth
            volts = _stated(truth["shown"], truth["shown"] * self.voltage_known, "V")
            own[label] = {"plates": {"voltage": f"{volts} session"}}
            if self.weight_of == "this sphere":
                weight = truth["weight"] * (1 + self.weight_known * rng.normal())
                own[label]["sphere"] = {"weight": _stated(weight, weight * self.weight_known, "N")}
        if self.spheres > 1:
            bench["particles"] = own
        else:
            bench["plates"] |= own["A"]["plates"]
            bench["sphere"] |= own["A"].get("sphere", {})
        return Drawn(pd.concat(pages, ignore_index=True), bench, truths)

    def _rows(
        self, rng: np.random.Generator, diameter: float, gain: float
    ) -> tuple[pd.DataFrame, dict[str, Any]]:
        """The rows of one sphere, and what is true of it."""
        weight, volts, fall, unit = self.motion(diameter)
        rows: list[dict[str, Any]] = []
        for label, units in enumerate(self.states, start=1):
            part = 1.0 if label % 2 else self.weaker
            for lift in [units * unit] * self.repeats + [0.0] * (label <= self.falls):
                moved, seconds = self.passage(rng, diameter, part * lift - fall)
                row = {"state": str(label), "V": part * volts * gain if lift else 0.0}
                if self.gate:
                    rows.append(row | {"div": moved, "t": round(seconds, 2)})
                    continue
                start = rng.uniform(0, 10) + (80 if moved < 0 else 0)
                places = {"start": start, "end": start + moved}
                read = {k: self.step * round(x / self.step) for k, x in places.items()}
                rows.append(row | read | {"t": seconds})
        return pd.DataFrame(rows), {
            "fall": fall,
            "unit": unit,
            "weight": weight,
            "diameter": diameter,
            "shown": volts * gain,
        }


DROPS = PlainBench(
    diameter=2.6e-6,
    density=919.9,
    spread=0.0,
    weight_of="this sphere",
    gate=40.0,
    press=0.3,
    states=(4, 7, 3, 5, 9, 2, 8, 11),
    repeats=2,
)
"""Oil drops whose passages over a fixed length are timed: predictions that differ several times."""


@dataclasses.dataclass(frozen=True)
class Drawn:
    """A page, the apparatus file as nested tables, and the truth of every sphere."""

    page: pd.DataFrame
    apparatus: dict[str, Any]
    truth: dict[str, dict[str, Any]]


def _stated(value: float, uncertainty: float, unit: str) -> str:
    return f"{value!r} +/- {uncertainty!r} {unit}"
