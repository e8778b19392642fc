"""A plan for a target uncertainty of the unit in coulombs: what limits it, and how much reaches it.

The fall is that of the sphere described, and the unit follows from the accepted charge, as in
`planning`; no analysis sees either.
"""

from __future__ import annotations

import bisect
import dataclasses
import functools
import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from quantize._support import validation
from quantize._support.errors import InputError
from quantize._support.results import Result
from quantize.charge.agreement import sphere_agreement
from quantize.charge.apparatus import Apparatus, ApparatusLike, load_apparatus, value_of
from quantize.charge.budgets import taken_for_exact
from quantize.charge.expected import (
    Expected,
    Setup,
    Step,
    UnitAndFall,
    expected,
    gains,
    improved,
    to_improve,
)
from quantize.charge.noise import ROUNDING_SD, mobility_of, weight_of
from quantize.charge.quantity import normal
from quantize.charge.routes import field, speed_per_division
from quantize.charge.simulation import ACCEPTED_CHARGE
from quantize.charge.stated import counted
from quantize.null.power import readings_needed

_USUAL_INTERVAL = 10.0  # s
_MOST = 1024  # of anything that is read
_LEAST_FACTOR = 1e-3
_ALL = ("falls", "states", "repeats", "spheres")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class TargetPlan(Result):
    """Result of `plan_target`.

    Attributes
    ----------
    target : float
        Relative standard uncertainty that is wished for.
    relative : float
        The one expected from the design: `falls` falls without field and `repeats` readings of
        each of `states` charge states, of each of `spheres` spheres.
    own, shared : float
        Its parts, for one sphere: what another sphere does not share, and what it does.
    falls, states, repeats, spheres : int
        The design.
    setup : dict of str to float
        What is expected of the sphere: interval (s), held (units at balance), voltage (V), fall
        and unit (divisions in one interval), sigma_over_unit (root mean square over the states),
        sigma_fall (divisions), smallest and largest (units that stay on the scale), and
        readings_for_steps (that show steps in four runs of five; NaN where none do).
    inputs : pandas.DataFrame
        One row for each input with an uncertainty, the largest share first: input, relative
        (standard uncertainty; NaN about zero), share (of the variance), if_exact (what would be
        left with this input exact) and needed (relative uncertainty of this input that alone would
        reach the target; NaN where none does, or the bench does not measure it).
    ways : pandas.DataFrame
        The least numbers that reach the target: more_of, falls, states, repeats, spheres,
        readings, relative; NaN where no number up to 1,024 does.
    gains : pandas.DataFrame
        What one step more is expected to bring: measurement, kind, units, relative, gain.
    notes : tuple of str
        What was assumed, and what does not fit.
    """

    target: float
    relative: float
    own: float
    shared: float
    falls: int
    states: int
    repeats: int
    spheres: int
    setup: dict[str, float]
    inputs: pd.DataFrame
    ways: pd.DataFrame
    gains: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def reached(self) -> bool:
        """Whether the design reaches the target."""
        return self.relative <= self.target

    @property
    def shows_steps(self) -> bool:
        """Whether one sphere is read as often as four runs of five need to show steps."""
        return self.states * self.repeats >= self.setup["readings_for_steps"]

    def _headline(self) -> str:
        word = "reached" if self.reached else "NOT reached"
        return (
            f"{100 * self.relative:.2g} % expected ({100 * self.own:.2g} % of each sphere, "
            f"{100 * self.shared:.2g} % shared by all); target {100 * self.target:g} %, {word}"
        )


