"""What to measure next in a run, and what it is expected to bring in coulombs."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd

from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize.charge.budgets import with_voltage
from quantize.charge.estimate import RunFit
from quantize.charge.expected import Setup, Step, UnitAndFall, expected, gains
from quantize.charge.rows import Rows, root_mean_square
from quantize.charge.stated import counted
from quantize.null.power import readings_needed

_SURE = 0.95  # share of the best unit below which the note names it
_BEYOND = 2  # units beyond those read, where the length of the scale is not known


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
    """

    relative: float
    own: float
    shared: float
    table: pd.DataFrame
    readings: int
    readings_for_steps: float
    notes: tuple[str, ...]

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
            f"Read {best['measurement']}: the uncertainty of the unit in coulombs, now "
            f"{100 * self.relative:.3g} %, is expected to be {100 * best['relative']:.3g} % "
            "after it."
        )

    def _headline(self) -> str:
        best = self.best
        return (
            f"{best['measurement']}, from {100 * self.relative:.3g} % to "
            f"{100 * best['relative']:.3g} %"
        )


def next_step(run: Rows, fit: RunFit) -> NextStep:
    """Weigh every reading, and every input, by what it is expected to bring in coulombs.

    Raises InputError without a fall, and when no route to coulombs is possible.
    """
    bench = with_voltage(run.bench(), run)
    if fit.fall is None:
        raise InputError(
            f"`run` ({run.source}) has no fall without field, and nothing brings more: read one "
            "at zero voltage in each charge state."
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
