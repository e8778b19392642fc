"""What the uncertainty of the unit in coulombs will be after readings that are still to be taken.

With known whole numbers the unit u and the fall F in divisions are linear in the readings, so that
what a reading adds to the inverse of their covariance is known before it is taken. What that means
in coulombs the joint fit of all inputs says.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from quantize._support.errors import InputError
from quantize._support.validation import BoolArray, FloatArray
from quantize.charge.agreement import named
from quantize.charge.apparatus import Apparatus, value_of
from quantize.charge.bench import fit_inputs
from quantize.charge.budgets import Divisions, lacking
from quantize.charge.noise import at_fixed_time, diffusion_of, press_of
from quantize.charge.particles import own_and_shared
from quantize.charge.propagation import Propagation
from quantize.charge.quantity import Quantity
from quantize.charge.routes import ROUTES, SIMPLEST

BETTER = 0.5  # of the uncertainty of an input, where its better measurement is weighed
_READ = ("unit", "fall")
_GIVEN = ("sphere.diameter_spread",)  # describes a batch, and no measurement makes it smaller


@dataclasses.dataclass(frozen=True, kw_only=True)
class UnitAndFall:
    """Unit and fall in divisions per interval, the inverse of their covariance, and the gate."""

    unit: float
    fall: float
    precision: FloatArray
    interval: float
    gate: Quantity | None = None

    def read(self, units: float, sigma: float, stretch: float = 1.0) -> UnitAndFall:
        """After a reading x·s = u·n - F·s, which scatters by `sigma`; `stretch` s is V0/V."""
        return self._with(np.array([units, -stretch]) / sigma)

    def fell(self, sigma: float, times: float = 1) -> UnitAndFall:
        """After falls without field, each of which scatters by `sigma`."""
        return self._with(np.array([0.0, math.sqrt(times)]) / sigma)

    def _with(self, row: FloatArray) -> UnitAndFall:
        return dataclasses.replace(self, precision=self.precision + np.outer(row, row))

    def divisions(self) -> Divisions:
        """The same as a conversion to coulombs takes it."""
        covariance = np.linalg.inv(self.precision)
        slope = float(covariance[0, 1] / covariance[1, 1])
        rest = float(covariance[0, 0]) - slope**2 * float(covariance[1, 1])
        return Divisions(
            unit=Quantity(
                value=self.unit,
                standard_uncertainty=math.sqrt(max(rest, 0.0)),
                scope="reading",
                unit="div",
            ),
            fall=Quantity(
                value=self.fall,
                standard_uncertainty=math.sqrt(float(covariance[1, 1])),
                scope="particle",
                unit="div",
            ),
            fall_slope=slope,
            interval=Quantity(value=self.interval, scope="session", unit="s"),
            gate=self.gate,
        )


@dataclasses.dataclass(frozen=True, kw_only=True)
class Setup:
    """One sphere on a bench: what a unit and its weight move it by in an interval, and the scatter.

    Lengths in divisions; `length` is that of the scale, infinite where it is not known.
    """

    unit: float
    fall: float
    interval: float
    diffusion: float
    press: float
    rounding: float
    length: float = math.inf

    @classmethod
    def on(
        cls, bench: Apparatus, *, unit: float, fall: float, interval: float, rounding: float
    ) -> Setup:
        """With the walk, the watch and the scale of this bench."""
        return cls(
            unit=unit,
            fall=fall,
            interval=interval,
            diffusion=diffusion_of(bench, fall=fall, interval=interval),
            press=press_of(bench),
            rounding=rounding,
            length=value_of(bench, "reticle.length", math.inf),
        )

    @property
    def held(self) -> float:
        """Units that balance the sphere."""
        return self.fall / self.unit

    def sigma(self, units: ArrayLike) -> FloatArray:
        """Standard deviation of a reading with so many units on the sphere; 0 is a fall."""
        speed = (np.asarray(units, dtype=np.float64) * self.unit - self.fall) / self.interval
        law = at_fixed_time(
            speed, self.interval, diffusion=self.diffusion, press=self.press, rounding=self.rounding
        )
        return law.times(self.interval).total

    def on_scale(self, units: ArrayLike) -> BoolArray:
        """Whether a passage stays on the scale, with two standard deviations of room."""
        moved = np.abs(np.asarray(units, dtype=np.float64) * self.unit - self.fall)
        return moved + 2 * self.sigma(units) < self.length

    def states(self, count: int) -> FloatArray:
        """The `count` numbers of units nearest to balance that stay on the scale, small first."""
        near = np.arange(1, math.ceil(self.held) + count + 1)
        near = near[self.on_scale(near)] if self.on_scale(near).any() else near[:1]
        order = np.argsort(np.round(np.abs(near - self.held), 6), kind="stable")
        return np.resize(near[order], count).astype(np.float64)

    def known_after(self, falls: float, states: int, repeats: float) -> UnitAndFall:
        """Unit and fall after so many falls, and readings of each of so many states."""
        now = UnitAndFall(
            unit=self.unit, fall=self.fall, precision=np.zeros((2, 2)), interval=self.interval
        )
        for n in self.states(states).tolist():
            now = now.read(n, float(self.sigma(n)) / math.sqrt(repeats))
        return now.fell(float(self.sigma(0)), falls)


@dataclasses.dataclass(frozen=True)
class Expected:
    """Relative standard uncertainty of the unit in coulombs, in two parts, with its budget.

    `own` is what another sphere does not share with this one.
    """

    own: float
    shared: float
    charge: Propagation

    def of(self, spheres: int = 1) -> float:
        """From so many spheres together."""
        return math.hypot(self.own / math.sqrt(spheres), self.shared)


def expected(bench: Apparatus, now: UnitAndFall | Divisions) -> Expected:
    """The uncertainty by the joint fit of all inputs; InputError where an entry is missing."""
    divisions = now.divisions() if isinstance(now, UnitAndFall) else now
    joint = fit_inputs(bench, divisions)[1]
    if joint is None:
        raise InputError(lacking(ROUTES[SIMPLEST], bench, divisions))
    return Expected(*own_and_shared(joint.charge), joint.charge)


def improved(
    bench: Apparatus, divisions: Divisions, name: str, factor: float
) -> tuple[Apparatus, Divisions]:
    """The same with the uncertainty of one input multiplied by a factor."""
    old: Quantity = getattr(divisions, name) if name in _READ else bench.quantities[name]
    better = {
        name: dataclasses.replace(old, standard_uncertainty=factor * old.standard_uncertainty)
    }
    if name in _READ:
        return bench, dataclasses.replace(divisions, **better)  # type: ignore[arg-type]
    return dataclasses.replace(bench, quantities=bench.quantities | better), divisions


def to_improve(bench: Apparatus, charge: Propagation) -> list[str]:
    """Measured inputs of the bench whose uncertainty counts, the largest share first."""
    table = charge.budget.sort_values("share", ascending=False, kind="stable")
    known = table[(table["standard_uncertainty"] > 0) & table["input"].isin(bench.quantities)]
    return [str(name) for name in known["input"] if name not in (*_READ, *_GIVEN)]


@dataclasses.dataclass(frozen=True)
class Step:
    """What could be read next: in words, the units, with 0 for a fall, scatter and V0/V.

    Units of the sign that the field pushes down are below zero.
    """

    words: str
    units: float
    sigma: float
    stretch: float = 1.0


def gains(
    bench: Apparatus, now: UnitAndFall, steps: Iterable[Step], *, spheres: int = 1
) -> pd.DataFrame:
    """What each next step with every sphere is expected to bring, the largest gain first.

    Columns measurement, kind ("fall", "reading", "input" or "sphere"), units (NaN where there are
    none), relative (uncertainty expected after it) and gain (part of the present one that goes).
    """
    before = expected(bench, now)
    rows: list[tuple[str, str, float, float]] = []
    for step in steps:
        fell = step.units == 0
        then = now.fell(step.sigma) if fell else now.read(step.units, step.sigma, step.stretch)
        kind, number = ("fall", math.nan) if fell else ("reading", step.units)
        rows.append((step.words, kind, number, expected(bench, then).of(spheres)))
    for name in to_improve(bench, before.charge):
        after = expected(*improved(bench, now.divisions(), name, BETTER)).of(spheres)
        rows.append((f"{named(name)}, known twice as well", "input", math.nan, after))
    rows.append(("another sphere, read as much", "sphere", math.nan, before.of(spheres + 1)))
    table = pd.DataFrame(rows, columns=["measurement", "kind", "units", "relative"])
    table["gain"] = 1 - table["relative"] / before.of(spheres)
    return table.sort_values("gain", ascending=False, kind="stable", ignore_index=True)