def plan_target(
    apparatus: ApparatusLike,
    target: float | str = 0.01,
    *,
    falls: int = 8,
    states: int = 8,
    repeats: int = 4,
    spheres: int = 1,
    held: float | None = None,
    interval: float | None = None,
) -> TargetPlan:
    r"""Say what limits the uncertainty of the unit in coulombs, and how much reaches a target.

    Parameters
    ----------
    apparatus : Apparatus, mapping, str or path-like
        The bench as in an apparatus file, with the uncertainty of each entry.
    target : float or str
        Relative standard uncertainty wished for: 0.01 or "1 %".
    falls, states, repeats, spheres : int
        The design that is weighed: falls without field, charge states, readings of each state,
        and spheres that are read so.
    held : float, optional
        Units that balance the sphere; from the voltage of the bench if left out.
    interval : float, optional
        Duration of a reading, s; that of the bench, or 10 s, if left out.

    Returns
    -------
    TargetPlan

    Raises
    ------
    InputError
        When an entry is missing without which fall, scatter or charge cannot be predicted.

    Notes
    -----
    With whole numbers n known, readings x = u·n - F and falls F of the predicted scatter have the
    information matrix :math:`\sum (n,-1)^\top(n,-1)/\sigma_n^2 + (0,1)^\top(0,1) m/\sigma_F^2` on
    unit and fall. The joint fit of all inputs (`unit_in_coulombs`) turns its inverse into coulombs.
    The states are those nearest to balance that stay on the scale. For several spheres the part
    of the variance that each has for itself is divided by their number.

    Examples
    --------
    >>> from quantize import charge
    >>> bench = {
    ...     "plates": {"separation": "4.24(2) mm", "voltage": "227.4(6) V"},
    ...     "sphere": {"weight": "5.15(8)e-14 N", "weight_of": "this sphere",
    ...                "diameter": "2.10(2) um", "density": "1055 kg/m3"},
    ...     "reticle": {"division": "25.0(1) um", "length": "90 div"},
    ...     "watch": {"press": "0.06 s"}, "run": {"interval": "10 s"},
    ...     "air": {"temperature": "22 degC", "pressure": "1013 hPa"},
    ... }
    >>> plan = charge.plan_target(bench, "1 %")
    >>> plan.reached, plan.inputs["input"][0]
    (True, 'plates.separation')
    """
    wished = relative_of("target", target)
    design = {
        name: validation.count(name, n)
        for name, n in zip(_ALL, (falls, states, repeats, spheres), strict=True)
    }
    bench, setup = _setup(load_apparatus(apparatus), held, interval)

    @functools.cache
    def of_one(falls: int, states: int, repeats: int) -> Expected:
        return expected(bench, setup.known_after(falls, states, repeats))

    def at(falls: int, states: int, repeats: int, spheres: int) -> float:
        return of_one(falls, states, repeats).of(spheres)

    now = setup.known_after(design["falls"], design["states"], design["repeats"])
    found = of_one(design["falls"], design["states"], design["repeats"])
    far = float(setup.states(max(design["states"], 2)).max())
    steps = [
        Step("one more fall without field", 0, float(setup.sigma(0))),
        Step(f"one more reading at {counted(far, 'unit')}", far, float(setup.sigma(far))),
    ]
    return TargetPlan(
        target=wished,
        relative=found.of(design["spheres"]),
        own=found.own,
        shared=found.shared,
        **design,
        setup=_described(setup, abs(bench.need("plates.voltage").value), design),
        inputs=_limits(bench, now, found, wished, design["spheres"]),
        ways=_ways(design, wished, at),
        gains=gains(bench, now, steps, spheres=design["spheres"]),
        notes=tuple(_notes(bench, found)),
    )


def relative_of(name: str, given: float | str) -> float:
    """A relative uncertainty between 0 and 1 from 0.01, "0.01" or "1 %".

    >>> relative_of("target", "1 %"), relative_of("target", 0.02)
    (0.01, 0.02)
    """
    value: Any = given
    if isinstance(given, str):
        number = given.strip().removesuffix("%")
        try:
            value = float(number) / (100 if number != given.strip() else 1)
        except ValueError:
            raise InputError(
                f"`{name}` is {given!r}; write a relative uncertainty, such as '1 %' or 0.01."
            ) from None
    return validation.fraction(name, value)


def _setup(bench: Apparatus, held: float | None, interval: float | None) -> tuple[Apparatus, Setup]:
    """The sphere on this bench, and the bench with the voltage that balances it."""
    if bench.word("run.timing") == "fixed distance":
        raise InputError(
            "`apparatus` times passages over a fixed distance, and the plan is for readings at a "
            'fixed time; declare timing = "fixed time" under [run], with an interval.'
        )
    purpose = "a plan in coulombs"
    for name in ("reticle.division", "plates.separation"):
        bench.need(name, purpose=purpose)
    usual = bench.get("run.interval") or normal(_USUAL_INTERVAL, 0.0, "s", "session")
    time = usual.value if interval is None else validation.positive("interval", interval)
    timed = bench.changed(run__interval=dataclasses.replace(usual, value=time))
    speed = _fall_speed(bench if bench.has("run.interval") else timed)
    bench, division = timed, speed_per_division(_known(timed))
    fall = speed / division
    # At rest through the microscope, the sphere moves against an air that drifts.
    in_air = (speed + value_of(bench, "air.drift", 0.0)) / division
    one_volt = float(field(_known(bench) | {"plates.voltage": 1.0}))
    one = weight_of(bench) / (one_volt * ACCEPTED_CHARGE)
    if held is None:
        volts = abs(bench.need("plates.voltage", purpose=f"{purpose} without `held`").value)
        balanced = one / volts
    else:
        balanced = validation.positive("held", held)
        stated = bench.get("plates.voltage")
        volts = one / balanced
        spread = 0.0 if stated is None else stated.relative * volts
        asked = normal(volts, spread, "V", "session")
        bench = bench.changed(plates__voltage=asked)
    rounding = ROUNDING_SD[str(bench.word("reticle.rounding", "both ends"))]
    rounding *= value_of(bench, "reticle.step", 1.0)
    return bench, Setup.on(
        bench, unit=in_air / balanced, fall=fall, interval=time, rounding=rounding
    )


