"""A simulated bench: readings from known truth, for tests, teaching and planning."""

from __future__ import annotations

import dataclasses
import math
from typing import Any, Literal

import numpy as np
import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError, explained
from quantize._support.randomness import RngLike, generator
from quantize.charge.air import Air
from quantize.charge.entries import WORDS
from quantize.charge.noise import at_fixed_time
from quantize.charge.sphere import Sphere

ACCEPTED_CHARGE = 1.602176634e-19  # C, exact (SI Brochure, 9th edition); only here and in planning
_HUMIDITY = 0.45


@dataclasses.dataclass(frozen=True, kw_only=True)
class SimulatedBench:
    """What is true at the bench, and how well each input is known.

    Parameters
    ----------
    diameter, diameter_known, diameter_spread : float
        Mean diameter of the batch, its standard uncertainty in the apparatus file, and the standard
        deviation of the diameters in the batch, m.
    density : float
        Density of the spheres, kg/m3.
    separation, separation_known : float
        Distance between the plates, m, and its relative standard uncertainty in the apparatus file.
    division : float
        Length of one division of the scale, m.
    division_known, voltage_known, weight_known : float
        Relative standard uncertainties of the division, the voltage and the weight that the
        apparatus file states.
    weight_of : {"this sphere", "the batch"}
        Whose weight the apparatus file gives.
    temperature : float
        Temperature of the air, K.
    interval : float
        Duration of a reading, s.
    press : float
        Standard deviation of one press of the watch, s.
    held : int
        Units on the sphere at balance.
    imbalance : float
        Divisions an interval by which the balance is off.
    convection : float
        Upward drift of the air, divisions an interval, unknown to the operator.
    states : tuple of (int, int)
        Units on the sphere in each charge state, and readings of it.
    falls : int
        Number of states in which a fall without field is read too.
    residual : float
        Voltage left on the plates when they are switched off, V.
    scale : float, optional
        Divisions of the scale; a longer passage is noted as off it.
    changes : float
        Share of the readings within which one unit comes or goes; the log notes it.
    rounded : bool
        Whether both ends of each passage are read to a whole division.
    unit_charge : float
        The charge of one unit, C.

    Raises
    ------
    InputError
        For states or a balance without units, and an unknown word in `weight_of`.

    Examples
    --------
    >>> rows, apparatus, truth = SimulatedBench().simulate(rng=1)
    >>> len(rows), sorted(truth)
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
    weight_of: Literal["this sphere", "the batch"] = "this sphere"
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

    @explained()
    def simulate(
        self, *, rng: RngLike = None
    ) -> tuple[pd.DataFrame, dict[str, Any], dict[str, Any]]:
        """Draw one sphere, its readings, and what the operator knows of the bench.

        Parameters
        ----------
        rng : int, SeedSequence or Generator, optional
            Seed or source of the random numbers.

        Returns
        -------
        rows : pandas.DataFrame
            One row a reading, as the operator notes it.
        apparatus : dict
            The apparatus file as the operator would write it, as nested tables.
        truth : dict
            Unit and fall in divisions an interval, units held at balance, the charge of a unit,
            the units of each reading, and the offset of readings without the fall.
        """
        gen = generator(rng)
        sphere = self._sphere(self.diameter + self.diameter_spread * gen.standard_normal())
        batch = self._sphere(self.diameter)
        # The voltmeter has one gain: readings and apparatus file show the same volts.
        shown = float(sphere.voltage * (1 + self.voltage_known * gen.standard_normal()))
        rows = self._rows(gen, sphere, shown)
        stated = batch.weight if self.weight_of == "the batch" else sphere.weight
        truth = {
            "unit": sphere.fall / self.held * sphere.off_balance,
            "fall": sphere.fall,
            "held": self.held,
            "charge": self.unit_charge,
            "units": [n for n, repeats in self.states for _ in range(repeats)],
            "offset": self.imbalance + self.convection,
        }
        return rows, self._file(gen, shown, stated), truth

    def _sphere(self, diameter: float) -> _Sphere:
        """A sphere of that diameter between these plates."""
        air = Air(temperature=self.temperature, humidity=_HUMIDITY)
        sphere = Sphere(diameter=diameter, density=self.density)
        weight = sphere.effective_weight(air)
        fall = sphere.mobility(air) * weight * self.interval / self.division
        balance = weight * self.separation / (self.held * self.unit_charge)
        off = 1 + self.imbalance / fall
        return _Sphere(
            weight=weight,
            fall=fall,
            diffusion=sphere.diffusion(air) / self.division**2,
            voltage=balance * off,
            off_balance=off,
        )

    def _rows(self, gen: np.random.Generator, sphere: _Sphere, shown: float) -> pd.DataFrame:
        """Every reading, in the order in which it is taken."""
        push = 1 / self.held * sphere.off_balance
        rows: list[tuple[str, float, float | str, str]] = []
        for label, (units, repeats) in enumerate(self.states, start=1):
            for _ in range(repeats):
                between = bool(self.changes) and gen.random() < self.changes
                mean = units + gen.choice([-1, 1]) * gen.random() if between else units
                note = "charge changed within the interval" if between else ""
                rows.append((str(label), shown, self._passage(gen, sphere, mean * push), note))
            if label <= self.falls:
                left = units * push * self.residual / sphere.voltage
                rows.append((str(label), 0.0, self._passage(gen, sphere, left), ""))
        table = pd.DataFrame(rows, columns=["state", "V", "divisions", "event"])
        if not self.changes:
            table = table.drop(columns="event")
        table["t"] = self.interval
        return table

    def _passage(self, gen: np.random.Generator, sphere: _Sphere, force: float) -> float | str:
        """Divisions of one passage; `force` is electric force over weight."""
        drift = (force - 1) * sphere.fall + self.convection
        scatter = at_fixed_time(
            drift / self.interval, self.interval, diffusion=sphere.diffusion, press=self.press
        ).times(self.interval)
        hand = math.copysign(float(scatter.watch), drift) * gen.standard_normal()
        moved = drift + hand + float(scatter.brownian) * gen.standard_normal()
        if self.scale is not None and abs(moved) > self.scale:
            return f"{'>' if moved > 0 else '<-'}{self.scale:g}"
        if not self.rounded:
            return float(moved)
        start = gen.uniform(0, 1)
        return float(round(start + moved) - round(start))

    def _file(self, gen: np.random.Generator, shown: float, weight: float) -> dict[str, Any]:
        """The apparatus file, each entry with an error of its own."""

        def stated(value: float, relative: float, unit: str) -> str:
            read = value * (1 + relative * gen.standard_normal())
            return f"{read:.9g} +/- {value * relative:.3g} {unit}"

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


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Sphere:
    """Weight (N), fall (divisions an interval), diffusion (divisions²/s) and voltage of a sphere.

    `off_balance` is the voltage over that of exact balance.
    """

    weight: float
    fall: float
    diffusion: float
    voltage: float
    off_balance: float
