"""Pages of an invented bench from elementary physics.

Written apart from `quantize.charge`, which it judges: nothing is imported from it. A sphere of
mobility B, charge n·e and weight w moves at B·(n·e·V/d - w); it wanders with variance 2kTB·t, a
hand presses the watch twice, and both ends are read to a step of the scale.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd

CHARGE = 1.602176634e-19  # C, exact (SI Brochure, 9th edition)
BOLTZMANN = 1.380649e-23  # J/K, exact
GRAVITY, VISCOSITY, TEMPERATURE = 9.81, 1.83e-5, 295.15
DENSITY, AIR_DENSITY = 1055.0, 1.19
PATH = 66e-9  # m, with the triple of Davies, Proc. Phys. Soc. 57:259 (1945)
DIVISION = 25e-6


@dataclasses.dataclass(frozen=True, kw_only=True)
class PlainBench:
    """What is true, and how well the operator knows it.

    `spread` is the relative standard deviation of the diameters in the batch; `weight_of` says
    whose weight the operator was given; `step` is what both ends are read to; a `gate` in
    divisions makes passages over a fixed distance of it.
    """

    diameter: float = 2.1e-6
    spread: float = 0.014
    weight_of: str | None = "the batch"
    weight_known: float = 0.01
    separation: float = 4.2e-3
    separation_known: float = 0.004
    voltage_known: float = 0.003
    held: int = 6
    imbalance: float = 0.4
    interval: float = 10.0
    press: float = 0.05
    step: float = 1.0
    gate: float | None = None
    states: tuple[int, ...] = (6, 4, 7, 3, 5, 9, 2, 8)
    repeats: int = 3
    falls: int = 8
    spheres: int = 1

    def draw(self, rng: np.random.Generator) -> Drawn:
        """One bench with its spheres."""
        batch = weight_of_sphere(self.diameter)
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
                "density": f"{DENSITY} kg/m3",
            },
            "reticle": {"division": f"{DIVISION!r} m"},
            "watch": {"press": f"{self.press!r} s"},
            "air": {"temperature": f"{TEMPERATURE} K", "pressure": "101325 Pa"},
            "run": {"timing": "fixed distance" if self.gate else "fixed time"},
        }
        if self.weight_of:
            bench["sphere"]["weight_of"] = self.weight_of
        pages, truths, own = [], {}, {}
        for label in "ABCDEFGH"[: self.spheres]:
            diameter = self.diameter * (1 + self.spread * rng.normal())
            page, truth = self._page(rng, diameter, gain)
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

    def _page(
        self, rng: np.random.Generator, diameter: float, gain: float
    ) -> tuple[pd.DataFrame, dict[str, Any]]:
        weight, mobility = weight_of_sphere(diameter), mobility_of_sphere(diameter)
        per_speed = self.interval / DIVISION
        fall = mobility * weight * per_speed
        exact = weight * self.separation / (self.held * CHARGE)
        volts = exact * (1 + self.imbalance / fall)
        diffusion = BOLTZMANN * TEMPERATURE * mobility / DIVISION**2
        rows = []
        for label, units in enumerate(self.states, start=1):
            pairs = [(volts, volts * gain)] * self.repeats + [(0.0, 0.0)] * (label <= self.falls)
            for true, shown in pairs:
                speed = (units * CHARGE * true / self.separation - weight) * mobility / DIVISION
                rows.append((str(label), shown, *self._reading(rng, speed, diffusion)))
        names = ("state", "V", "start", "end", "t")
        page = pd.DataFrame(rows, columns=names)
        if self.gate:
            page = page.drop(columns=["start"]).rename(columns={"end": "div"})
        truth = {
            "fall": fall,
            "unit": fall / self.held * volts / exact,
            "weight": weight,
            "diameter": diameter,
            "shown": volts * gain,
        }
        return page, truth

    def _reading(
        self, rng: np.random.Generator, speed: float, diffusion: float
    ) -> tuple[float, float, float]:
        """Start, end and seconds of one passage."""
        press = self.press * math.sqrt(2) * rng.normal()
        if self.gate:
            # First passage of a walk with drift is inverse Gaussian (Schrödinger 1915).
            mean, shape = self.gate / abs(speed), self.gate**2 / (2 * diffusion)
            seconds = rng.wald(mean, shape) + press
            return 0.0, math.copysign(self.gate, speed), round(seconds, 2)
        moved = speed * (self.interval + press)
        moved += math.sqrt(2 * diffusion * self.interval) * rng.normal()
        start = rng.uniform(0, 10) + (80 if moved < 0 else 0)
        ends = [self.step * round(place / self.step) for place in (start, start + moved)]
        return ends[0], ends[1], self.interval


@dataclasses.dataclass(frozen=True)
class Drawn:
    """A page, the apparatus file as nested tables, and the truth of every sphere."""

    page: pd.DataFrame
    apparatus: dict[str, Any]
    truth: dict[str, dict[str, Any]]


def weight_of_sphere(diameter: float) -> float:
    """Weight less buoyancy."""
    return math.pi / 6 * diameter**3 * (DENSITY - AIR_DENSITY) * GRAVITY


def mobility_of_sphere(diameter: float) -> float:
    """Speed per force: Stokes, with the slip correction of Davies (1945)."""
    knudsen = 2 * PATH / diameter
    slip = 1 + knudsen * (1.257 + 0.400 * math.exp(-1.10 / knudsen))
    return slip / (3 * math.pi * VISCOSITY * diameter)


def _stated(value: float, uncertainty: float, unit: str) -> str:
    return f"{value!r} +/- {uncertainty!r} {unit}"