def _known(bench: Apparatus) -> dict[str, float]:
    """What the formulas of field and speed take, in SI units."""
    return {name: q.value for name, q in bench.quantities.items() if name != "run.distance"}


def _fall_speed(bench: Apparatus) -> float:
    """Speed of fall through the microscope, m/s: as measured, else from weight and diameter."""
    if bench.has("fall.divisions"):
        return bench.need("fall.divisions").value * float(speed_per_division(_known(bench)))
    if bench.has("fall.speed"):
        return bench.need("fall.speed").value
    return mobility_of(bench) * weight_of(bench) - value_of(bench, "air.drift", 0.0)


def _described(setup: Setup, volts: float, design: Mapping[str, int]) -> dict[str, float]:
    numbers = np.arange(1, math.ceil(2 * setup.held) + 200)
    there = numbers[setup.on_scale(numbers)]
    ratio = float(np.sqrt(np.mean(setup.sigma(setup.states(design["states"])) ** 2))) / setup.unit
    needed = readings_needed(ratio, design["repeats"])
    return {
        "interval": setup.interval,
        "held": setup.held,
        "voltage": volts,
        "fall": setup.fall,
        "unit": setup.unit,
        "sigma_over_unit": ratio,
        "sigma_fall": float(setup.sigma(0)),
        "smallest": float(there.min()) if there.size else math.nan,
        "largest": float(there.max()) if there.size and math.isfinite(setup.length) else math.nan,
        "readings_for_steps": math.nan if needed is None else float(needed),
    }


def _limits(
    bench: Apparatus, now: UnitAndFall, found: Expected, target: float, spheres: int
) -> pd.DataFrame:
    """Every input that counts, what is left with it exact, and how well it had to be known."""
    from scipy.optimize import brentq

    divisions = now.divisions()
    measured = to_improve(bench, found.charge)

    def left(name: str, factor: float) -> float:
        return expected(*improved(bench, divisions, name, factor)).of(spheres)

    rows = []
    for row in found.charge.budget.to_dict("records"):
        name, spread = row["input"], row["standard_uncertainty"]
        if spread == 0:
            continue
        own = spread / abs(row["value"]) if row["value"] else math.nan
        exact, needed = math.nan, math.nan
        if name in (*measured, "unit", "fall"):
            exact = left(name, _LEAST_FACTOR)
        if name in measured and exact <= target:
            within = found.of(spheres) <= target
            needed = own if within else own * float(
                brentq(lambda f, n=name: left(n, f) - target, _LEAST_FACTOR, 1.0, xtol=3e-3)
            )  # fmt: skip
        rows.append((name, own, row["share"], exact, needed))
    table = pd.DataFrame(rows, columns=["input", "relative", "share", "if_exact", "needed"])
    return table.sort_values("share", ascending=False, kind="stable", ignore_index=True)


def _ways(design: dict[str, int], target: float, at: Callable[..., float]) -> pd.DataFrame:
    """The least numbers that reach the target: one raised by itself, and falls with repeats."""
    raised = {name: (name,) for name in _ALL} | {"falls and repeats": ("falls", "repeats")}
    rows: list[dict[str, Any]] = []
    for words, names in raised.items():

        def enough(n: int, names: tuple[str, ...] = names) -> bool:
            return at(**_with(design, names, n)) <= target

        if not enough(_MOST):
            none = dict.fromkeys((*_ALL, "readings", "relative"), math.nan)
            rows.append({"more_of": words} | none)
            continue
        # The first power of two that is enough, then the numbers down to the one before it.
        high = next(n for n in map((2).__pow__, range(_MOST.bit_length())) if enough(n))
        numbers = range(high // 2 + 1, high)
        chosen = _with(design, names, high // 2 + 1 + bisect.bisect_left(numbers, True, key=enough))
        read = chosen["falls"] + chosen["states"] * chosen["repeats"]
        counted = {"readings": read * chosen["spheres"], "relative": at(**chosen)}
        rows.append({"more_of": words} | chosen | counted)
    return pd.DataFrame(rows)


def _with(design: dict[str, int], names: tuple[str, ...], n: int) -> dict[str, int]:
    """One number changed, or several in proportion."""
    if len(names) == 1:
        return design | {names[0]: n}
    parts = math.gcd(*(design[name] for name in names))
    return design | {name: n * design[name] // parts for name in names}


def _notes(bench: Apparatus, found: Expected) -> list[str]:
    exact = [name for name in taken_for_exact(found.charge.inputs) if name != "run.interval"]
    notes = [
        "The unit in divisions comes from the accepted charge, 1.602176634e-19 C, and whole "
        "numbers are taken as known; no analysis sees either."
    ]
    if exact:
        notes.append(
            f"Taken for exact, since no uncertainty is stated: {', '.join(exact)}; whatever they "
            "are off comes on top."
        )
    weighed = sphere_agreement(bench)
    if weighed is not None and weighed.level != "good":
        notes.append(f"Mend that first: {weighed.sentence}")
    return notes
