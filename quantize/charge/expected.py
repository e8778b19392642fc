"""What to measure next, and what the uncertainty of the unit in coulombs will be after it.

With known whole numbers the unit u and the fall F in divisions are linear in the readings, so that
what a reading adds to the inverse of their covariance is known before it is taken. What that means
in coulombs the joint fit of all inputs says.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize._support.validation import BoolArray, FloatArray
from quantize.charge.agreement import named
from quantize.charge.apparatus import Apparatus, value_of
from quantize.charge.bench import fit_inputs
from quantize.charge.budgets import Divisions, lacking, with_voltage
from quantize.charge.estimate import RunFit
from quantize.charge.noise import at_fixed_time, diffusion_of, press_of
from quantize.charge.particles import own_and_shared
from quantize.charge.propagation import Propagation
from quantize.charge.quantity import Quantity, normal
from quantize.charge.routes import ROUTES, SIMPLEST
from quantize.charge.rows import Rows, root_mean_square
from quantize.charge.run_analysis import RunAnalysis
from quantize.charge.stated import counted
from quantize.null.power import readings_needed
from quantize.null.verdict import CANNOT_TELL, NO_STEPS, STEPS

BETTER = 0.5  # of the uncertainty of an input, where its better measurement is weighed
_READ = ("unit", "fall")
_GIVEN = ("sphere.diameter_spread",)  # describes a batch, and no measurement makes it smaller
_SURE = 0.95  # share of the best unit below which the note names it
_BEFORE = {
    None: "R",
    STEPS: "R",
    CANNOT_TELL: 'The verdict is "cannot tell": settle that first. If there are steps, r',
    NO_STEPS: 'The verdict is "no steps". If there were steps all the same: r',
}
_BEYOND = 2  # units beyond those read, where the length of the scale is not known


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
            unit=normal(self.unit, math.sqrt(max(rest, 0.0)), "div", "reading"),
            fall=normal(self.fall, math.sqrt(float(covariance[1, 1])), "div", "particle"),
            fall_slope=slope,
            interval=normal(self.interval, 0.0, "s", "session"),
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


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class NextStep(Result):
    """Result of `Run.next_step`.

    Attributes
    ----------
    relative : float
        Relative standard uncertainty of the unit in coulombs as it is now.
    own, shared : float
        Its parts: what another sphere would not share, and what it would.
    table : pandas.DataFrame
        What could be measured next, the most worth first: measurement, kind ("fall", "reading",
        "input" or "sphere"), units on the sphere (below zero where the field pushes them down, NaN
        where there are none), relative (the uncertainty expected after it) and gain (the part of
        the present one that it takes away).
    readings : int
        Readings with a voltage so far.
    readings_for_steps : float
        How many show steps in four runs of five at this scatter; NaN where no number does.
    notes : tuple of str
        What was taken as known.
    verdict : {"steps", "no steps", "cannot tell"}, optional
        Of the analysis that was given; None for a `RunFit`, which has none.
    advice : tuple of str
        What would settle the verdict, where it is open.
    """

    relative: float
    own: float
    shared: float
    table: pd.DataFrame
    readings: int
    readings_for_steps: float
    notes: tuple[str, ...]
    verdict: str | None = None
    advice: tuple[str, ...] = ()

    @property
    def best(self) -> dict[str, Any]:
        """What to read next: the first row of the table that is a reading or a fall."""
        read = self.table[self.table["kind"].isin(["fall", "reading"])]
        return {str(name): value for name, value in read.iloc[0].to_dict().items()}

    @property
    def sentence(self) -> str:
        """What to read next and what it is expected to bring."""
        best = self.best
        return (
            f"{_BEFORE[self.verdict]}ead {best['measurement']}: the uncertainty of the unit in "
            f"coulombs, now {100 * self.relative:.3g} %, is expected to be "
            f"{100 * best['relative']:.3g} % after it."
        )

    def _headline(self) -> str:
        best = self.best
        return (
            f"{best['measurement']}, from {100 * self.relative:.3g} % to "
            f"{100 * best['relative']:.3g} %"
        )


def next_step(analysis: RunAnalysis | RunFit) -> NextStep:
    """Weigh every reading, and every input, by what it is expected to bring in coulombs.

    The run is that of the analysis, in which rows may have been put right.
    Raises InputError without a fall, and when no route to coulombs is possible.
    """
    if isinstance(analysis, RunAnalysis):
        return next_step(analysis.fit)._with(verdict=analysis.verdict, advice=analysis.advice)
    fit, run = analysis, analysis.run
    bench = with_voltage(run.bench(), run)
    if fit.fall is None:
        raise InputError(
            f"`run` ({run.source}) has no fall without field, and nothing brings more: "
            f"{run.fall_wanted}."
        )
    now = _known(run, fit)
    before = expected(bench, now)
    steps, ratio = _steps(run, fit)
    needed = readings_needed(ratio, int(np.median(fit.readings.levels().count)))
    share = float(fit.alternatives["share"].iloc[0])
    notes = []
    if share < _SURE:
        notes.append(
            f"This is for the best unit, which holds {100 * share:.0f} % of the probability: "
            "readings in further states tell it from its rivals."
        )
    return NextStep(
        relative=before.of(),
        own=before.own,
        shared=before.shared,
        table=gains(bench, now, steps),
        readings=len(run.driven),
        readings_for_steps=math.nan if needed is None else float(needed),
        notes=tuple(notes),
    )


def _known(run: Rows, fit: RunFit) -> UnitAndFall:
    """Unit and fall as the posterior of the run has them."""
    assert fit.fall is not None
    fall, slope = fit.fall.standard_uncertainty, fit.fall_slope
    both = slope * fall**2
    covariance = np.array([[fit.unit_err_given_fall**2 + slope * both, both], [both, fall**2]])
    return UnitAndFall(
        unit=fit.unit,
        fall=fit.fall.value,
        precision=np.linalg.inv(covariance),
        interval=run.interval,
        gate=run.gate,
    )


def _steps(run: Rows, fit: RunFit) -> tuple[list[Step], float]:
    """What could be read next, and the scatter over the unit."""
    # As many units as the field lifts, whichever plate is positive.
    stretch = run.stretch(run.informative)
    numbers = (np.asarray(fit.integers) * np.sign(stretch)).astype(int)
    common = fit.mixture.sigma if fit.readings.sigma is None else 1.0
    sigma = common * np.asarray(fit.readings.scale)
    falls = run.falls
    scatter = root_mean_square(sigma)
    single = run.fall_as_read()
    of_fall = scatter if single is None else single.standard_uncertainty * math.sqrt(len(falls))
    steps = [Step("one more fall without field", 0, of_fall)]
    read = sorted(set(numbers[numbers != 0].tolist()))
    for n in read:
        words = f"one more reading at {counted(abs(n), 'unit')}{' pushed down' if n < 0 else ''}"
        spread, moved = (root_mean_square(x[numbers == n]) for x in (sigma, stretch))
        steps.append(Step(words, n, spread, moved))
    steps += [
        Step(f"a new state of {counted(n, 'unit')}", n, s) for n, s in _new_states(run, fit, read)
    ]
    return steps, scatter / fit.unit


def _new_states(run: Rows, fit: RunFit, read: list[int]) -> list[tuple[int, float]]:
    """Numbers of units that were not read and stay on the scale, with the scatter there."""
    bench = run.bench()
    assert fit.fall is not None
    if run.timing == "fixed distance" or not bench.has("reticle.division"):
        return []
    setup = Setup.on(
        bench,
        unit=fit.unit,
        fall=fit.fall.value,
        interval=run.interval,
        rounding=root_mean_square(run.rounding(run.driven)),
    )
    endless = math.isinf(setup.length)
    last = max(read, default=0) + _BEYOND if endless else int(2 * setup.length / fit.unit) + 1
    new = np.array([n for n in range(1, last + 1) if n not in read])
    new = new[setup.on_scale(new)] if new.size else new
    return list(zip(new.tolist(), setup.sigma(new).tolist(), strict=True))
