"""A simulated bench: pages of readings from known truth, for tests, teaching and planning."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.randomness import RngLike, generator
from quantize.charge import air, drag
from quantize.charge.drag import SlipCorrection
from quantize.charge.entries import WORDS
from quantize.charge.noise import at_fixed_time

if TYPE_CHECKING:
    import pandas as pd

ACCEPTED_CHARGE = 1.602176634e-19  # C, exact (SI Brochure, 9th edition); only here and in planning


@dataclasses.dataclass(frozen=True, kw_only=True)
class SimulatedBench:
    """What is true at the bench, and how well each input is known.

    Attributes
    ----------
    diameter, diameter_known, diameter_spread : float
        Mean of the batch in metres, standard uncertainty of what is stated, spread in the batch.
    density, separation, division, temperature : float
        SI units.
    separation_known, division_known, voltage_known, weight_known : float
        Relative standard uncertainties of what the apparatus file says.
    interval, press : float
        Seconds of a reading, and the standard deviation of one press of the watch.
    weight_of : {"this sphere", "the batch"}
        Whose weight the apparatus file gives.
    held : int
        Units at balance.
    imbalance : float
        Divisions an interval by which the balance is off.
    convection : float
        Upward drift of the air, divisions an interval, unknown to the operator.
    states : tuple of (units, repeats)
    falls : int
    residual : float
        Voltage left on the plates when they are switched off, V.
    scale : float, optional
        Divisions of the scale; a longer passage is noted as off it.
    changes : float
        Share of the readings within which one unit comes or goes; the log notes it.
    rounded : bool
        Whether both ends of each passage are read to a whole division.
    unit_charge : float
        The charge of one unit.

    Examples
    --------
    >>> page, apparatus, truth = SimulatedBench().simulate(rng=1)
    >>> len(page), sorted(truth)
    (40, ['charge', 'fall', 'held', 'offset', 'unit', 'units'])
    """

    diameter: float = 2.10e-6
    diameter_known: float = 0.01e-6
    diameter_spread: float = 0.02e-6
    density: float = 1055.0
    separation: float = 4.2e-3
    separation_known: float = 0.004
    division: float = 25e-6
    division_known: float = 0.002
    voltage_known: float = 0.003
    weight_known: float = 0.015
    weight_of: str = "this sphere"
    temperature: float = 294.15
    interval: float = 10.0
    press: float = 0.05
    held: int = 6
    imbalance: float = 0.4
    convection: float = 0.0
    states: tuple[tuple[int, int], ...] = (
        (6, 4), (4, 4), (7, 4), (3, 4), (5, 4), (9, 4), (2, 4), (8, 4),
    )  # fmt: skip
    falls: int = 8
    residual: float = 0.0
    scale: float | None = None
    changes: float = 0.0
    rounded: bool = True
    unit_charge: float = ACCEPTED_CHARGE

    def __post_init__(self) -> None:
        if not self.states or min(n for n, _ in self.states) < 0 or self.held < 1:
            raise InputError("`states` and `held` must be whole numbers of units, above zero.")
        validation.choice("weight_of", self.weight_of, WORDS["sphere.weight_of"])

    def simulate(
        self, *, rng: RngLike = None
    ) -> tuple[pd.DataFrame, dict[str, Any], dict[str, Any]]:
        """One page, the apparatus file as the operator would write it, and the truth."""
        import pandas as pd

        gen = generator(rng)
        diameter = self.diameter + self.diameter_spread * gen.standard_normal()
        slip = SlipCorrection()
        factor = slip.factor(diameter, self.temperature, air.STANDARD_PRESSURE)
        mobility = float(drag.mobility(diameter, float(air.viscosity(self.temperature)), factor))
        buoyant = self.density - float(air.density(self.temperature, air.STANDARD_PRESSURE, 0.45))
        weight = float(drag.effective_weight(diameter, buoyant, 9.80665))
        known = weight
        if self.weight_of == "the batch":
            known = float(drag.effective_weight(self.diameter, buoyant, 9.80665))
        per_speed = self.interval / self.division
        fall = mobility * weight * per_speed
        unit = fall / self.held
        exact = weight * self.separation / (self.held * self.unit_charge)
        voltage = exact * (1 + self.imbalance / fall)
        diffusion = float(drag.diffusion(mobility, self.temperature)) / self.division**2

        def read(force: float) -> float | str:
            """Divisions of one passage; `force` is electric force over weight."""
            drift = (force - 1) * fall + self.convection
            scatter = at_fixed_time(
                drift / self.interval, self.interval, diffusion=diffusion, press=self.press
            ).times(self.interval)
            hand = math.copysign(float(scatter.watch), drift) * gen.standard_normal()
            moved = drift + hand + float(scatter.brownian) * gen.standard_normal()
            if self.scale is not None and abs(moved) > self.scale:
                return f"{'>' if moved > 0 else '<-'}{self.scale:g}"
            if not self.rounded:
                return float(moved)
            start = gen.uniform(0, 1)
            return float(round(start + moved) - round(start))

        # The voltmeter has one gain: page and apparatus file show the same volts.
        shown = float(voltage * (1 + self.voltage_known * gen.standard_normal()))
        rows: list[tuple[str, float, float | str, str]] = []
        for label, (units, repeats) in enumerate(self.states, start=1):
            push = 1 / self.held * voltage / exact
            for _ in range(repeats):
                between = bool(self.changes) and gen.random() < self.changes
                mean = units + gen.choice([-1, 1]) * gen.random() if between else units
                note = "charge changed within the interval" if between else ""
                rows.append((str(label), shown, read(mean * push), note))
            if label <= self.falls:
                left = units * push * self.residual / voltage
                rows.append((str(label), 0.0, read(left), ""))
        page = pd.DataFrame(rows, columns=["state", "V", "divisions", "event"])
        if not self.changes:
            page = page.drop(columns="event")
        page["t"] = self.interval
        truth = {
            "unit": unit * voltage / exact,
            "fall": fall,
            "held": self.held,
            "charge": self.unit_charge,
            "units": [n for n, repeats in self.states for _ in range(repeats)],
            "offset": self.imbalance + self.convection,
        }
        return page, self._file(gen, shown, known), truth

    def _file(self, gen: np.random.Generator, shown: float, weight: float) -> dict[str, Any]:
        def stated(value: float, relative: float, unit: str) -> str:
            told = value * (1 + relative * gen.standard_normal())
            return f"{told:.9g} +/- {value * relative:.3g} {unit}"

        return {
            "apparatus": {"invented": True},
            "plates": {
                "separation": stated(self.separation, self.separation_known, "m"),
                "voltage": f"{shown!r} +/- {shown * self.voltage_known:.3g} V",
            },
            "sphere": {
                "weight": stated(weight, self.weight_known, "N"),
                "weight_of": self.weight_of,
                "diameter": stated(self.diameter, self.diameter_known / self.diameter, "m"),
                "diameter_spread": f"{self.diameter_spread:.6g} m",
                "density": f"{self.density:.6g} kg/m3",
                "buoyancy": "already off",
            },
            "reticle": {"division": stated(self.division, self.division_known, "m")},
            "watch": {"press": f"{self.press:.6g} s"},
            "air": {"temperature": f"{self.temperature:.2f} K", "pressure": "101325 Pa"},
            "run": {"interval": f"{self.interval:g} s", "timing": "fixed time"},
        }
